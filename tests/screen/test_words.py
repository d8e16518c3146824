"""Numbers as people read them, and words that are always there."""

from __future__ import annotations

import pytest
from hypothesis import given

from eolseq.bands.band import AcceptanceBand, Outcome, Reading, judge, shown
from eolseq.quantity import UNITS
from eolseq.screen.words import RUN_WORDS, STEP_WORDS
from tests.screen.story import BOND, LEAK, band, reading
from tests.screen.test_band_mark import bands_and_readings

NUMBERS = {
    "digits of the instrument beyond five": ("0.001854000 A", LEAK, "1.8540 mA"),
    "few digits stay as they are": ("2.9 mA", LEAK, "2.9 mA"),
    "the unit of the nearer limit": ("140400.0 ohm", band("10 kohm", "4 Mohm"), "140.40 kohm"),
    "small against both limits": ("0.0000100 ohm", band("2 mohm", "0.1 ohm"), "0.0100 mohm"),
    "just above is not rounded onto the limit": ("5.0000001 mA", LEAK, "5.0000001 mA"),
    "just below is not rounded onto the limit": ("0.1999999 mA", LEAK, "0.1999999 mA"),
    "exactly on the limit": ("0.10000000 ohm", BOND, "0.10000 ohm"),
    "large numbers keep their whole digits": ("1234567.8 V", band("1 V", None), "1234568 V"),
    "as many digits as a file may have": (f"{'7' * 19}.5 V", band("1 V", None), f"{'7' * 18}8 V"),
    "zero": ("0.0000000 ohm", BOND, "0.0000 ohm"),
    "another dimension is left alone": ("3.0000000 V", BOND, "3.0000 V"),
}


@pytest.mark.parametrize("case", NUMBERS)
def test_numbers_as_shown(case: str) -> None:
    text, limits, expected = NUMBERS[case]
    assert str(shown(reading("x", text), limits)) == expected


@given(bands_and_readings())
def test_what_is_shown_is_judged_as_what_was_measured(pair: tuple[AcceptanceBand, Reading]) -> None:
    limits, taken = pair
    seen = shown(taken, limits)
    assert judge(limits, seen).outcome is judge(limits, taken).outcome
    assert seen.value is not None and taken.value is not None
    exact, said = taken.value * UNITS[taken.unit][1], seen.value * UNITS[seen.unit][1]
    assert abs(exact - said) <= abs(exact) / 10_000


def test_a_missing_number_is_shown_as_its_words() -> None:
    assert str(shown(Reading("x", None, "A", special="above range"), LEAK)) == "above range"


def test_every_outcome_has_its_words() -> None:
    assert set(RUN_WORDS) == set(STEP_WORDS) == set(Outcome)
    assert RUN_WORDS[Outcome.UNDECIDED] == "REJECT, TO QUALITY"

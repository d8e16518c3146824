"""The mark on the scale says what the band says, whatever the numbers."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER, NOT_A_NUMBER, AcceptanceBand, Outcome, Reading, judge
from eolseq.quantity import Quantity
from eolseq.screen.band_mark import INSIDE, NOT_YET, OUTSIDE, SMALLEST, band_mark
from tests.screen.story import band, reading

numbers = st.decimals(allow_nan=False, allow_infinity=False, min_value=-10**9, max_value=10**9, places=6)
units = st.sampled_from(["V", "mV", "kV"])
quantities = st.builds(Quantity, numbers, units)


@st.composite
def bands(draw: st.DrawFn) -> AcceptanceBand:
    low, high = draw(st.none() | quantities), draw(st.none() | quantities)
    if low is not None and high is not None and low.base > high.base:
        low, high = high, low
    if low is None and high is None:
        high = draw(quantities)
    return AcceptanceBand(low, high)


@st.composite
def bands_and_readings(draw: st.DrawFn) -> tuple[AcceptanceBand, Reading]:
    limits = draw(bands())
    edges = [q for q in (limits.at_least, limits.at_most) if q is not None]
    close = st.builds(lambda q, d: Quantity(q.value + d, q.unit), st.sampled_from(edges),
                      st.sampled_from([Decimal(0), Decimal("1e-6"), Decimal("-1e-6")]))
    quantity = draw(quantities | close)
    return limits, Reading("volts", quantity.value, quantity.unit)


@given(bands_and_readings(), st.integers(SMALLEST, 120), st.sampled_from([OUTSIDE, NOT_YET]))
def test_the_mark_is_inside_exactly_when_the_band_judges_so(
        pair: tuple[AcceptanceBand, Reading], width: int, outside: str) -> None:
    limits, taken = pair
    mark = band_mark(taken, limits, width, outside=outside)
    assert len(mark.text) == width
    assert mark.column is not None
    inside = judge(limits, taken).outcome is Outcome.PASS
    assert mark.inside is inside
    assert mark.text[mark.column] == (INSIDE if inside else outside)
    assert mark.text.count(INSIDE) + mark.text.count(outside) == 1
    low, high = mark.text.find("┣"), mark.text.find("┫")
    assert (low >= 0) == (limits.at_least is not None)
    assert (high >= 0) == (limits.at_most is not None)
    between = (low < 0 or low < mark.column) and (high < 0 or mark.column < high)
    assert between is inside


@given(bands(), st.integers(SMALLEST, 80), st.integers(-10**9, 10**9), st.integers(0, 10**9))
def test_a_larger_reading_is_never_drawn_further_left(limits: AcceptanceBand, width: int, low: int, more: int) -> None:
    first = band_mark(Reading("volts", Decimal(low), "V"), limits, width).column
    second = band_mark(Reading("volts", Decimal(low + more), "V"), limits, width).column
    assert first is not None and second is not None and first <= second


TWO_SIDED, CEILING, FLOOR = band("1.5 A", "2.3 A"), band(None, "5 mA"), band("100 kohm", None)
PLAIN_CASES = {
    "middle": (reading("current", "1.9 A"), TWO_SIDED, "╌╌╌╌┣━━━━◆━━━━━┫╌╌╌╌"),
    "on the lower limit": (reading("current", "1.5 A"), TWO_SIDED, "╌╌╌╌┣◆━━━━━━━━━┫╌╌╌╌"),
    "on the upper limit": (reading("current", "2300 mA"), TWO_SIDED, "╌╌╌╌┣━━━━━━━━━◆┫╌╌╌╌"),
    "just below": (reading("current", "1.49 A"), TWO_SIDED, "╌╌╌╳┣━━━━━━━━━━┫╌╌╌╌"),
    "just above": (reading("current", "2.31 A"), TWO_SIDED, "╌╌╌╌┣━━━━━━━━━━┫╳╌╌╌"),
    "far above": (reading("current", "90 A"), TWO_SIDED, "╌╌╌╌┣━━━━━━━━━━┫╌╌╳»"),
    "far below": (reading("current", "-90 A"), TWO_SIDED, "«╳╌╌┣━━━━━━━━━━┫╌╌╌╌"),
    "below a ceiling": (reading("current", "0 mA"), CEILING, "◆━━━━━━━━━━━━━━┫╌╌╌╌"),
    "above a floor": (reading("resistance", "9 Mohm"), FLOOR, "╌╌╌╌┣━━━━━━━━━━━━━━◆"),
    "below a floor": (reading("resistance", "0 ohm"), FLOOR, "«╳╌╌┣━━━━━━━━━━━━━━━"),
}


@pytest.mark.parametrize("case", PLAIN_CASES)
def test_scales_as_drawn(case: str) -> None:
    taken, limits, expected = PLAIN_CASES[case]
    assert band_mark(taken, limits, 20).text == expected


NOT_NUMBERS = {
    "above range, ceiling": (ABOVE_RANGE, None, CEILING, "»»"),
    "below range, floor": (BELOW_RANGE, None, FLOOR, "««"),
    "above range, floor only": (ABOVE_RANGE, None, FLOOR, ""),
    "no answer": (NO_ANSWER, None, TWO_SIDED, ""),
    "not a number": (NOT_A_NUMBER, None, TWO_SIDED, ""),
    "a number that is none": ("", Decimal("NaN"), TWO_SIDED, ""),
    "infinite": ("", Decimal("Infinity"), TWO_SIDED, ""),
}


@pytest.mark.parametrize("case", NOT_NUMBERS)
def test_a_missing_number_is_never_marked_inside(case: str) -> None:
    special, value, limits, arrows = NOT_NUMBERS[case]
    mark = band_mark(Reading("x", value, "A", special=special), limits, 20)
    assert INSIDE not in mark.text and OUTSIDE not in mark.text
    assert mark.inside is (False if arrows else None)
    assert "".join(c for c in mark.text if c in "«»") == arrows


def test_another_dimension_has_no_mark() -> None:
    assert band_mark(reading("current", "2 V"), TWO_SIDED, 20).column is None


@given(bands_and_readings(), st.integers(-3, SMALLEST - 1))
def test_too_narrow_a_scale_is_left_empty(pair: tuple[AcceptanceBand, Reading], width: int) -> None:
    assert band_mark(pair[1], pair[0], width).text == " " * max(0, width)

"""Input with nothing switched on: watts by Joule's law, a capacitor's amps by its reactance; both arithmetic."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from eolseq.bands.working import Worked
from eolseq.errors import FileMistakes
from eolseq.sequence.derive import workings
from eolseq.sequence.load import read_sequence
from tests.bands.worked import numbers

TEXT = Path("sequences/duct-heater-3kw.yaml").read_text(encoding="utf-8")
STEP = TEXT.index("    name: No heat without the fan")
BANDS = TEXT[TEXT.index("    band:", STEP):TEXT.index("    applied:", STEP)]
PATHS = "paths: [{name: bleeder, resistance: 100 kohm, above: 5 %, below: 0 %, source: invented}]"
WATTS = f"{{from: idle, {PATHS}, allowance: 10 W, source: invented}}"
AMPS = "{from: capacitor, capacitance: 10 uF, above: 10 %, below: 20 %, source: invented}"


def worked(what: str, band: str = WATTS, amps: str = AMPS) -> Worked:
    """A band of the step in which a DH-3, an invented unit, is not to heat."""
    text = TEXT.replace(BANDS, f"    band: {band}\n    amps: {amps}\n")
    sequence = read_sequence(text.encode(), Path("changed.yaml"))
    item = next(each for each in sequence.items if each["name"] == "No heat without the fan")
    return dict(workings(item))[what]


def test_watts_are_the_square_of_the_supply_over_what_lies_there_and_the_allowance() -> None:
    found = worked("band")
    assert numbers(found) == (None, Decimal("10.52"))  # 230^2 / 100 kohm is 0.529 W; 10.529 rounded inwards
    assert "0.529" in " ".join(found.working.formula)


def test_amps_are_those_of_the_reactance() -> None:
    # 2 pi x 50 Hz x 10 uF x 230 V is 0.722566 A; -20 % and +10 %, rounded inwards to four digits
    assert numbers(worked("amps")) == (Decimal("0.5781"), Decimal("0.7948"))


def test_the_sum_of_several_paths() -> None:
    two = PATHS.replace("}]", "}, {name: board, resistance: 50 kohm, above: 5 %, below: 50 %, source: invented}]")
    found = worked("band", f"{{from: idle, {two}, allowance: 10 W, source: invented}}")
    assert numbers(found) == (None, Decimal("12.64"))  # 52900 x (1/100000 + 1/25000) = 2.645 W


@pytest.mark.parametrize(("band", "amps", "words"), [
    (WATTS, AMPS.replace("below: 20 %", "below: 100 %"), "'100 %' is outside"),
    (WATTS.replace("allowance: 10 W, ", ""), AMPS, "'allowance' is missing"),
    (WATTS.replace("100 kohm", "0 ohm"), AMPS, "'0 ohm' is outside"),
    (WATTS, "{from: idle}", "'idle' is not a word"),
])
def test_what_cannot_be_worked_out(band: str, amps: str, words: str) -> None:
    with pytest.raises(FileMistakes, match=words):
        worked("band", band, amps)

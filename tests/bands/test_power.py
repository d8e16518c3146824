"""Input power from the plate, against published tolerances and the rule for a marked range."""

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
STEP = TEXT.index("    name: Input with the fan running")
BAND = "    band:\n      from: rating\n      tolerance: {row: iec-60335-1-heating}\n"
RATED = "rated: {voltage: 230 V, frequency: 50 Hz, power: 3.2 kW, current: 13.9 A, motor: 0.167 hp}"
WIDE = "{above: 10 %, below: 10 %, source: invented}"
EXACT = "tolerance: {above: 0 %, below: 1 %, source: invented}"


def power(band: str, volts: str = "230 V", rated: str = RATED) -> Worked:
    """The band of watts that a text gives in the power input step of the DH-3, an invented unit."""
    assert RATED in TEXT and TEXT.index(BAND, STEP) > 0
    step = TEXT[STEP:].replace(BAND, f"    band: {{from: rating, {band}}}\n", 1)
    text = TEXT[:STEP].replace(RATED, rated) + step.replace("volts: 230 V", f"volts: {volts}").replace(
        "applied: *supply", "applied: {volts: {from: setting, above: 2 %, below: 2 %, source: invented}, "
        "hertz: {from: setting, above: 1 %, below: 1 %, source: invented}}")
    text = text.replace("ul-458-1s", "ul-60335-2-40-to-250-1s")
    amps = "    amps:\n      from: rating\n      tolerance: {row: iec-60335-1-heating}\n"
    text = text.replace(amps, "    amps: {at_least: 1 A, at_most: 15 A, basis: invented}\n")
    sequence = read_sequence(text.encode(), Path("changed.yaml"))
    item = next(each for each in sequence.items if each["name"] == "Input with the fan running")
    return dict(workings(item))["band"]


def test_the_plate_with_its_class() -> None:
    # IEC 60335-1 10.1 Table 1, from memory: above 200 W, +5 % or 20 W, whichever is more, and -10 %
    assert numbers(power("power: 5 kW, tolerance: {row: iec-60335-1-heating}")) == (4500, 5250)
    # 105 % of the marking at most: UL 1026 31.1 and 31.2, second-hand
    found = power("power: 5 kW, tolerance: {row: ul-1026-heating, below: 10 %, source: common practice}")
    assert numbers(found) == (4500, 5250)


@pytest.mark.parametrize(("watts", "above"), [
    # IEC 60335-1 10.1 Table 1, motor-operated, from memory: +20 % up to 300 W, then +15 % or 60 W, whichever is more
    ("250 W", "300"), ("300 W", "360"), ("350 W", "410"), ("1 kW", "1150")])
def test_motor_operated(watts: str, above: str) -> None:
    found = power("tolerance: {row: iec-60335-1-motor, below: 20 %, source: invented}",
                  rated=RATED.replace("3.2 kW", watts))
    assert numbers(found)[1] == Decimal(above)


def test_a_marked_range_goes_from_its_mean_by_the_square() -> None:
    # IEC 60335-1 5.8.4, second-hand: 2000 W marked 220-240 V is for 230 V, and 2177.69 W at 240 V
    found = power(f"power: 2 kW, marked: {{at_least: 220 V, at_most: 240 V}}, {EXACT}", "240 V")
    assert numbers(found)[1] == Decimal("2177")
    assert "IEC 60335-1 5.8.4" in found.working.source
    assert any("2177.7 W" in line for line in found.working.formula)


@pytest.mark.parametrize(("volts", "watts"), [("208 V", "3755"), ("230 V", "4592")])
def test_the_square_law_where_heating_alone_counts(volts: str, watts: str) -> None:
    # Joule's law (arithmetic): 5 kW at 240 V is 3755.6 W at 208 V and 4592.0 W at 230 V
    found = power(f"power: 5 kW, heating: {{source: elements only}}, {EXACT}", volts,
                  RATED.replace("voltage: 230 V", "voltage: 240 V"))
    assert numbers(found)[1] == Decimal(watts)


def test_another_supply_without_a_reason_is_refused() -> None:
    with pytest.raises(FileMistakes, match="the rating is for 230 V, and the step supplies 240 V"):
        power(f"tolerance: {WIDE}", "240 V")

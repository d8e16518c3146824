"""Withstand rows against the published values, each as printed; and the current to expect of a sound unit."""

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.withstand_rows import WITHSTAND_ROWS
from eolseq.bands.working import Standing
from eolseq.errors import FileMistakes
from eolseq.quantity import parse
from tests.bands.worked import numbers, worked

SEEN, SECOND_HAND, FROM_MEMORY = Standing.SEEN, Standing.SECOND_HAND, Standing.FROM_MEMORY

PRINTED = [  # row, type, seconds, volts, and where that is published with how it was obtained
    ("wac-1320-1-60s", "ac", 60, 900, "WAC 296-150C-1320(1)", SEEN),
    ("wac-1320-1-1s", "ac", 1, 1080, "WAC 296-150C-1320(1)", SEEN),
    ("wac-1320-2-480v-60s", "ac", 60, 1275, "WAC 296-150C-1320(2)", SEEN),
    ("wac-1320-2-480v-1s", "ac", 1, 1500, "WAC 296-150C-1320(2)", SEEN),
    ("wac-1320-3-low-60s", "ac", 60, 500, "WAC 296-150C-1320(3)", SEEN),
    ("wac-1320-3-low-1s", "ac", 1, 600, "WAC 296-150C-1320(3)", SEEN),
    ("cfr-3280-810-60s", "ac", 60, 900, "24 CFR 3280.810(a)", SECOND_HAND),
    ("cfr-3280-810-1s", "ac", 1, 1080, "24 CFR 3280.810(a)", SECOND_HAND),
    ("ul-458-60s", "ac", 60, 1000, "UL 458 Table 53.1", SEEN),
    ("ul-458-1s", "ac", 1, 1200, "UL 458 Table 53.1", SEEN),
    ("ul-817-ac-60s", "ac", 60, 1250, "UL 817 104.1", SECOND_HAND),
    ("ul-817-ac-1s", "ac", 1, 1500, "UL 817 104.1", SECOND_HAND),
    ("ul-817-dc-60s", "dc", 60, 1770, "UL 817 104.1", SECOND_HAND),
    ("ul-817-dc-1s", "dc", 1, 2100, "UL 817 104.1", SECOND_HAND),
    ("ul-705-small-ac-60s", "ac", 60, 1000, "UL 705 26.1", SECOND_HAND),
    ("ul-705-small-dc-60s", "dc", 60, 1400, "UL 705 26.1", SECOND_HAND),
    ("ul-778-small-60s", "ac", 60, 1000, "UL 778 35.1.1", SECOND_HAND),
    ("as-nzs-3112-low-60s", "ac", 60, 500, "AS/NZS 3112 Table 3.3", SECOND_HAND),
    ("as-nzs-3112-to-250-60s", "ac", 60, 1000, "AS/NZS 3112 Table 3.3", SECOND_HAND),
    ("iec-60335-1-basic-to-150-1s", "ac", 1, 800, "IEC 60335-1 Annex A.2", FROM_MEMORY),
    ("iec-60335-1-basic-above-150-1s", "ac", 1, 1000, "IEC 60335-1 Annex A.2", FROM_MEMORY),
    ("ul-60335-2-40-to-250-60s", "ac", 60, 1000, "UL 60335-2-40", FROM_MEMORY),
    ("ul-60335-2-40-to-250-1s", "ac", 1, 1200, "UL 60335-2-40", FROM_MEMORY),
    ("iec-60204-1-to-500-1s", "ac", 1, 1000, "IEC 60204-1 18.4", FROM_MEMORY),
]


@pytest.mark.parametrize(("name", "type_", "seconds", "volts", "source", "standing"), PRINTED)
def test_a_row_is_as_it_is_printed(name: str, type_: str, seconds: int, volts: int, source: str,
                                   standing: Standing) -> None:
    row = WITHSTAND_ROWS[name]
    assert (row.type, row.seconds, row.voltage(Decimal(240)), row.per_volt) == (type_, seconds, volts, 0)
    assert source in row.source.text and row.source.standing is standing


RATED = [115, 120, 208, 230, 240, 277, 460, 480]
FORMULAS = [  # arithmetic of 1000+2U, 120 % of it, 1400+2.8U (UL 705 26.1 second-hand; UL 60335-2-40 from memory)
    ("ul-705-large-ac-60s", "1230 1240 1416 1460 1480 1554 1920 1960"),
    ("ul-778-large-60s", "1230 1240 1416 1460 1480 1554 1920 1960"),
    ("ul-60335-2-40-above-250-1s", "1476 1488 1699.2 1752 1776 1864.8 2304 2352"),
    ("ul-705-large-dc-60s", "1722 1736 1982.4 2044 2072 2175.6 2688 2744"),
    ("nema-mg-1-60s", "1230 1240 1416 1460 1480 1554 1920 1960"),
]


@pytest.mark.parametrize(("name", "volts"), FORMULAS)
def test_rows_that_go_by_a_formula(name: str, volts: str) -> None:
    assert [WITHSTAND_ROWS[name].voltage(Decimal(rated)) for rated in RATED] == [Decimal(each) for each in volts.split()]


@pytest.mark.parametrize(("rated", "volts"), [(415, 1830), (650, 2000), (500, 2000)])
def test_a_cap_is_kept(rated: int, volts: int) -> None:
    # AS/NZS 3112 Table 3.3, second-hand: 1000+2V capped at 2000; its example is 415 V, 1830 V
    assert WITHSTAND_ROWS["as-nzs-3112-to-650-60s"].voltage(Decimal(rated)) == volts


def test_published_pairs_that_no_rule_of_thumb_gives() -> None:
    assert Decimal("1.2") * 1275 != WITHSTAND_ROWS["wac-1320-2-480v-1s"].volts == 1500  # 1530 by "120 % for 1 s"
    assert round(Decimal(1500) * Decimal(2).sqrt()) != WITHSTAND_ROWS["ul-817-dc-1s"].volts == 2100  # 2121 by sqrt 2
    assert round(Decimal(1000) * Decimal(2).sqrt()) != WITHSTAND_ROWS["ul-705-small-dc-60s"].volts == 1400


ROW = "{{from: row, row: {}, over: 5 %, source: common practice}}"


@pytest.mark.parametrize(("row", "rated", "why"), [
    ("ul-458-1s", "{voltage: 240 V, frequency: 60 Hz}", "is for at most 230 V"),
    ("ul-705-small-ac-60s", "{voltage: 240 V, frequency: 60 Hz, motor: 0.75 hp}", "motors of at most 0.5 hp"),
    ("ul-705-small-ac-60s", "{voltage: 277 V, frequency: 60 Hz, motor: 0.25 hp}", "is for at most 250 V"),
    ("ul-705-small-ac-60s", "{voltage: 240 V, frequency: 60 Hz}", "the unit's is not given"),
    ("ul-705-large-ac-60s", "{voltage: 240 V, frequency: 60 Hz, motor: 0.5 hp}", "the unit has neither"),
    ("ul-60335-2-40-above-250-1s", "{voltage: 240 V, frequency: 60 Hz}", "is for more than 250 V"),
    ("ul-817-dc-1s", "{voltage: 240 V, frequency: 60 Hz}", "is for dc, and the test is ac"),
])
def test_a_row_whose_conditions_the_unit_does_not_meet_is_refused(row: str, rated: str, why: str) -> None:
    with pytest.raises(FileMistakes, match=why):
        worked("voltage", ROW.format(row), rated)


def test_both_conditions_of_a_row_must_hold() -> None:
    # UL 705 26.1, second-hand: a 240 V unit with a 3/4 hp blower goes to 1000+2V = 1480 V
    found = worked("voltage", ROW.format("ul-705-large-ac-60s"), "{voltage: 240 V, frequency: 60 Hz, motor: 0.75 hp}",
                   ("voltage: 1230 V", "voltage: 1500 V"))
    assert numbers(found) == (1480, 1554)
    assert "the row is of a type test, not of a production line" in found.working.notes


def test_an_upper_limit_of_the_row_is_kept() -> None:
    # 24 CFR 3280.810(a), second-hand: 1080 to 1250 V for 1 s; above it the test is wrong, not passed
    found = worked("voltage", "{from: row, row: cfr-3280-810-1s}")
    assert numbers(found) == (1080, 1250)
    with pytest.raises(FileMistakes, match="upper limit of its own"):
        worked("voltage", ROW.format("cfr-3280-810-1s"))
    with pytest.raises(FileMistakes, match="no upper limit here"):
        worked("voltage", "{from: row, row: ul-817-ac-1s}")


def test_voltage_and_time_are_of_one_row() -> None:
    other = ("voltage: {at_least: 1200 V}", "voltage: " + ROW.format("wac-1320-1-1s").replace("5 %", "20 %"))
    with pytest.raises(FileMistakes, match="the voltage that of wac-1320-1-1s"):
        worked("time", ROW.format("ul-60335-2-40-to-250-1s"), "", other)
    assert numbers(worked("time", ROW.format("wac-1320-1-1s"), "", other)) == (1, Decimal("1.05"))


def test_the_set_voltage_must_reach_the_row() -> None:
    with pytest.raises(FileMistakes, match="voltage 1230 V lies outside"):
        worked("voltage", ROW.format("ul-817-ac-1s"))


# -- the current ----------------------------------------------------------------------------------------------

CURRENT = ("{{from: capacitance, capacitance: {}, below: 10 %, above: 10 %, baseline: {}, recorded: 2026-01-01, "
           "source: invented{}}}")


@pytest.mark.parametrize(("capacitance", "volts", "hertz", "milliamps"), [
    # I = 2 pi f C V, arithmetic
    ("10 nF", 1000, 60, "3.7699"), ("10 nF", 1000, 50, "3.1416"), ("20 nF", 1480, 60, "11.159"), ("5 nF", 1200, 60, "2.2619"),
    ("4.7 nF", 250, 50, "0.36914")])
def test_capacitive_current(capacitance: str, volts: int, hertz: int, milliamps: str) -> None:
    found = worked("Withstand", CURRENT.format(capacitance, "1 uA", ""), "", ("voltage: 1230 V", f"voltage: {volts} V"),
                   ("{at_least: 1200 V}", f"{{at_least: {volts} V}}"), ("frequency: 60 Hz\n    voltage", f"frequency: {hertz} Hz\n    voltage"),
                   ("trip: 5 mA", "trip: 20 mA"))
    low, high = numbers(found)
    assert low is not None and high is not None
    assert float(low) == pytest.approx(0.9 * float(milliamps) / 1000, rel=1.1e-3)
    assert float(high) == pytest.approx(1.1 * float(milliamps) / 1000, rel=1.1e-3)
    digits = milliamps.replace(".", "").lstrip("0")
    assert digits in found.working.formula[0].replace(".", "")  # to five digits, in whichever unit


def test_the_total_is_the_root_of_the_squares() -> None:
    found = worked("Withstand", CURRENT.format("4 nF", "24 uA", ", resistance: 1 Mohm"))
    exact = math.hypot(2 * math.pi * 60 * 4e-9 * 1230, 1230 / 1e6)
    low, _ = numbers(found)
    assert low is not None and float(low) == pytest.approx(0.9 * exact, rel=1e-3)


DC = (("type: ac", "type: dc"), ("    frequency: 60 Hz\n    voltage", "    voltage"))


def test_dc_has_no_steady_capacitive_current() -> None:
    with pytest.raises(FileMistakes, match="does not flow through a capacitance"):
        worked("Withstand", CURRENT.format("4 nF", "1 uA", ""), "", *DC)
    found = worked("Withstand", CURRENT.format("4 nF", "1 uA", ", resistance: 10 Mohm"), "", *DC)
    assert numbers(found) == (Decimal("0.0001107"), Decimal("0.0001353"))  # 1230 V / 10 Mohm = 123 uA
    assert any("charging: 4 nF x 1230 V / 0.3 s = 16.4 uA" in line for line in found.working.formula)


def test_a_rise_whose_charging_would_trip_is_refused() -> None:
    with pytest.raises(FileMistakes, match=r"charging 4 uF .* a rise of more than 0.984 s"):
        worked("Withstand", CURRENT.format("4 uF", "1 uA", ", resistance: 10 Mohm"), "", *DC)


@pytest.mark.parametrize(("band", "why"), [
    (CURRENT.format("4 nF", "1.7 mA", ""), "not above the empty fixture's 1.7 mA"),
    (CURRENT.format("10 nF", "24 uA", ""), "not below the trip of 5 mA"),
])
def test_a_floor_in_the_empty_fixture_and_a_limit_at_the_trip_are_refused(band: str, why: str) -> None:
    with pytest.raises(FileMistakes, match=why):
        worked("Withstand", band)


@settings(max_examples=50)
@given(st.integers(100, 8000), st.integers(1, 90))
def test_a_floor_is_always_above_the_baseline(picofarads: int, below: int) -> None:
    band = CURRENT.format(f"{picofarads} pF", "100 uA", "").replace("below: 10 %", f"below: {below} %")
    try:
        low, high = numbers(worked("Withstand", band))
    except FileMistakes as error:
        assert "empty fixture" in str(error) or "trip" in str(error)
    else:
        assert low is not None and high is not None
        assert parse("100 uA").base < low < high < parse("5 mA").base

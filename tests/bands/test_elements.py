"""Heater bands from the rating, against published tolerances and plain circuit arithmetic."""

from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import FileMistakes
from eolseq.sequence.load import load_sequence
from tests.bands.worked import numbers, worked

HEATING = "tolerance: {row: iec-60335-1-heating}"
STATED = "tolerance: {above: 5 %, below: 10 %, source: invented}"
NO_WARMING = "factor: 1, source: invented"


def elements(*powers: str, more: str = NO_WARMING) -> str:
    listed = ", ".join(f"{{part: P{index}, power: {power}, {more}}}" for index, power in enumerate(powers))
    return f"elements: [{listed}]"


def ohms(band: str, rated: str = "") -> tuple[Decimal, Decimal]:
    low, high = numbers(worked("Stage 1", f"{{from: rating, {band}}}", rated))
    assert low is not None and high is not None
    return low, high


def test_the_dh_6_stands_where_it_stood() -> None:
    # 3 kW at 240 V, 19.2 ohm hot; NiCr 80/20 at 400 degC (an alloy maker's table, second-hand);
    # +5/-10 % of power (IEC 60335-1 10.1 Table 1, from memory)
    step = load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps[1]
    assert str(dict(step.bands())["resistance"]) == "17.84 ohm to 20.81 ohm"


def test_five_kilowatts_hot() -> None:
    # IEC 60335-1 10.1 Table 1, from memory: 5 kW at 240 V lies between 10.971 and 12.800 ohm hot; 5250 W at most
    # (the last also by UL 1026 31.1, second-hand)
    low, high = ohms(f"{HEATING}, {elements('5 kW')}")
    assert (low, high) == (Decimal("10.98"), Decimal("12.8"))  # 10.971 is rounded inwards, to four digits
    assert 240 ** 2 / low <= 5250 < 240 ** 2 / Decimal("10.97")


def test_more_power_is_less_resistance_and_not_by_as_much() -> None:
    # +5/-10 % of power is -4.8/+11.1 % of resistance (arithmetic)
    low, high = ohms(f"{STATED}, {elements('5.76 kW')}")  # 10 ohm
    assert (low, high) == (Decimal("9.524"), Decimal("11.11"))


@pytest.mark.parametrize(("rated", "above", "below"), [
    # IEC 60335-1 10.1 Table 1, heating, from memory: up to 200 W +/-10 %, then +5 % or 20 W, whichever is more, -10 %
    ("100 W", "0.10", "0.10"), ("200 W", "0.10", "0.10"), ("300 W", "0.0666667", "0.10"), ("400 W", "0.05", "0.10"),
    ("6 kW", "0.05", "0.10")])
def test_the_class_of_the_tolerance(rated: str, above: str, below: str) -> None:
    low, high = ohms(f"{HEATING}, {elements(rated)}", f"{{voltage: 240 V, power: {rated}}}")
    watts = Decimal(rated.split()[0]) * (1000 if "kW" in rated else 1)
    hot = Decimal(240) ** 2 / watts
    assert abs(low - hot / (1 + Decimal(above))) < Decimal("0.001") * low
    assert abs(high - hot / (1 - Decimal(below))) < Decimal("0.001") * high


def test_a_stage_has_the_class_of_the_whole_unit() -> None:
    whole = ohms(f"{HEATING}, {elements('150 W')}", "{voltage: 240 V, power: 6 kW}")
    alone = ohms(f"{HEATING}, {elements('150 W')}", "{voltage: 240 V, power: 150 W}")
    assert whole[0] > alone[0] and whole[1] == alone[1]


def test_a_row_without_a_lower_tolerance_needs_one() -> None:
    # UL 1026 31.1 and 31.2, second-hand: at most 105 % of the marking, and no lower limit in this clause
    with pytest.raises(FileMistakes, match="says nothing of how much less"):
        ohms(f"tolerance: {{row: ul-1026-heating}}, {elements('5 kW')}")
    low, high = ohms(f"tolerance: {{row: ul-1026-heating, below: 10 %, source: common practice}}, {elements('5 kW')}")
    assert (low, high) == (Decimal("10.98"), Decimal("12.8"))


@pytest.mark.parametrize(("connection", "ohms_of_30_w_a_phase"), [
    # three elements of 10 W each at 100 V between lines. Star: 57.74 V on each, 333.3 ohm, two in a row 666.7 ohm.
    # Delta: 100 V on each, 1000 ohm, one beside two in a row 666.7 ohm (circuit arithmetic)
    ("connection: star", "666.6667"), ("connection: star, between: star_point", "333.3333"),
    ("connection: delta", "666.6667"), ("connection: delta, between: element", "1000"),
    ("connection: single", "1000")])
def test_connections(connection: str, ohms_of_30_w_a_phase: str) -> None:
    low, high = ohms(f"tolerance: {{above: 0 %, below: 0.1 %, source: invented}}, {connection}, voltage: 100 V, "
                     f"{elements('10 W')}")
    expected = Decimal(ohms_of_30_w_a_phase)
    assert expected * Decimal("0.9999") <= low <= expected * Decimal("1.0006")
    assert expected * Decimal("1.0004") <= high <= expected * Decimal("1.0011")


def test_what_lies_beside_is_worked_out_and_shown() -> None:
    beside = ("beside: [{name: fan winding, resistance: 100 ohm, above: 10 %, below: 10 %, winding: copper 234.5, "
              "at: 25 degC, source: invented}]")
    found = worked("Stage 1", f"{{from: rating, {STATED}, {elements('5.76 kW')}, {beside}}}")
    winding = Fraction(100) * (Fraction("234.5") + 20) / (Fraction("234.5") + 25)  # copper, to 20 degC
    exact = [1 / (1 / element + 1 / path) for element, path in (
        (Fraction(10) / Fraction("1.05"), winding * Fraction("0.9")), (Fraction(10) / Fraction("0.9"), winding * Fraction("1.1")))]
    low, high = numbers(found)
    assert low is not None and high is not None
    assert 0 <= Fraction(low) - exact[0] < Fraction("0.001") and 0 <= exact[1] - Fraction(high) < Fraction("0.01")
    assert any("fan winding" in line and "234.5" in line for line in found.working.formula)
    assert "a UL standard" in found.working.source


def test_a_path_across_one_element_of_a_star() -> None:
    beside = "beside: [{name: fan, resistance: 1000 ohm, above: 0 %, below: 0 %, source: invented, across: element}]"
    low, _ = ohms(f"tolerance: {{above: 0 %, below: 1 %, source: invented}}, connection: star, voltage: 100 V, "
                  f"{elements('10 W')}, {beside}")
    assert low == Decimal("583.4")  # 333.3 beside 1000 is 250, and 333.3 in a row: 583.33, rounded inwards


def test_elements_in_parallel_each_with_its_own_factor() -> None:
    listed = ("elements: [{part: A, power: 1 kW, number: 2, alloy: NiCr 80/20, works_at: 400 degC}, "
              "{part: B, power: 1 kW, factor: 1.1, source: invented}]")
    low, _ = ohms(f"tolerance: {{above: 0 %, below: 1 %, source: invented}}, voltage: 100 V, {listed}")
    assert low == Decimal("3.175")  # 10000 / (2000 x 1.025 + 1000 x 1.1) = 3.1746


@settings(max_examples=60)
@given(st.integers(100, 20_000), st.integers(1, 30), st.integers(1, 30))
def test_a_sound_element_is_inside_and_the_band_never_wider_than_its_formula(watts: int, above: int, below: int) -> None:
    low, high = ohms(f"tolerance: {{above: {above} %, below: {below} %, source: invented}}, {elements(f'{watts} W')}")
    hot = Fraction(240 ** 2, watts)
    assert hot / (1 + Fraction(above, 100)) <= Fraction(low) < hot < Fraction(high) <= hot / (1 - Fraction(below, 100))


def test_a_rating_that_differs_from_the_units_is_noted() -> None:
    found = worked("Stage 1", f"{{from: rating, voltage: 230 V, {STATED}, {elements('3 kW')}}}")
    assert found.working.notes == ("rated voltage 230 V here, and 240 V in the unit",)


def test_a_file_may_hold_its_own_result() -> None:
    band = f"{HEATING}, {elements('5 kW')}, gives: "
    assert str(worked("Stage 1", f"{{from: rating, {band}10.98 ohm to 12.8 ohm}}").band) == "10.98 ohm to 12.8 ohm"
    for other in ("10.97 ohm to 12.8 ohm", "10.98 ohm to 12.80 ohm", "at least 10.98 ohm"):
        with pytest.raises(FileMistakes, match=r"the band works out to 10\.98 ohm to 12\.8 ohm"):
            worked("Stage 1", f"{{from: rating, {band}{other}}}")

"""The unit's physics against laws and published tables; each check names its source and how far that was seen.

S: seen in the document; S2: second-hand; M: from memory; C: arithmetic done again independently.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.simulation.network import Fixture, Withstand, bond_loop, decay_times, supply_current, withstand_load
from eolseq.simulation.unit import ALLOYS, Unit, temperature_factor
from tests.simulation.physics.talk import SERIAL, SIMULATOR

LEADS = Fixture({}, discharge=1e3, return_lead=0.01, sense_lead=0.05, pallet=1e9, stray=1e-15)


def unit() -> Unit:
    return SIMULATOR.unit(SERIAL)


# Cr20Ni80, Cr15Ni60, Cr30Ni70 and FeCrAl 0Cr25Al5: an alloy maker's table of C_t (S2). A second copy, typed by row.
C_T = {
    "NiCr 80/20": {20: 1.000, 100: 1.006, 200: 1.012, 300: 1.018, 400: 1.025, 500: 1.026, 600: 1.018, 700: 1.010,
                   800: 1.008, 900: 1.010, 1000: 1.014, 1100: 1.021, 1200: 1.025},
    "NiCr 60/15": {20: 1.000, 300: 1.038, 500: 1.064, 800: 1.078, 1100: 1.109},
    "NiCr 70/30": {20: 1.000, 400: 1.038, 500: 1.044, 800: 1.028, 1200: 1.043},
    "FeCrAl 25/5": {20: 1.000, 400: 1.013, 700: 1.038, 1000: 1.044, 1200: 1.047},
}


@pytest.mark.parametrize(("alloy", "celsius", "factor"),
                         [(alloy, at, factor) for alloy, rows in C_T.items() for at, factor in rows.items()])
def test_temperature_factor_at_the_rows(alloy: str, celsius: int, factor: float) -> None:
    assert temperature_factor(alloy, celsius) == pytest.approx(factor, abs=1e-9)


def test_temperature_factor_between_rows_and_not_by_a_linear_coefficient() -> None:
    assert temperature_factor("NiCr 80/20", 350) == pytest.approx(1.0215, abs=1e-9)  # interpolation of S2 rows (C)
    assert temperature_factor("NiCr 80/20", 800) < 1.01 < 1 + 0.00013 * 780  # the linear alpha's trap (S2)


@given(st.sampled_from(sorted(ALLOYS)), st.floats(0, 1300))
def test_temperature_factor_stays_within_its_table(alloy: str, celsius: float) -> None:
    low, high = min(ALLOYS[alloy]), max(ALLOYS[alloy])
    assert low - 5e-3 <= temperature_factor(alloy, celsius) <= high + 1e-9


def test_a_stage_at_work_draws_its_rated_power() -> None:
    """19.20 ohm hot is 3 kW at 240 V (Joule, C); cold it is 19.20 / 1.025 (C_t at 400 degC, S2)."""
    stage = unit().stages["stage-1"]
    assert stage.resistance == pytest.approx(19.20 / 1.025, abs=0.005)
    stage.contact = stage.lead = 0.0
    for _ in range(200):
        stage.advance(1.0, 240.0, 22.0)
    assert stage.temperature == pytest.approx(400, abs=1)
    assert 240.0 ** 2 / stage.ohms() == pytest.approx(3000, rel=2e-3)
    stage.advance(1000.0, 0.0, 22.0)
    assert stage.temperature == pytest.approx(22.0, abs=1e-6)


@given(st.floats(1, 1e4), st.floats(1, 1e4), st.floats(0, 30))
def test_heating_in_one_go_or_in_two_is_the_same_when_nothing_else_changes(first: float, second: float,
                                                                           warmth: float) -> None:
    one, two = unit().stages["stage-1"], unit().stages["stage-1"]
    one.temperature = two.temperature = 22.0 + warmth
    one.advance(first + second, 0.0, 22.0)
    two.advance(first, 0.0, 22.0)
    two.advance(second, 0.0, 22.0)
    assert one.temperature == pytest.approx(two.temperature, abs=1e-9)


def test_parallel_paths_between_line_and_neutral() -> None:
    """150 kohm beside 2.2 Mohm is 140.43 kohm; two stages halve one (Kirchhoff, C)."""
    heater = unit()
    assert 1 / heater.siemens_line_to_neutral([]) == pytest.approx(140_425.5, rel=1e-6)
    one, two = (1 / heater.siemens_line_to_neutral(each) for each in (["stage-1"], ["stage-1", "stage-2"]))
    assert one / two == pytest.approx(2, rel=1e-3)


@given(st.floats(100, 2000), st.floats(45, 65), st.floats(1e-10, 1e-7), st.floats(1e4, 1e10))
def test_withstand_current_is_the_vector_sum_of_resistive_and_capacitive(volts: float, hertz: float, farads: float,
                                                                         ohms: float) -> None:
    total, in_phase = Withstand(1 / ohms, farads, 0.0, math.inf, 1.0).current(volts, hertz)
    impedance = 1 / complex(1 / ohms, math.tau * hertz * farads)
    assert total == pytest.approx(abs(volts / impedance), rel=1e-9)
    assert in_phase == pytest.approx((volts / impedance).real, rel=1e-9)


def test_withstand_current_of_a_known_capacitance() -> None:
    """2 pi f C V: 4.0 nF at 1200 V 60 Hz is 1.8096 mA (C)."""
    load = withstand_load(unit(), replace(LEADS, stray=0.05e-9), {"stage-1", "stage-2"}, False, True)
    assert load.farads == pytest.approx(4.0e-9, rel=1e-6)
    assert load.current(1200.0, 60.0)[0] == pytest.approx(1.8096e-3, rel=2e-4)


def test_direct_voltage_charges_on_the_way_up_only() -> None:
    """I = C dV/dt: 4 nF at 4 kV/s is 16 uA; then only V/R remains (C)."""
    load = Withstand(1 / 200e6, 4e-9, 0.0, math.inf, 1.0)
    assert load.current(0.0, 0.0, 4000.0)[0] == pytest.approx(16e-6)
    assert load.current(1200.0, 0.0)[0] == pytest.approx(6e-6)


# t = R C ln(V0/Vs), arithmetic reproduced independently (C)
DISCHARGES = [(1e6, 0.1e-6, 325, 34, 0.2257), (1e6, 50e-9, 2100, 60, 0.1778), (1e6, 10e-9, 1768, 60, 33.83e-3)]


@pytest.mark.parametrize(("ohms", "farads", "start", "end", "seconds"), DISCHARGES)
def test_discharge_through_the_bleeder(ohms: float, farads: float, start: float, end: float, seconds: float) -> None:
    heater = unit()
    heater.across = replace(heater.across, capacitor=farads, bleeder=ohms, board=1e18)
    between, _ = decay_times(heater, LEADS, set(), 0.0, 0.0)
    assert between * math.log(start / end) == pytest.approx(seconds, rel=5e-4)


def test_a_run_capacitor_that_may_take_a_minute() -> None:
    """60 uF from 523.3 V crest to 50 V in 60 s needs at most 425.9 kohm (C; the minute: NEC 460.6(A), S2)."""
    heater = unit()
    heater.across = replace(heater.across, capacitor=60e-6, bleeder=425.9e3, board=1e18)
    assert decay_times(heater, LEADS, set(), 0.0, 0.0)[0] * math.log(523.3 / 50) == pytest.approx(60, rel=1e-3)


def test_bonds_are_in_series_with_the_screw_and_beside_the_pallet() -> None:
    heater = unit()
    for point in heater.earth:
        assert bond_loop(heater, LEADS, [point]) == pytest.approx(heater.earth_screw + heater.earth[point])
        assert 0.020 <= heater.bond_ohms(point) <= 0.040
    on_pallet = bond_loop(heater, replace(LEADS, pallet=1.2e-3), ["front-panel"])
    assert on_pallet == pytest.approx(1 / (1 / 0.025 + 1 / 0.0012))
    assert bond_loop(heater, replace(LEADS, return_lead=1e9), ["front-panel"]) == math.inf
    assert bond_loop(heater, LEADS, []) == math.inf


@pytest.mark.parametrize("insulation", [1e8, 2e8, 5e9, 1e12])
def test_the_meter_at_the_terminals_draws_a_charge_to_earth_away_however_good_the_insulation_is(
        insulation: float) -> None:
    heater = unit()
    heater.insulation = replace(heater.insulation, resistance=insulation)
    _, to_earth = decay_times(heater, LEADS, set(), 0.0, 0.0)
    assert 339.0 * math.exp(-1.0 / to_earth) < 60.0  # a sound unit of 240 V is below 60 V a second after OFF


def test_motor_starts_high_decays_and_settles() -> None:
    """9 A falling to 2.40 A with a time constant of 0.25 s: the unit's own numbers, invented."""
    heater = unit()
    motor = heater.motor
    assert motor is not None
    course = []
    for _ in range(41):
        course.append(abs(supply_current(heater, set(), True, 0.0, 240.0, 60.0)))
        motor.advance(0.1, True)
    assert course[0] == pytest.approx(9.0, abs=0.05)
    assert course[-1] == pytest.approx(2.40, abs=0.005)
    assert all(earlier > later for earlier, later in itertools.pairwise(course))
    assert motor.speed == pytest.approx(1.0, abs=1e-6)
    motor.advance(0.4, False)
    assert motor.speed == pytest.approx(0.5, abs=1e-6)
    motor.advance(0.5, False)
    assert motor.speed == 0.0


@given(st.floats(0, 3), st.floats(0, 3), st.floats(0, 2))
def test_the_motor_moves_the_same_in_one_go_or_in_two(first: float, second: float, still: float) -> None:
    one, two = (replace(unit().motor, stands_still=still) for _ in range(2))  # type: ignore[type-var]
    one.advance(first + second, True)
    two.advance(first, True)
    two.advance(second, True)
    assert one.speed == pytest.approx(two.speed, abs=1e-9)


@settings(max_examples=50)
@given(st.floats(100, 280))
def test_currents_follow_the_voltage(volts: float) -> None:
    heater = unit()
    assert heater.motor is not None
    heater.motor.speed = 1.0
    at_rated = abs(supply_current(heater, {"stage-1"}, True, 0.0, 240.0, 60.0))
    assert abs(supply_current(heater, {"stage-1"}, True, 0.0, volts, 60.0)) == pytest.approx(at_rated * volts / 240)


def test_ohms_law_at_the_supply() -> None:
    """V^2 law: 18.73 ohm and its leads at 240 V beside 140 kohm; the capacitor adds 2 pi f C V at right angles (C)."""
    heater = unit()
    current = supply_current(heater, {"stage-1"}, False, 0.0, 240.0, 60.0)
    assert current.real == pytest.approx(240 / heater.stages["stage-1"].ohms() + 240 / 140_425.5, rel=1e-6)
    assert current.imag == pytest.approx(math.tau * 60 * 6e-6 * 240, rel=1e-9)

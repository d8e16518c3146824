"""What the simulated supply gives a unit under power, and what heat, load and interlock do to it; by arithmetic."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.simulation.unit import DROPS_IN, JOINS_AGAIN, Stage, temperature_factor
from tests.simulation.physics.talk import SIMULATOR, Talk

SERIAL = "DH3-00000001"
FAN, STAGE, ROUTE = 104, 101, 121


def powered(*channels: int, defect: str | None = None, twin: bool = False, volts: float = 230.0) -> Talk:
    """A DH-3, an invented unit, with the supply on and parts of it closed."""
    talk = Talk(defect, twin=twin, serial=SERIAL).ready(1000)
    talk.close(ROUTE, *channels)
    talk.ask("power", f"SOUR:VOLT {volts};FREQ 50;:SOUR:CURR:PROT 30")
    talk.ask("power", f"SOUR:VOLT:MODE LIST;:SOUR:LIST:VOLT {volts};DWEL 200")
    talk.ask("input", "CONF:POW:AC 5000")
    talk.start("power")
    return talk


def look(talk: Talk) -> list[float]:
    """Volts, amps and watts of one acquisition."""
    return talk.numbers("input", "INIT;:FETC:VOLT?;CURR?;POW?")


def test_a_heater_takes_the_square_of_the_volts_over_its_hot_resistance() -> None:
    talk = powered(STAGE, FAN)
    talk.wait(60.0)
    volts, amps, watts = look(talk)
    stage = talk.bay.unit.stages["stage-1"]
    assert stage.temperature == pytest.approx(400, abs=12)
    hot = stage.resistance * temperature_factor("NiCr 80/20", stage.temperature) + stage.lead + stage.contact
    motor = talk.bay.unit.motor
    assert motor is not None
    wanted = volts ** 2 / hot + (motor.running(volts, 50.0) * volts).real
    assert watts == pytest.approx(wanted, rel=0.008)
    assert watts <= volts * amps * 1.006
    assert talk.errors() == []


def test_without_anything_closed_only_the_filter_capacitor_draws() -> None:
    talk = powered()
    volts, amps, watts = look(talk)
    assert amps == pytest.approx(2 * math.pi * 50 * 6e-6 * volts, rel=0.01)
    assert watts == pytest.approx(volts ** 2 * (1 / 150e3 + 1 / 2.2e6), abs=0.3)


def test_the_fan_interlock_keeps_the_element_off_until_the_fan_is_fed() -> None:
    assert look(powered(STAGE))[2] < 1.0
    assert look(powered(STAGE, FAN))[2] > 3000.0
    assert look(powered(STAGE, defect="welded-interlock"))[2] > 3000.0
    assert look(powered(STAGE, FAN, defect="wrong-interlock-relay"))[2] < 1000.0


def test_a_weak_contactor_lets_go_a_tenth_of_a_second_later_and_closes_again_without_supply() -> None:
    talk = powered(STAGE, FAN, defect="weak-contactor")
    talk.wait(0.05)
    assert look(talk)[2] > 3000.0
    talk.wait(DROPS_IN)
    assert look(talk)[2] < 1000.0
    talk.ask("power", "OUTP OFF")
    talk.open_all()
    assert talk.heater(1) == pytest.approx(17.2, abs=0.2), "a meter's current does not move it"


def test_a_cracked_weld_parts_when_it_is_warm_and_touches_again_when_it_has_cooled() -> None:
    talk = powered(STAGE, FAN, defect="weld-parts-hot")
    talk.wait(2.0)
    assert look(talk)[2] > 3000.0
    talk.wait(5.0)
    assert look(talk)[2] < 1000.0
    assert talk.bay.unit.stages["stage-1"].temperature < 121.0
    talk.ask("power", "OUTP OFF")
    talk.wait(20.0)
    talk.open_all()
    assert talk.heater(1) == pytest.approx(17.2, abs=0.2), "cold it reads right"


def weld(opens_at: float) -> Stage:
    return Stage("NiCr 80/20", 17.19, 0.0, 400.0, 3000.0, 15.0, 0.008, 0.004, True, 0.05, 0.03, 0.85e-9, opens_at=opens_at,
                 temperature=22.0)


@given(st.lists(st.floats(0.001, 3.0), min_size=1, max_size=40), st.floats(80, 350))
@settings(max_examples=80, deadline=None)
def test_a_weld_stays_about_its_temperature_however_time_is_cut(cuts: list[float], opens_at: float) -> None:
    stage = weld(opens_at)
    for seconds in cuts:
        stage.advance(seconds, 230.0, 22.0)
        assert stage.temperature <= opens_at + 1e-6
        if stage.parted:
            assert stage.temperature >= opens_at - JOINS_AGAIN - 1e-6
    if sum(cuts) < 1.0:
        assert not stage.parted, "it takes seconds to get there"


def test_when_a_weld_parts_does_not_hang_on_how_often_anybody_looks() -> None:
    fine, coarse = weld(200.0), weld(200.0)
    for _ in range(900):
        fine.advance(0.01, 230.0, 22.0)
    coarse.advance(9.0, 230.0, 22.0)
    assert fine.temperature == pytest.approx(coarse.temperature, abs=3.0)
    assert fine.parted == coarse.parted


def test_a_power_meter_that_has_acquired_nothing_says_so() -> None:
    talk = Talk(serial=SERIAL)
    assert talk.ask("input", "FETC:POW?") == ""
    assert talk.ask("input", "SYST:ERR?").startswith("-230")
    talk.ask("input", "CONF:POW:AC 30000")
    assert talk.ask("input", "SYST:ERR?").startswith("-222")


def test_above_its_range_it_reads_infinity() -> None:
    talk = powered(STAGE, FAN)
    talk.bay.by_name["input"].range = 1000.0  # type: ignore[attr-defined]
    assert look(talk)[2] == pytest.approx(9.9e37)


def test_a_dh_6_has_none_of_it() -> None:
    unit = SIMULATOR.unit("DH6-00000001")
    assert unit.interlock is None
    assert all(stage.opens_at is None and stage.holds is None for stage in unit.stages.values())

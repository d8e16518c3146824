"""Whole runs in virtual time: each defect fails at the step that should find it, its twin passes, station faults too.

The expected steps stand here and nowhere in the simulator file, which knows physics only.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.rig import SIMULATOR, Rig

EARTH, STAGE_1, STAGE_2 = "Earth path to every metal part", "Stage 1 cold", "Stage 2 cold"
SHORT, WITHSTAND, MOTOR = "Line to neutral, all stages open", "Withstand, line and neutral to earth", "Fan motor current"

# defect -> the step that must find it, and words of what it then says
FOUND_BY = {
    "no-earth-screw": (EARTH, "no earth path"),
    "poor-bond": (EARTH, "above 100 mohm"),
    "one-panel-unbonded": (EARTH, "no earth path"),
    "contactor-open": (STAGE_1, "limit open, stage not closed, or element open"),
    "open-element": (STAGE_1, "limit open, stage not closed, or element open"),
    "wrong-element": (STAGE_2, "above 20.81 ohm"),
    "open-stage": (STAGE_2, "limit open, stage not closed, or element open"),
    "shorted-turns": (STAGE_2, "below 17.84 ohm"),
    "pinched-wire": (WITHSTAND, "tripped while rising at 9"),
    "damp-insulation": (WITHSTAND, "above 2.782 mA"),
    "neutral-not-tied": (WITHSTAND, "below 1.206 mA"),
    "locked-rotor": (MOTOR, "above 2.64 A"),
    "wrong-capacitor": (MOTOR, "above 2.64 A"),
    "wrong-motor-tap": (MOTOR, "below 2.16 A"),
    "blocked-outlet": (MOTOR, "below 2.16 A"),
    "open-bleeder": (MOTOR, "above 60 V"),
}

# fault of the station -> (instrument or none, outcome, step where it shows, words)
STATION_FAULTS = {
    "test-lead-off": (None, "fail", EARTH, "a lead is off"),
    "dead-sense-lead": (None, "fail", EARTH, "below 2 mohm"),
    "earthed-pallet": (None, "fail", EARTH, "below 2 mohm"),
    "overloaded": ("withstand", "fault", WITHSTAND, "below 1200 V"),
    "drifted": ("power", "fault", MOTOR, "above 244.8 V"),
}


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with Rig(tmp_path_factory.mktemp("station")) as opened:
        yield opened


def outcome_of(rig: Rig) -> tuple[str, list[str], str]:
    """The run's outcome, its steps that are neither passed nor unreached in order, and its sentence."""
    result = rig.run()
    shown = [step.name for step, verdict, *_ in result.steps if verdict.outcome.value not in ("pass", "not reached")]
    assert not any(rig.world.output_on(each) for each in ("withstand", "continuity", "power"))
    assert rig.world.voltage_at_unit() < 25.0
    return result.outcome.value, shown, result.sentence


def test_the_table_names_every_defect() -> None:
    assert set(FOUND_BY) == set(SIMULATOR.defects)
    assert len(FOUND_BY) == 16


@pytest.mark.parametrize("defect", FOUND_BY)
def test_a_defect_fails_at_its_step(rig: Rig, defect: str) -> None:
    step, words = FOUND_BY[defect]
    rig.world.load(rig.serial, defect)
    outcome, shown, sentence = outcome_of(rig)
    assert outcome == "fail"
    assert shown[0] == step
    assert words in sentence


@pytest.mark.parametrize("defect", FOUND_BY)
def test_a_sound_twin_just_inside_passes(rig: Rig, defect: str) -> None:
    rig.world.load(rig.serial, defect, twin=True)
    assert outcome_of(rig)[0] == "pass"


@pytest.mark.parametrize("fault", STATION_FAULTS)
def test_a_fault_of_the_station_never_passes(rig: Rig, fault: str) -> None:
    instrument, outcome, step, words = STATION_FAULTS[fault]
    rig.world.load(rig.serial)
    rig.world.set_fault(fault, instrument)
    try:
        found, shown, sentence = outcome_of(rig)
    finally:
        rig.world.clear_faults()
    assert (found, shown[0]) == (outcome, step)
    assert words in sentence

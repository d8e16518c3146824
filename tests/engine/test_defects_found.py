"""Whole runs in virtual time: each defect fails at the step that should find it, its twin passes, station faults too.

The expected steps stand here and nowhere in the simulator file, which knows physics only.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from eolseq.sequence.load import load_sequence
from tests.rig import ROOT, SIMULATOR, Rig

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
    assert set(FOUND_BY) == set(SIMULATOR.defects_of("DH6-00000001"))
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


# -- the other models -------------------------------------------------------------------------------------------

NO_HEAT = "No heat without the fan"
INPUT, INPUT_OF_EACH = "Input with the fan running", "Input of each stage with the fan running"

# what is found in every model alike: defect -> the step that must find it, and words of what it then says
IN_EVERY_MODEL = {
    "no-earth-screw": (EARTH, "no earth path"),
    "poor-bond": (EARTH, "above 100 mohm"),
    "one-panel-unbonded": (EARTH, "no earth path"),
    "pinched-wire": (WITHSTAND, "tripped while rising at "),
    "damp-insulation": (WITHSTAND, "above "),
    "neutral-not-tied": (WITHSTAND, "below "),
    "locked-rotor": (MOTOR, "above "),
    "wrong-capacitor": (MOTOR, "above "),
    "wrong-motor-tap": (MOTOR, "below "),
    "blocked-outlet": (MOTOR, "below "),
    "welded-interlock": (NO_HEAT, "above 20."),
}
OPEN_READING = "limit open, stage not closed, or element open"
MODELS = {
    "DH-3": ("3kw", "DH3-00000001", {
        **IN_EVERY_MODEL,
        "contactor-open": ("Element cold", OPEN_READING),
        "open-element": ("Element cold", OPEN_READING),
        "wrong-element": ("Element cold", "above 19.11 ohm"),
        "open-stage": ("Element cold", OPEN_READING),
        "shorted-turns": ("Element cold", "below 16.39 ohm"),
        "open-bleeder": ("Line to neutral, stage open", "nothing between line and neutral"),
        "weld-parts-hot": (INPUT, "below 2880 W"),
        "weak-contactor": (INPUT, "below 2880 W"),
        "wrong-interlock-relay": (INPUT, "below 2880 W"),
    }),
    "DH-9": ("9kw", "DH9-00000001", {
        **IN_EVERY_MODEL,
        "contactor-open": (STAGE_1, OPEN_READING),
        "open-element": (STAGE_1, OPEN_READING),
        "wrong-element": (STAGE_2, "above 20.81 ohm"),
        "open-stage": (STAGE_2, OPEN_READING),
        "shorted-turns": (STAGE_2, "below 17.84 ohm"),
        "open-bleeder": (SHORT, "nothing between line and neutral"),
        "weld-parts-hot": (INPUT_OF_EACH, "below 3672 W. Stage-1: current is 4.6"),
        "weak-contactor": (INPUT_OF_EACH, "below 3672 W. Stage-1: current is 4.6"),
        "reversed-fan": (MOTOR, "Pressure across the fan is -2"),
        "wrong-interlock-relay": (INPUT_OF_EACH, "below 3672 W. Stage-1: current is 4.6"),
    }),
}
MODELS["DHC-6"] = ("coil-6kw", "DHC6-00000001", {**FOUND_BY, "leaking-coil": ("Nitrogen in the coil", "below 10.873 bar")})
ONLY_POWER_SHOWS = ("weld-parts-hot", "weak-contactor", "wrong-interlock-relay", "welded-interlock")
ONLY_ONE_STEP_SHOWS = (*ONLY_POWER_SHOWS, "reversed-fan", "leaking-coil")
CASES = [(model, defect) for model, (_, _, found_by) in MODELS.items() for defect in found_by]


@pytest.fixture(scope="module")
def rigs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Rig]]:
    with ExitStack() as stack:
        yield {model: stack.enter_context(Rig(
            tmp_path_factory.mktemp("station"), serial,
            sequence=load_sequence(ROOT / f"sequences/duct-heater-{power}.yaml")))
            for model, (power, serial, _) in MODELS.items()}


def test_the_tables_of_the_other_models_name_every_defect_that_applies() -> None:
    for _, serial, found_by in MODELS.values():
        assert set(found_by) == set(SIMULATOR.defects_of(serial))
    assert len(CASES) == 58


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("number", ["00000001", "00000777"])
def test_a_sound_unit_of_another_model_passes(rigs: dict[str, Rig], model: str, number: str) -> None:
    rig = rigs[model]
    rig.serial = f"{model.replace('-', '')}-{number}"
    rig.world.load(rig.serial)
    assert outcome_of(rig)[:2] == ("pass", [])


@pytest.mark.parametrize(("model", "defect"), CASES)
def test_a_defect_of_another_model_fails_at_its_step(rigs: dict[str, Rig], model: str, defect: str) -> None:
    step, words = MODELS[model][2][defect]
    rig = rigs[model]
    rig.world.load(rig.serial, defect)
    outcome, shown, sentence = outcome_of(rig)
    assert (outcome, shown[0]) == ("fail", step)
    assert words in sentence
    if defect in ONLY_ONE_STEP_SHOWS:
        assert shown == [step], "no other step sees it"


@pytest.mark.parametrize(("model", "defect"), CASES)
def test_a_sound_twin_of_another_model_passes(rigs: dict[str, Rig], model: str, defect: str) -> None:
    rig = rigs[model]
    rig.world.load(rig.serial, defect, twin=True)
    assert outcome_of(rig)[0] == "pass"


def test_nothing_is_heated_behind_a_fan_that_failed(rigs: dict[str, Rig]) -> None:
    rig = rigs["DH-3"]
    rig.world.load(rig.serial, "locked-rotor")
    result = rig.run()
    assert [verdict.outcome.value for _, verdict, *_ in result.steps[-2:]] == ["not reached"] * 2
    assert rig.world.unit.stages["stage-1"].temperature == pytest.approx(22.0, abs=0.01)


def test_elements_are_cooled_before_the_guard_is_unlocked_for_good(rigs: dict[str, Rig]) -> None:
    rig = rigs["DH-3"]
    rig.world.load(rig.serial)
    hottest = 0.0

    def look(_: object) -> None:
        nonlocal hottest
        hottest = max(hottest, rig.world.unit.stages["stage-1"].temperature)

    rig.world.emit = look
    try:
        assert outcome_of(rig)[0] == "pass"
    finally:
        rig.world.emit = None
    assert hottest > 180.0
    assert rig.world.unit.stages["stage-1"].temperature < hottest - 60.0


# fault of the power meter -> outcome, first step where it shows, words. A drifted one reads too many volts, which is a
# fault, and too many watts, which is worse for the unit.
METER_FAULTS = {"drifted": ("fail", NO_HEAT, "above 3360 W"), "overloaded": ("fail", NO_HEAT, "above range"),
                "noisy": ("fault", INPUT, "Applied volts is"), "silent": ("fault", NO_HEAT, "did not finish its answer"),
                "garbled": ("fault", NO_HEAT, "identity")}


@pytest.mark.parametrize("fault", METER_FAULTS)
def test_a_fault_of_the_power_meter_never_passes(rigs: dict[str, Rig], fault: str) -> None:
    rig = rigs["DH-3"]
    rig.world.load(rig.serial)
    rig.world.set_fault(fault, "input")
    try:
        outcome, shown, sentence = outcome_of(rig)
    finally:
        rig.world.clear_faults()
    expected, step, words = METER_FAULTS[fault]
    assert (outcome, shown[0]) == (expected, step)
    assert words in sentence


def test_only_the_airflow_tells_a_fan_that_turns_backwards(rigs: dict[str, Rig]) -> None:
    rig = rigs["DH-9"]
    rig.world.load(rig.serial, "reversed-fan")
    verdict = next(verdict for step, verdict, *_ in rig.run().steps if step.name == MOTOR)
    assert [(each.name, str(each.outcome)) for each in verdict.readings] == [
        ("current", "pass"), ("pressure across the fan", "fail"), ("residual voltage", "pass")]
    assert all(str(each.outcome) == "pass" for each in verdict.applied)


AIRFLOW_FAULTS = {"drifted": (0.5, "fail", "above 85 Pa"), "overloaded": (None, "fail", "above range"),
                  "silent": (None, "fault", "did not finish its answer"), "garbled": (None, "fault", "identity")}


@pytest.mark.parametrize("fault", AIRFLOW_FAULTS)
def test_a_fault_of_the_airflow_meter_never_passes(rigs: dict[str, Rig], fault: str) -> None:
    number, expected, words = AIRFLOW_FAULTS[fault]
    rig = rigs["DH-9"]
    rig.world.load(rig.serial)
    rig.world.set_fault(fault, "airflow", number)
    try:
        outcome, shown, sentence = outcome_of(rig)
    finally:
        rig.world.clear_faults()
    assert (outcome, shown[0]) == (expected, MOTOR)
    assert words in sentence


# fault of the pressure gauge -> its number, outcome of a sound unit, words
GAUGE_FAULTS = {"drifted": (-0.03, "fail", "below 10.873 bar"), "overloaded": (None, "fail", "above range"),
                "silent": (None, "fault", "did not finish its answer"), "garbled": (None, "fault", "identity")}


@pytest.mark.parametrize("fault", GAUGE_FAULTS)
def test_a_fault_of_the_pressure_gauge_never_passes(rigs: dict[str, Rig], fault: str) -> None:
    number, expected, words = GAUGE_FAULTS[fault]
    rig = rigs["DHC-6"]
    rig.world.load(rig.serial)
    rig.world.set_fault(fault, "gauge", number)
    try:
        outcome, shown, sentence = outcome_of(rig)
    finally:
        rig.world.clear_faults()
    assert (outcome, shown[0]) == (expected, "Nitrogen in the coil")
    assert words in sentence

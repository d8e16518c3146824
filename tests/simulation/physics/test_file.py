"""The simulator file: read as a whole, every mistake at its line and column, with the nearest right word."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.errors import FileMistakes, WrongUse
from eolseq.simulation.file import build, load_simulator
from tests.simulation.physics.talk import DEMO, SIMULATOR, Talk

SOURCE = DEMO.read_text()


def test_the_demo_file_says_that_it_is_invented() -> None:
    assert "invented" in SOURCE.splitlines()[0] + SOURCE.splitlines()[1]


def test_the_demo_file_has_one_instrument_of_each_role() -> None:
    assert [(each.role, each.model) for each in SIMULATOR.instruments] == [
        ("withstand_tester", "WT-5"), ("continuity_tester", "CT-30"), ("power_source", "PS-9"),
        ("resistance_meter", "RM-4"), ("current_meter", "AM-1"), ("residual_meter", "DV-2"),
        ("power_meter", "PM-3"), ("airflow_meter", "AF-1"), ("pressure_gauge", "PG-6"),
        ("switching_unit", "SW-40"), ("guard_unit", "GU-2")]


def test_identities_mark_every_instrument_as_simulated() -> None:
    talk = Talk()
    for name, instrument, link in talk.bay.instruments():
        fields = talk.ask(name, "*IDN?").split(",")
        assert len(fields) == 4 and "simulated" in fields[0] and fields[2].startswith("SIM-")
        assert link == ("serial" if name == "continuity" else "tcp") and instrument.name == name


# name -> (what to replace, by what, where to look for it, words of the message, nearest right word)
MISTAKES = {
    "unknown key": ("unit: DH6-00000001", "unti: DH6-00000001", "unti", "unknown key", "unit"),
    "kind of another file": ("kind: simulator", "kind: simulation", "simulation", "not a word", "simulator"),
    "role misspelt": ("role: power_source", "role: power_sauce", "power_sauce", "not a word", "power_source"),
    "role twice": ("role: guard_unit", "role: switching_unit", "switching_unit, model: GU-2", "same role", ""),
    "serial twice": ("serial: SIM-0002", "serial: SIM-0001", "SIM-0001\n    link: serial", "same serial", ""),
    "link unknown": ("link: serial", "link: parallel", "parallel", "not a word", ""),
    "accuracy without unit": ("accuracy: {voltage: 1 %}", "accuracy: {voltage: 1}", "1}", "no unit", ""),
    "accuracy of something else": ("accuracy: {voltage: 1 %}", "accuracy: {volts: 1 %}", "volts", "unknown key",
                                   "voltage"),
    "resolution missing": ("    resolution: {voltage: 0.1 V}\n", "", None, "'resolution' is missing", ""),
    "wrong dimension": ("earth_screw: 3 mohm", "earth_screw: 3 mA", "3 mA", "is in mA", ""),
    "not a unit": ("earth_screw: 3 mohm", "earth_screw: 3 Mohms", "3 Mohms", "not a unit", "Mohm"),
    "negative resistance": ("resistance: 200 Mohm", "resistance: -200 Mohm", "-200 Mohm", "outside", ""),
    "alloy unknown": ("alloy: NiCr 80/20", "alloy: NiCr 80-20", "NiCr 80-20", "not a word", "NiCr 80/20"),
    "yes as true": ("hard_wired: yes", "hard_wired: true", "true", "not an answer", "yes"),
    "channel outside": ("discharge: 130", "discharge: 99", "99", "whole number from 101 to 140", ""),
    "channel twice": ("discharge: 130", "discharge: 123", "123\n    route-plug", "already 'tie-L-N'", ""),
    "part unknown": ("    tie-L-N: 123", "    tie-N-L: 123", "123\n    discharge: 130", "no part", "tie-L-N"),
    "bond without channel": ("    bond-rear-panel: 112\n", "", None, "'bond-rear-panel' has no channel", ""),
    "own serial of no unit": ("unit: DH6-00000001", "unit: DH7-00000001", "DH7-00000001", "no unit", ""),
    "pattern with a star": ("DH6-[0-9]{8}", "DH6-[0-9]*", "DH6-[0-9]*", "is not allowed", ""),
    "pattern with a dangling brace": ("DH6-[0-9]{8}", "'{8}'", "'{8}'", "is not allowed", ""),
    "defect of one word": ("  open-bleeder:", "  bleeder:", "bleeder:\n    about", "no name", ""),
    "defect without twin": ("    twin: {across.bleeder: 204 kohm}\n", "", None, "'twin' is missing", ""),
    "defect of no field": ("set: {across.bleeder: 1000 Mohm}", "set: {across.bleader: 1000 Mohm}", "1000 Mohm}\n    twin: {across",
                           "no field", "across.bleeder"),
    "defect in the wrong unit": ("set: {across.bleeder: 1000 Mohm}", "set: {across.bleeder: 1000 V}", "1000 V}",
                                 "not in ohm", ""),
    "defect outside": ("set: {motor.airflow: 70 %}", "set: {motor.airflow: 700 %}", "700 %", "outside", ""),
    "defect of a name, not physics": ("set: {motor.airflow: 70 %}", "set: {model: DH-7}", "DH-7", "no field", ""),
    "defect neither yes nor no": ("set: {stages.stage-1.closes: no}", "set: {stages.stage-1.closes: never}", "never",
                                  "neither yes nor no", ""),
    "defect at a whole part": ("set: {motor.airflow: 70 %}", "set: {motor: 70 %}", "70 %", "no field", ""),
    "defect of an instrument": ("set: {motor.airflow: 70 %}", "set: {withstand.accuracy: 70 %}", "70 %", "no field", ""),
    "fault of no field": ("set: {pallet: 1.2 mohm}", "set: {palette: 1.2 mohm}", "1.2 mohm", "no field", "pallet"),
    "defect in a model that is not there": ("      DH-9:\n        set: {insulation.breakdown", "      DH-8:\n        set: {insulation.breakdown",
                                           "DH-8", "no unit of this file", "DH-9"),
    "defect in a model without the field": ("set: {stages.stage-1.resistance: 25.8 ohm}", "set: {stages.stage-2.resistance: 25.8 ohm}",
                                            "25.8 ohm}", "no field", "stages.stage-1.resistance"),
    "no unit at all": ("units:\n  - model: DH-6", "units: []\nnone:\n  - model: DH-6", None, "list of 0", ""),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_at_its_place(name: str, tmp_path: Path) -> None:
    old, new, at, words, near = MISTAKES[name]
    assert old in SOURCE
    text = SOURCE.replace(old, new, 1)
    path = tmp_path / "station.yaml"
    path.write_text(text)
    with pytest.raises(FileMistakes) as caught:
        load_simulator(path)
    mistakes = [each for each in caught.value.mistakes if words in each.what or words in each.expected]
    assert mistakes, caught.value
    if at is not None:
        start = text.index(at, max(0, text.index(new) - 40))
        line = text.count("\n", 0, start) + 1
        column = start - (text.rfind("\n", 0, start) + 1) + 1
        assert {(each.place.line, each.place.column) for each in mistakes} == {(line, column)}  # an alias reads twice
    assert near in ("", mistakes[0].nearest)


def test_all_mistakes_come_in_one_go(tmp_path: Path) -> None:
    path = tmp_path / "station.yaml"
    path.write_text(SOURCE.replace("set: {pallet: 1.2 mohm}", "set: {palette: 1}")
                    .replace("set: {motor.airflow: 70 %}", "set: {motor.flow: 70 %}", 1).replace("discharge: 130", "discharge: 123"))
    with pytest.raises(FileMistakes) as caught:
        load_simulator(path)
    assert len(caught.value.mistakes) == 3 and {each.place.path for each in caught.value.mistakes} == {str(path)}


def test_an_unknown_defect_lists_the_names_one_a_line() -> None:
    with pytest.raises(WrongUse) as caught:
        SIMULATOR.unit("DH6-00000001", "poor-bnod")
    assert caught.value.exit_code == 2
    assert set(SIMULATOR.defects_of("DH6-00000001")) <= set(caught.value.do.splitlines())
    assert "welded-interlock" not in caught.value.do, "a DH-6 has no interlock"


def test_a_defect_that_a_unit_cannot_have_is_wrong_use() -> None:
    with pytest.raises(WrongUse, match=r"DH-6 has no interlock\.welded") as caught:
        SIMULATOR.unit("DH6-00000001", "welded-interlock")
    assert caught.value.exit_code == 2


def test_a_defect_has_its_own_values_in_a_model() -> None:
    assert SIMULATOR.unit("DH3-00000001", "wrong-element").stages["stage-1"].resistance == 25.8
    assert SIMULATOR.unit("DH9-00000001", "wrong-element").stages["stage-2"].resistance == 28.1
    assert SIMULATOR.unit("DH9-00000001", "pinched-wire", twin=True).insulation.breakdown == 1560


@pytest.mark.parametrize("serial", ["", "DH6-1", "DH7-00000001", "DH6-000000011", "xDH6-00000001", "DH6-00000001\n"])
def test_an_unknown_serial_is_wrong_use(serial: str) -> None:
    with pytest.raises(WrongUse):
        SIMULATOR.unit(serial)


def test_without_a_serial_the_file_names_one() -> None:
    assert build(SIMULATOR, now=0.0).serial == "DH6-00000001"


def test_a_defect_leaves_the_next_unit_alone() -> None:
    sound = SIMULATOR.unit("DH6-00000001")
    SIMULATOR.unit("DH6-00000001", "poor-bond").earth["front-panel"] = 7.0
    assert SIMULATOR.unit("DH6-00000001") == sound


def test_every_field_of_a_defect_changes_the_unit() -> None:
    names = set()
    for serial in ("DH3-00000001", "DH6-00000001", "DH9-00000001", "DHC6-00000001"):
        sound = SIMULATOR.unit(serial)
        for name in SIMULATOR.defects_of(serial):
            names.add(name)
            changed, twin = (SIMULATOR.unit(serial, name, twin=twin) for twin in (False, True))
            assert changed != sound and twin != sound and changed != twin, name
    assert names == set(SIMULATOR.defects)


SECOND_UNIT = """
  - model: DH-1
    serial_pattern: DH1-[0-9]{8}
    ambient: 22 degC
    earth_screw: 3 mohm
    earth: {front-panel: 20 mohm}
    neutral_branch: 15 mohm
    insulation: {resistance: 100 Mohm, line: 0.5 nF, neutral: 1 nF, breakdown: 4 kV, arc: 20 kohm}
    across: {capacitor: 3 uF, bleeder: 150 kohm, board: 2.2 Mohm}
    stages:
      stage-1: *stage
defects:"""


def test_a_second_model_without_motor_or_second_stage(tmp_path: Path) -> None:
    path = tmp_path / "two.yaml"
    path.write_text(SOURCE.replace("\ndefects:", SECOND_UNIT, 1))
    simulator = load_simulator(path)
    assert simulator.unit("DH1-00000001").motor is None
    assert simulator.unit("DH1-00000001", "open-element").stages["stage-1"].resistance == 1e9
    with pytest.raises(WrongUse, match=r"DH-1 has no stages\.stage-2"):
        simulator.unit("DH1-00000001", "open-stage")
    with pytest.raises(WrongUse, match="DH-1 has no motor"):
        simulator.unit("DH1-00000001", "blocked-outlet")


def test_an_instrument_that_is_not_instant_takes_its_time(tmp_path: Path) -> None:
    path = tmp_path / "slow.yaml"
    path.write_text(SOURCE.replace("model: DV-2", "model: DV-2\n    instant: no"))
    bay = build(load_simulator(path), now=0.0)
    assert (bay.by_name["residual"].wire.fault, bay.by_name["power"].wire.fault) == ("slow", None)
    assert bay.by_name["residual"].wire.fault_number == pytest.approx(0.05)

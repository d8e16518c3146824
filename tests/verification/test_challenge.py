"""What counts as caught: the right step, the right reading, the right words, and nothing before it. Invented plant."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.challenge import record
from eolseq.commands.run import bay_of
from eolseq.engine.run import RunResult, UnitRun
from eolseq.errors import FileMistakes
from eolseq.serials import reserved
from eolseq.station.checks import Reference
from eolseq.station.file import load_station
from eolseq.verification.challenge import for_references, judge_reference, serial_of, unknown_steps
from tests.rig import PAGES, ROOT, SEQUENCE, STATION, Rig

CHALLENGES = STATION.challenges
assert CHALLENGES is not None
REFERENCES = {each.name: each for each in CHALLENGES.references}


def shown(rig: Rig, reference: Reference) -> RunResult:
    rig.open()
    unit = UnitRun(rig.clock, for_references(SEQUENCE), bay_of(rig.opened, PAGES), rig.log, rig.events.append,
                   lambda _: "tester", [], reference=True)
    return unit.run(serial_of(reference))


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    found = Rig(tmp_path, defect="poor-bond")
    try:
        yield found
    finally:
        found.close()


def test_a_bond_just_over_is_caught_for_its_reason_alone(rig: Rig) -> None:
    bond = REFERENCES["bond-over"]
    result = shown(rig, bond)
    assert judge_reference(bond, result).outcome == "caught"
    wrong: dict[str, Any] = {"another step": {"step": "Stage 2 cold"}, "another reading": {"reading": "resistance front-panel"},
                             "other words": {"says": "no earth path"}, "should have passed": {"step": ""}}
    for name, changed in wrong.items():
        assert judge_reference(dataclasses.replace(bond, **changed), result).outcome == "missed", name


def test_a_reference_unit_that_passes_is_missed_and_never_released(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    try:
        result = shown(rig, REFERENCES["good"])
        assert judge_reference(REFERENCES["good"], result).outcome == "caught" and not result.released
        missed = judge_reference(REFERENCES["breakdown"], result)
        assert missed.outcome == "missed"
        index = record(rig.log, STATION, CHALLENGES, SEQUENCE, PAGES, [missed], "tester")
        lock = rig.log.locked()
        assert lock is not None and lock.index == index + 1 and "breakdown" in lock.reason
    finally:
        rig.close()


def test_every_reference_of_the_demo_station_names_a_step_and_has_a_reserved_serial() -> None:
    assert unknown_steps(CHALLENGES, SEQUENCE) == []
    changed = dataclasses.replace(CHALLENGES, references=(dataclasses.replace(REFERENCES["good"], step="Nothing"),))
    assert unknown_steps(changed, SEQUENCE) == ["good: 'Nothing'"]
    for each in CHALLENGES.references:
        assert reserved(serial_of(each)) and for_references(SEQUENCE).unit.fits(serial_of(each))
    assert for_references(SEQUENCE).digest == SEQUENCE.digest


@pytest.mark.parametrize("name", ["known-loads", "by-hand", "no-unit"])
def test_a_reference_unit_takes_no_name_of_the_programs_own_plans(tmp_path: Path, name: str) -> None:
    path = tmp_path / "station.yaml"
    path.write_text((ROOT / "simulators/demo-station.yaml").read_text().replace("    breakdown: {about", f"    {name}: {{about"))
    with pytest.raises(FileMistakes, match=f"'{name}' is a name of the program's own"):
        load_station(path)

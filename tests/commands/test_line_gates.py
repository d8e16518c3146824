"""The gates of people and of a unit's past in whole runs, in virtual time: nothing is energised when they refuse."""

from __future__ import annotations

import ast
import dataclasses
from datetime import date
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.gates import Setting, gates_of
from eolseq.commands.rework import technicians_rework
from eolseq.commands.void import void_pass
from eolseq.engine.run import RunResult
from eolseq.line.unit_state import Standing, state_of
from eolseq.quantity import parse
from eolseq.records.people import MayTest
from eolseq.records.reader import Records
from eolseq.sequence.needs import Need
from eolseq.station.line_fields import NO_REWORK, PeopleRules, ReworkRules
from tests.rig import PAGES, Rig

UNIT = "DH6-00000001"
EVER = date(2099, 12, 31)
LISTED = PeopleRules(True, {"op-1": MayTest(("all",), EVER), "old-2": MayTest(("all",), date(2025, 12, 31)),
                            "op-3": MayTest(("another",), EVER), "tr-4": MayTest(("all",), EVER, trainee=True)})


def bench(folder: Path, defect: str | None = None, people: PeopleRules = LISTED, rework: ReworkRules = NO_REWORK) -> Rig:
    rig = Rig(folder, UNIT, defect)
    rig.station = dataclasses.replace(rig.station, people=people, rework=rework)
    return rig


def go(rig: Rig, operator: str = "op-1", beside: tuple[str, ...] = (), trial: bool = False) -> RunResult:
    """One run through every gate, as ``eolseq run`` puts them together."""
    from eolseq.commands.run import bay_of
    from eolseq.engine.run import UnitRun

    gates = gates_of(Setting(rig.sequence, rig.opened, PAGES, rig.log, rig.clock, trial, beside))
    unit = UnitRun(rig.clock, rig.sequence, bay_of(rig.opened, PAGES), rig.log, rig.events.append,
                   gates.acknowledged(lambda _: operator), gates.of_unit, approval=gates.approval, trial=trial)
    return unit.run(UNIT)


def kinds(folder: Path) -> list[str]:
    return [each.payload["kind"] for each in Records.open(folder / "records").entries()]


# operator, beside -> what the refusal says
REFUSED: dict[str, tuple[str, tuple[str, ...], str]] = {
    "a stranger": ("op-9", (), "op-9 is not on this station's list of people who may test. See quality"),
    "expired": ("old-2", (), "old-2 was qualified until 2025-12-31. See quality"),
    "another sequence": ("op-3", (), "op-3 is not qualified for 'Duct heater 6 kW'. See quality"),
    "a trainee alone": ("tr-4", (), "tr-4 is a trainee and tests only with a qualified person"),
    "a trainee with a stranger": ("tr-4", ("op-9",), "op-9 is not on this station's list"),
}


@pytest.mark.parametrize("name", REFUSED)
@pytest.mark.parametrize("trial", [False, True])
def test_who_may_not_test_is_refused_before_anything_is_energised(quick_path: Path, name: str, trial: bool) -> None:
    operator, beside, said = REFUSED[name]
    with bench(quick_path) as rig:
        result = go(rig, operator, beside, trial)
        assert (result.outcome, result.index) == (Outcome.REFUSED, None) and said in result.sentence
        rig.log.checkpoint()
    assert kinds(quick_path) == ["genesis", "remark"]


def test_a_trainee_tests_beside_a_qualified_person_and_the_log_says_so(quick_path: Path) -> None:
    with bench(quick_path) as rig:
        result = go(rig, "tr-4", ("tr-4", "op-1"))
        assert result.outcome is Outcome.PASS
    entries = [each.payload for each in Records.open(quick_path / "records").entries()]
    assert entries[1]["reason"] == "tr-4, a trainee, tests 'Duct heater 6 kW' with op-1 beside them."
    assert (entries[2]["kind"], entries[2]["operator"]) == ("begin", "tr-4")


def test_nobody_on_the_list_of_a_station_that_asks(quick_path: Path) -> None:
    with bench(quick_path, people=PeopleRules(True)) as rig:
        assert "Nobody is on this station's list" in go(rig).sentence


def test_fail_rework_pass_void_and_again(quick_path: Path) -> None:
    rules = ReworkRules(needed=True, attempts=3, stops=2)
    with bench(quick_path, "pinched-wire", rework=rules) as rig:
        assert go(rig).outcome is Outcome.FAIL
        refused = go(rig)
        assert refused.outcome is Outcome.REFUSED and "Its rework is entered first: eolseq rework" in refused.sentence
        assert go(rig, trial=True).outcome is Outcome.REFUSED, "a trial is no way round"
        technicians_rework(rig.log, rig.station, UNIT, "wire pinched", "wire replaced", "op-1")
    with bench(quick_path, rework=rules) as rig:
        other = dataclasses.replace(rig.sequence, name="another")
        own, rig.sequence = rig.sequence, other
        assert "was reworked after it did not pass 'Duct heater 6 kW'" in go(rig).sentence
        rig.sequence = own
        result = go(rig)
        assert result.outcome is Outcome.PASS and result.attempt == 2
        assert len(result.steps) == len(own.steps) and all(v.outcome is Outcome.PASS for _, v in result.steps), "every step again"
        assert state_of(rig.log, UNIT).standing is Standing.PASSED
        void_pass(rig.log, UNIT, "covers opened", "op-1")
        assert state_of(rig.log, UNIT).standing is Standing.VOIDED
    with bench(quick_path, rework=rules) as rig:
        assert go(rig).outcome is Outcome.PASS
        locked = go(rig)
        assert locked.outcome is Outcome.REFUSED and "tested 3 times, and 3 are allowed here" in locked.sentence


def test_reference_units_are_not_held_to_a_past(quick_path: Path) -> None:
    from eolseq.commands.line_gates import PastGate
    from tests.line.stories import tell
    from tests.records.samples import open_log

    with bench(quick_path / "a", rework=ReworkRules(needed=True)) as rig, open_log(quick_path / "b") as log:
        tell(log, "fail", "REFERENCE-open-earth")
        PastGate(rig.sequence, rig.station, log)("REFERENCE-open-earth")


def test_a_sequence_that_needs_an_earlier_check_tests_no_unit_without_it(quick_path: Path) -> None:
    """The list of gates is asked as ``eolseq run`` asks it: a gate that nobody reaches would let the unit pass."""
    need = Need("wiring-inspection", parse("7 d"), None, "See the wiring bench.")
    with bench(quick_path) as rig:
        rig.sequence = dataclasses.replace(rig.sequence, needs=(need,))
        result = go(rig)
        assert result.outcome is Outcome.REFUSED and "wiring-inspection" in result.sentence
        assert not any(change.get("output") == "on" for change in rig.world.changes)


def test_nothing_stands_behind_a_return() -> None:
    """A line that cannot be reached has once been a gate."""
    behind = []
    for path in (Path(__file__).parents[2] / "eolseq").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            for part in ("body", "orelse", "finalbody"):
                block = getattr(node, part, [])
                ends = [isinstance(each, ast.Return | ast.Raise | ast.Continue | ast.Break)
                        for each in block] if isinstance(block, list) else []
                if any(ends[:-1]):
                    behind.append(f"{path}:{block[ends.index(True) + 1].lineno}")
    assert behind == []

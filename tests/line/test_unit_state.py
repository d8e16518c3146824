"""Where a unit stands by its log: told as stories, held to a plain walk, and the same from an opened log as from a read one."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.line.unit_state import Standing, UnitState, state_of
from eolseq.records.reader import Records
from eolseq.station.line_fields import NO_REWORK, ReworkRules
from tests.line.stories import UNIT, tell
from tests.records.samples import open_log

RULES = ReworkRules(needed=True, attempts=3, stops=2)

# story -> where the unit stands, whether it may be tested again under RULES
STORIES: dict[str, tuple[Standing, bool]] = {
    "": (Standing.NEW, True),
    "open": (Standing.RUNNING, False),
    "pass": (Standing.PASSED, True),
    "fail": (Standing.FAILED, False),
    "undecided": (Standing.UNDECIDED, False),
    "stopped": (Standing.INCOMPLETE, True),
    "abandoned": (Standing.INCOMPLETE, True),
    "fault": (Standing.INCOMPLETE, True),
    "fail, rework": (Standing.REWORKED, True),
    "fail, rework nothing": (Standing.REWORKED, True),
    "fail, rework, stopped": (Standing.INCOMPLETE, True),
    "fail, stopped": (Standing.INCOMPLETE, False),
    "fail, rework, fail": (Standing.FAILED, False),
    "fail, rework, pass": (Standing.PASSED, True),
    "undecided, release": (Standing.RELEASED, True),
    "undecided, rework, release": (Standing.REWORKED, True),
    "undecided, stopped, release": (Standing.INCOMPLETE, False),
    "fail, release": (Standing.FAILED, False),
    "pass, release": (Standing.PASSED, True),
    "pass, void": (Standing.VOIDED, True),
    "undecided, release, void": (Standing.VOIDED, True),
    "fail, void": (Standing.FAILED, False),
    "pass, void, pass": (Standing.PASSED, True),
    "pass, rework": (Standing.REWORKED, True),
    "leak fail 10, pass": (Standing.PASSED, True),  # the gate looked at what was needed
    "pass, leak pass 10": (Standing.PASSED, True),
    "pass, leak fail 10": (Standing.LATE_FAIL, True),
    "pass, leak fail 10, leak pass 20": (Standing.PASSED, True),
    "pass, leak fail 20, leak pass 10": (Standing.LATE_FAIL, True),
    "pass, leak fail 20, leak fail 10, leak pass 15": (Standing.LATE_FAIL, True),
    "pass, leak fail 10, trial pass": (Standing.LATE_FAIL, True),
    "pass, leak fail 10, pass": (Standing.PASSED, True),
    "pass, leak fail 10, void": (Standing.VOIDED, True),
    "undecided, release, leak fail 10": (Standing.LATE_FAIL, True),
    "fail, leak fail 10": (Standing.FAILED, False),
    "pass, stopped": (Standing.INCOMPLETE, True),
    "pass, abandoned": (Standing.INCOMPLETE, True),
    "pass, fail": (Standing.FAILED, False),
    "pass, trial pass": (Standing.PASSED, True),
    "pass, trial fail": (Standing.FAILED, False),
    "trial pass": (Standing.INCOMPLETE, True),
    "trial undecided, release": (Standing.UNDECIDED, False),
    "fail, trial pass": (Standing.FAILED, False),
    "stopped, fault": (Standing.LOCKED, False),
    "abandoned, abandoned": (Standing.LOCKED, False),
    "stopped, pass, stopped": (Standing.LOCKED, False),  # three attempts
    "stopped, stopped, rework": (Standing.LOCKED, False),
    "stopped, stopped, rework lead": (Standing.REWORKED, True),
    "stopped, stopped, rework lead, stopped": (Standing.LOCKED, False),
    "fail, rework, fail, rework, fail": (Standing.LOCKED, False),
    "fail, rework, fail, rework, fail, rework": (Standing.LOCKED, False),
    "fail, rework, fail, rework, fail, rework lead": (Standing.REWORKED, True),
    "fail, rework, fail, rework, fail, rework lead, fail, rework": (Standing.LOCKED, False),
    "fail, rework, fail, rework, pass": (Standing.PASSED, False),  # it is good, and was tested often enough
}


@pytest.mark.parametrize("story", STORIES)
def test_stories(quick_path: Path, story: str) -> None:
    with open_log(quick_path) as log:
        for event in filter(None, story.split(", ")):
            tell(log, event)
        state = state_of(log, UNIT, RULES)
        standing, may_run = STORIES[story]
        assert (state.standing, state.may_run) == (standing, may_run), state.sentence
        assert (state.passed is not None) == (standing is Standing.PASSED)
        assert (state.released is not None) == (standing is Standing.RELEASED)
        assert state.refusal is None or (state.refusal.do and UNIT in state.refusal.what)
        log.checkpoint()
    assert same(state_of(Records.open(quick_path / "records"), UNIT, RULES), state)


def same(one: UnitState, other: UnitState) -> bool:
    """All but the objects that stand for the same entry."""
    return [(each.standing, each.index, each.attempts, each.last, each.passed, each.released, each.needs_rework, each.repeat,
             each.stops, str(each.refusal)) for each in (one, other)].count(
        (one.standing, one.index, one.attempts, one.last, one.passed, one.released, one.needs_rework, one.repeat, one.stops,
         str(one.refusal))) == 2


def test_without_rules_nothing_is_refused_but_a_unit_under_test(quick_path: Path) -> None:
    with open_log(quick_path) as log:
        for event in ("fail", "fail", "stopped", "stopped", "fault", "abandoned"):
            tell(log, event)
        assert state_of(log, UNIT, NO_REWORK).may_run
        tell(log, "open")
        assert not state_of(log, UNIT, NO_REWORK).may_run


def test_a_failed_sequence_is_the_one_to_repeat(quick_path: Path) -> None:
    with open_log(quick_path) as log:
        tell(log, "stopped")
        tell(log, "rework")
        assert state_of(log, UNIT, RULES).repeat is None, "nothing failed"
        tell(log, "fail")
        tell(log, "rework")
        assert state_of(log, UNIT, RULES).repeat == "duct heater 6 kW"
        tell(log, "pass")
        assert state_of(log, UNIT, RULES).repeat is None


@pytest.mark.parametrize("serial", ['odd "serial" \\ é\n', "X" * 300, "REFERENCE-1"])
def test_odd_long_and_reserved_serials(quick_path: Path, serial: str) -> None:
    """A serial that does not stand at the head of a line is found all the same, and a reference unit never passes."""
    with open_log(quick_path) as log:
        tell(log, "pass", serial)
        assert (state_of(log, serial).passed is None) == serial.startswith("REFERENCE-")
        tell(log, "void", serial)
        tell(log, "pass", "another")
        log.checkpoint()
        state = state_of(log, serial)
    found = Records.open(quick_path / "records")
    assert same(state_of(found, serial), state) and state.passed is None
    assert [each.payload["serial"] for each in found.about(serial)] == [serial]


EVENTS = ("pass", "fail", "undecided", "stopped", "fault", "abandoned", "trial pass", "trial fail", "rework", "rework nothing",
          "rework lead", "release", "void")
AGAINST = {"fail", "undecided", "stopped", "fault", "abandoned", "trial fail", "rework", "rework nothing", "rework lead", "void"}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(EVENTS), st.sampled_from((UNIT, "DH6-00000002"))), max_size=12))
def test_any_story_is_what_a_plain_walk_finds(story: list[tuple[str, str]]) -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        with open_log(Path(folder)) as log:
            for event, serial in story:
                tell(log, event, serial)
            log.checkpoint()
            states = {serial: state_of(log, serial, RULES) for _, serial in story}
        found = Records.open(Path(folder) / "records")
        for serial, state in states.items():
            mine = [event for event, of in story if of == serial]
            passes = [place for place, event in enumerate(mine) if event == "pass"]
            counts = bool(passes) and not AGAINST & set(mine[passes[-1]:])
            assert (state.passed is not None) == counts
            assert state.passed is None or state.released is None
            assert state.attempts == sum(event not in ("rework", "rework nothing", "rework lead", "release", "void")
                                         for event in mine)
            if state.released is not None:
                assert "undecided" in mine and mine[-1] in ("release", "trial pass")
            assert same(state_of(found, serial, RULES), state)

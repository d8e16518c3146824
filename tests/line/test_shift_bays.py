"""A shift at several bays: whose code is whose, and two units tested side by side in virtual time."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.clock import SystemClock, VirtualClock
from eolseq.commands.shift_bays import BaysAtWork, look_back_at_bays
from eolseq.engine.events import Cautions
from eolseq.line.bay_events import Busy
from eolseq.line.scans import Inbox, read_scan
from eolseq.line.shift_events import CautionPage, Note, ShiftBegins, Situation, Stands, UnitOver
from eolseq.line.switchboard import AIMED, Switchboard
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.screen.bay_lines import BayLines
from tests.bays_rig import PAGES, BaysRig
from tests.rig import SEQUENCE


class Board:
    """A switchboard of two bays with nobody behind their inboxes."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.open = {"bay-1": False, "bay-2": False}
        self.notes: list[tuple[str, str]] = []
        self.inboxes = {bay: Inbox(self.clock, lambda _: None) for bay in self.open}
        self.board = Switchboard(self.clock, self.inboxes, self.open.__getitem__, lambda text: text.startswith("DH6-"),
                                 lambda bay, note: self.notes.append((bay, note.word)))
        self.stands(Situation.WAITING, Situation.WAITING)

    def stands(self, *situations: Situation) -> None:
        for bay, situation in zip(self.open, situations, strict=True):
            self.board.heard(bay, Stands(situation, ""))

    def scan(self, *texts: str) -> dict[str, list[str]]:
        """Scan these, a second apart; what each bay then has."""
        for text in texts:
            self.clock.sleep(1.1)
            found = read_scan(text.encode())
            assert found is not None
            self.board.put(found)
        return {bay: [scan.text for scan in iter(lambda inbox=inbox: inbox.take(0.0), None)]  # type: ignore[misc]
                for bay, inbox in self.inboxes.items()}


@pytest.fixture
def at() -> Iterator[Board]:
    yield Board()


UNIT = "DH6-00000001"


def test_a_bays_code_aims_what_follows_and_not_for_ever(at: Board) -> None:
    assert at.scan("BAY-2", UNIT, "label") == {"bay-1": [], "bay-2": [UNIT, "label"]}
    assert at.notes == [("bay-2", "THIS BAY")]
    assert at.scan("bay-1", UNIT) == {"bay-1": [UNIT], "bay-2": []}
    at.clock.sleep(AIMED + 1.0)
    at.notes.clear()
    assert at.scan(UNIT) == {"bay-1": [], "bay-2": []}
    assert at.notes == [("bay-1", "WHICH BAY"), ("bay-2", "WHICH BAY")]


def test_without_one_it_is_the_only_open_guard(at: Board) -> None:
    at.open["bay-2"] = True
    assert at.scan(UNIT) == {"bay-1": [], "bay-2": [UNIT]}
    at.open["bay-1"] = True
    assert at.scan(UNIT) == {"bay-1": [], "bay-2": []}
    assert [word for _, word in at.notes] == ["WHICH BAY"] * 2
    at.notes.clear()
    at.stands(Situation.RUNNING, Situation.WAITING)
    at.open.update({"bay-1": False, "bay-2": False})
    assert at.scan(UNIT) == {"bay-1": [], "bay-2": []}
    assert at.notes == [("bay-2", "WHICH BAY")]  # nothing is said where a test runs


def test_a_badge_is_for_every_bay_that_waits_for_one_and_an_order_to_end_for_all(at: Board) -> None:
    at.stands(Situation.SIGN_IN, Situation.CAUTIONS)
    assert at.scan("op-07") == {"bay-1": ["op-07"], "bay-2": ["op-07"]}
    at.stands(Situation.SIGN_IN, Situation.WAITING)
    assert at.scan("op-07", UNIT) == {"bay-1": ["op-07"], "bay-2": []}
    assert at.scan("=end") == {"bay-1": ["end"], "bay-2": ["end"]}
    assert at.scan("=verify") == {"bay-1": ["verify"], "bay-2": []}  # typed while a badge is awaited: told there
    assert at.board.ended == ""
    at.board.ended = "Ended by SIGTERM."
    assert {inbox.ended for inbox in at.inboxes.values()} == {"Ended by SIGTERM."} == {at.board.ended}
    at.board.close()
    assert all(inbox.over for inbox in at.inboxes.values())


def test_a_badge_acknowledges_only_the_cautions_that_are_on_the_screen(at: Board) -> None:
    first, second = (CautionPage(Cautions(("Danger.",), ()), page, 2) for page in (0, 1))
    for bay, page in (("bay-1", first), ("bay-2", second)):
        at.board.heard(bay, page)
    at.stands(Situation.CAUTIONS, Situation.CAUTIONS)
    assert at.scan("op-07") == {"bay-1": ["op-07"], "bay-2": []}
    assert at.scan("bay-2", "op-07") == {"bay-1": [], "bay-2": []}  # aimed at cautions that nobody sees
    assert at.notes[-2:] == [("bay-1", "WHICH BAY"), ("bay-2", "WHICH BAY")]
    at.clock.sleep(AIMED + 1.0)
    at.board.heard("bay-1", second)
    assert at.scan("op-07") == {"bay-1": ["op-07"], "bay-2": ["op-07"]}
    at.stands(Situation.WAITING, Situation.CAUTIONS)
    assert at.scan("op-07") == {"bay-1": [], "bay-2": ["op-07"]}


# -- whole shifts -------------------------------------------------------------------------------------------------


class Day:
    """A station of two bays and what was told there; ``scan`` brings a code after so many seconds."""

    def __init__(self, rig: BaysRig) -> None:
        self.rig = rig
        self.told: list[tuple[str, Any]] = []
        self.past = look_back_at_bays(rig.station, (SEQUENCE,), self.tell)
        self.work = BaysAtWork(rig.clock, rig.opened, PAGES, rig.log, (SEQUENCE,), self.tell, rig.hall.obey,
                               {"DH6-00000003": "wrong-element"})

    def tell(self, bay: str, event: Any) -> None:
        self.told.append((bay, event))

    def run(self, *script: tuple[float, str]) -> None:
        """A shift in which these codes are scanned, each so many seconds after the one before."""
        def person() -> None:
            for seconds, text in script:
                self.rig.clock.sleep(seconds)
                found = read_scan(text.encode())
                assert found is not None
                self.work.board.put(found)
            self.work.board.close()
        self.rig.clock.start("person", person)
        self.work.run(self.past)

    def outcomes(self) -> list[tuple[str, str, Outcome]]:
        return [(bay, e.serial, e.outcome) for bay, e in self.told if isinstance(e, UnitOver)]

    def notes(self, word: str) -> list[tuple[str, str]]:
        return [(bay, e.sentence) for bay, e in self.told if isinstance(e, Note) and e.word == word]


SIGN_IN = ((1.0, "op-07"), (3.0, "op-07"))


def plate(serial: str) -> str:
    return f"PLATE DH-6 {serial}"


def test_two_units_side_by_side_and_the_next_while_the_neighbour_is_tested(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        day = Day(rig)
        day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, "bay-2"), (1.0, plate("DH6-00000002")),
                (25.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, plate("DH6-00000003")),
                (1.0, "bay-2"), (1.0, plate("DH6-00000002")), (1.5, plate("DH6-00000004")), (60.0, "bay-2"),
                (1.0, plate("DH6-00000004")), (5.0, "=end"))
        assert sorted(day.outcomes()) == [
            ("bay-1", "DH6-00000001", Outcome.PASS), ("bay-1", "DH6-00000003", Outcome.FAIL),
            ("bay-2", "DH6-00000002", Outcome.PASS), ("bay-2", "DH6-00000004", Outcome.PASS)]
        busy = [event for bay, event in day.told if isinstance(event, Busy) and not bay]
        assert {bay for each in busy for _, bay in each.held} == {"bay-1", "bay-2"} and busy[-1].held == ()
        assert any(bay == "bay-2" and "continuity" in names for each in busy for bay, names in each.waiting)
        assert all(name in each.shared for each in busy for name, _ in each.held)
        begun = [e for _, e in day.told if isinstance(e, ShiftBegins)]
        assert {each.bay for each in begun} == {"bay-1", "bay-2"} and not rig.log.open_runs()
        path = rig.log.path
    kinds = [(each.payload["kind"], each.payload.get("bay") or each.payload.get("run"))
             for each in Records.open(path.parent).entries() if each.payload["kind"] in ("begin", "end")]
    assert [kind for kind, _ in kinds[:2]] == ["begin", "begin"]  # the second began before the first had ended
    assert not audit(path).findings


def test_the_same_unit_at_two_bays_is_refused_at_the_second(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        day = Day(rig)
        day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (2.0, "bay-2"), (1.0, plate("DH6-00000001")),
                (40.0, "=end"))
        assert sorted(str(outcome) for _, _, outcome in day.outcomes()) == ["pass", "refused"]
        assert [bay for bay, _, outcome in day.outcomes() if outcome is Outcome.REFUSED] == ["bay-2"]


def test_after_a_cut_each_bay_says_what_was_under_test_there(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        rig.schedule({"bay-1": ["DH6-00000001"], "bay-2": ["DH6-00000002"]})
        rig.clock.sleep(3.0)  # the program dies here
        told: list[tuple[str, Any]] = []
        past = look_back_at_bays(rig.station, (SEQUENCE,), lambda bay, event: told.append((bay, event)))
        assert {bay: [run.serial for run in each.cut] for bay, each in past.items()} == {
            "bay-1": ["DH6-00000001"], "bay-2": ["DH6-00000002"]}
        assert [(bay, event.situation) for bay, event in told if isinstance(event, Stands)] == [(bay, Situation.AFTER_CUT) for bay in past]


def test_lines_of_several_bays_each_begin_with_their_bay() -> None:
    stream = io.StringIO()
    lines = BayLines(stream, SystemClock(), ["bay-1", "bay-2"])
    lines.tell("bay-2", ShiftBegins("a bench", "bay-2", True, None))
    lines.tell("bay-1", Note("WHICH BAY", "Scan the bay's code first."))
    lines.tell("bay-2", Stands(Situation.WAITING, "Scan.", "op-07"))
    lines.close()
    assert stream.getvalue().splitlines() == [
        "bay-2 | SIMULATED shift at a bench, bay-2", "bay-1 | WHICH BAY: Scan the bay's code first.",
        "bay-2 | SIMULATED SCAN UNIT (operator op-07). Scan."]

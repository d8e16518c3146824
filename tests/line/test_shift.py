"""Whole shifts in virtual time: what is asked, what is turned away with which word, and what never starts a unit."""

from __future__ import annotations

import dataclasses
import gc
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.printing import PrintFailed
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import RunBegins, SafetyState, StepBegins
from eolseq.line.shift_events import CautionPage, Note, Situation, Stands, Tally, UnitOver
from eolseq.records.audit import audit
from tests.shift_rig import BADGE, SEQUENCES, STATION, ShiftRig, typed

GOOD, BAD, THIRD = "DH6-00000001", "DH6-00000002", "DH6-00000003"
SMALL = "DH3-00000001"
UNIT_ROUND = [Situation.RUNNING, Situation.LABEL, Situation.PLATE, Situation.WAITING]


def test_a_shift_of_three_units_in_its_order(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, defects={BAD: "poor-bond"}) as rig:
        assert rig.run([GOOD, BAD, SMALL]) == f"Ended by {BADGE}."
        assert rig.outcomes() == [(GOOD, "pass"), (BAD, "fail"), (SMALL, "pass")]
        assert rig.situations() == [
            Situation.SIGN_IN, Situation.CAUTIONS, Situation.WAITING, *UNIT_ROUND, Situation.RUNNING,
            Situation.WAITING, Situation.CAUTIONS, *UNIT_ROUND, Situation.ENDED]
        kinds = [each["kind"] for each in rig.entries("shift", "sign_in", "begin", "end", "label")]
        assert kinds == ["shift", "sign_in", "begin", "end", "label", "label", "label", "begin", "end", "sign_in",
                         "begin", "end", "label", "label", "label", "shift"]
        assert {each["operator"] for each in rig.entries("begin")} == {BADGE}
        end = rig.entries("shift")[-1]
        assert (end["event"], end["passed"], end["rejected"], end["others"]) == ("end", 2, 1, 0)
        tally = [each for each in rig.told if isinstance(each, Tally)][-1]
        assert tally.rejects == (("Earth path to every metal part", 1),)
        assert tally.expected == int(tally.seconds // 90)
        assert sorted(each.suffix for each in (tmp_path / "labels").iterdir()) == [
            ".pdf", ".pdf", ".pdf", ".png", ".png", ".png", ".txt"]  # two labels and a ticket
    assert not audit(tmp_path / "records").findings


def test_the_cautions_are_read_in_full_once_and_again_when_another_hazard_comes(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD, THIRD, SMALL, "DH3-00000002", "DH6-00000004"])
        pages = [each for each in rig.told if isinstance(each, CautionPage)]
        assert [each.cautions.standard for each in pages] == [STANDARD, STANDARD]
        assert set(SEQUENCES[0].cautions) <= set(pages[0].cautions.own)
        assert set(SEQUENCES[1].cautions) <= set(pages[1].cautions.own)
        assert any("1230 V" in each for each in pages[0].cautions.own)
        signed = rig.entries("sign_in")
        assert [each["event"] for each in signed] == ["in", "acknowledged"]
        assert all(set(STANDARD) <= set(each["cautions"]) for each in signed)


def test_long_cautions_are_acknowledged_page_by_page(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.pages_shown = 3
        rig.run([])
        assert [(each.page, each.pages) for each in rig.told if isinstance(each, CautionPage)] == [
            (0, 3), (1, 3), (2, 3)]


ODD: dict[str, tuple[Situation, bytes, str]] = {
    "a unit before anybody signed in": (Situation.SIGN_IN, GOOD.encode(), "WHO ARE YOU?"),
    "somebody unknown": (Situation.SIGN_IN, b"op-99", "REFUSED"),
    "a name": (Situation.SIGN_IN, b"somebody", "WHO ARE YOU?"),
    "another badge below the cautions": (Situation.CAUTIONS, b"op-12", "NOT YET"),
    "a unit below the cautions": (Situation.CAUTIONS, GOOD.encode(), "NOT YET"),
    "another model": (Situation.WAITING, b"DH7-00000001", "REFUSED"),
    "a serial cut short": (Situation.WAITING, b"DH6-0000000", "REFUSED"),
    "two serials run into one": (Situation.WAITING, b"DH6-00000001DH6-00000002", "REFUSED"),
    "small letters": (Situation.WAITING, b"dh6-00000001", "REFUSED"),
    "a reference unit": (Situation.WAITING, b"REFERENCE-GOOD", "REFUSED"),
    "a plate of another model": (Situation.WAITING, b"PLATE DH-3 DH6-00000001", "REFUSED"),
    "the code of a label": (Situation.WAITING, b"EOLSEQ-LABEL-1 UNIT REAL", "REFUSED"),
    "a number from a parcel": (Situation.WAITING, b"4006381333931", "REFUSED"),
    "the same badge": (Situation.WAITING, BADGE.encode(), "SIGNED IN"),
    "Ctrl-C": (Situation.WAITING, b"\x03", "NO CODE"),
    "control characters": (Situation.WAITING, b"DH6-00000001\x1b[A", "NO CODE"),
    "Unicode": (Situation.WAITING, "DH6-0000000１".encode(), "NO CODE"),
    "an over-long code": (Situation.WAITING, b"A" * 5000, "NO CODE"),
    "typed once": (Situation.WAITING, typed(GOOD), "TYPE AGAIN"),
    "an order without meaning": (Situation.WAITING, typed("destroyed"), "NOT NOW"),
    "the serial in place of the plate": (Situation.LABEL, GOOD.encode(), "SCAN PLATE"),
    "the label of nothing": (Situation.LABEL, b"EOLSEQ-LABEL-1 UNIT SIMULATED x/y 1 2 A 1 DH6-00000001 B", "WRONG LABEL"),
    "the plate of another unit": (Situation.LABEL, b"PLATE DH-6 DH6-00000009", "WRONG CODE"),
    "the next unit before the label": (Situation.LABEL, THIRD.encode(), "WRONG CODE"),
    "a check before the label": (Situation.LABEL, typed("verify"), "NOT NOW"),
    "the fate of a label that is on its unit": (Situation.PLATE, typed("found"), "NOT NOW"),
    "a badge before the plate": (Situation.PLATE, BADGE.encode(), "SIGNED IN"),
    "the label once more": (Situation.PLATE, b"EOLSEQ-LABEL-1 UNIT SIMULATED x/y 1 2 A 1 DH6-00000001 B", "WRONG LABEL"),
}


QUIET = ("WHO ARE YOU?", "NOT YET", "SIGNED IN", "NO CODE", "TYPE AGAIN", "NOT NOW", "SCAN PLATE")
"""Words after which nobody has to be called."""


def test_what_does_not_belong_is_turned_away_with_a_word_and_changes_nothing(tmp_path: Path) -> None:
    odd = {situation: [line for where, line, _ in ODD.values() if where is situation]
           for situation, _, _ in ODD.values()}
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD], odd)
        notes = [each for each in rig.told if isinstance(each, Note) and each.word not in ("GOOD", "UNIT DONE", "NEW LABEL")]
        for (name, (_, _, word)), note in zip(ODD.items(), notes, strict=True):
            assert note.word == word, name
            assert len(note.sentence) > 20, name
            assert note.call.startswith("Call ") or word in QUIET, name
        assert rig.outcomes() == [(GOOD, "pass")]
        assert len(rig.entries("begin")) == 1
        assert rig.after.pending is None


def test_what_is_scanned_while_a_test_runs_has_no_effect(tmp_path: Path) -> None:
    lines = [b"DH6-00000009", typed("end"), typed("out"), b"\x03", b"A" * 5000, BADGE.encode(), typed("found"), b"DH6-00000001"]
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, StepBegins | RunBegins):
                for line in lines:
                    rig.scan(line)
        rig.also = also
        rig.run([GOOD])
        assert rig.outcomes() == [(GOOD, "pass")]
        assert {each.word for each in rig.told if isinstance(each, Note) and each.running} <= {"NOT NOW", "TWICE"}
        assert rig.notes().count("NOT NOW") >= len(lines) * 6
        assert rig.inbox.ended == f"Ended by {BADGE}."  # by the person, after the unit


def test_a_double_scan_counts_once(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.also = lambda event: rig.scan_later(GOOD.encode(), 1.7) if event == Stands(
            Situation.WAITING, "Open the guard, put the unit in and connect it. Then scan its rating plate.", BADGE) else None
        rig.run([GOOD])
        assert rig.outcomes()[0] == (GOOD, "pass")
        assert "TWICE" in rig.notes()
        assert len(rig.entries("begin")) == 1


def test_a_serial_may_be_typed_twice_and_a_slip_is_seen(tmp_path: Path) -> None:
    odd = {Situation.WAITING: [typed(GOOD), typed(THIRD), typed(THIRD)]}
    with ShiftRig(tmp_path) as rig:
        rig.run([], odd)
        assert rig.outcomes() == [(THIRD, "pass")]
        assert rig.notes().count("TYPE AGAIN") == 2


def test_a_scan_starts_nothing_the_closing_guard_does(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.world.guard.closes_by_itself = False
        rig.world.guard.begun()
        rig.world.close_guard()  # closed long before the scan, after it was seen open
        rig.around._order = None  # nobody opens it for a unit
        rig.run([GOOD])
        assert rig.outcomes() == [(GOOD, "refused")]
        assert rig.note("REFUSED").sentence.startswith("The guard was not seen open")
        assert not rig.entries("begin", "energise")


def test_the_red_button_stops_and_the_next_unit_may_come(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, StepBegins) and event.index == 2 and not rig.outcomes():
                rig.world.press_stop()
            if isinstance(event, UnitOver):
                rig.world.press_stop(False)
        rig.also = also
        rig.run([GOOD, THIRD])
        assert rig.outcomes() == [(GOOD, "stopped"), (THIRD, "pass")]
        assert "stop button" in rig.note("STOPPED").sentence
        assert not list((tmp_path / "labels").glob(f"unit {GOOD}*"))


def test_a_reject_goes_to_rework_and_the_person_is_told_whom_to_call(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, defects={BAD: "pinched-wire"}) as rig:
        rig.run([BAD, BAD])
        assert rig.outcomes() == [(BAD, "fail"), (BAD, "refused")]
        assert "breakdown" in rig.note("REJECT").sentence.lower() or "trip" in rig.note("REJECT").sentence.lower()
        assert any(isinstance(each, Stands) and each.do.startswith(f"Hang its ticket on {BAD}") for each in rig.told)
        assert "rework" in rig.note("REFUSED").sentence
        assert rig.note("REFUSED").call == "Call the lead: line lead at desk 2"


def test_a_unit_with_its_label_on_is_not_tested_again(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD, GOOD])
        assert rig.outcomes() == [(GOOD, "pass"), (GOOD, "refused")]
        assert "label" in rig.note("REFUSED").sentence


# -- people -------------------------------------------------------------------------------------------------------


def test_a_trainee_tests_only_beside_somebody_qualified(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD], badge="op-21")
        assert rig.outcomes() == [(GOOD, "refused")]
        assert "trainee" in rig.note("REFUSED").sentence
        assert not rig.entries("begin")


def test_a_trainee_who_signs_in_after_somebody_qualified_tests(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.operator and rig.person is not None:
                rig.person.badge = "op-21"
        rig.also = also
        rig.run([GOOD], {Situation.WAITING: [b"op-21"]})
        assert rig.outcomes() == [(GOOD, "pass")]
        assert rig.entries("begin")[0]["operator"] == "op-21"
        assert [(each["person"], each["beside"]) for each in rig.entries("sign_in")] == [(BADGE, []), ("op-21", [BADGE])]


def test_whoever_signed_in_before_the_present_shift_signs_in_anew(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, checks=True, start=datetime(2026, 1, 5, 13, 59, 30, tzinfo=UTC)) as rig:
        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.situation is Situation.CHECK_DUE:
                rig.person = None
                rig.scan_later(typed("end"), 60.0)
        rig.also = also
        rig.run([])
        assert [each["event"] for each in rig.entries("sign_in")] == ["in", "out"]
        assert rig.entries("sign_in")[1]["time"].startswith("2026-01-05T14:00:00")
        assert "NEW SHIFT" in rig.notes()
        assert rig.situations()[-2:] == [Situation.SIGN_IN, Situation.ENDED]


def test_signing_out_and_in(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD], {Situation.WAITING: [typed("out")]})
        assert [each["event"] for each in rig.entries("sign_in")] == ["in", "out", "in"]
        assert rig.outcomes() == [(GOOD, "pass")]


# -- checks of the station ----------------------------------------------------------------------------------------


def test_checks_that_are_due_are_said_refuse_units_and_are_done_from_here(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, checks=True) as rig:
        rig.run([GOOD], {Situation.CHECK_DUE: [GOOD.encode()]})
        assert "Never verified" in rig.note("CHECK DUE").sentence
        assert [each.sentence for each in rig.told if isinstance(each, Note) and each.word == "CHECKED"] == [
            "All 9 instruments held against their known loads.", "All 7 reference units were caught."]
        assert rig.outcomes() == [(GOOD, "pass")]
        units = [each["serial"] for each in rig.entries("begin") if not each["serial"].startswith("REFERENCE-")]
        assert units == [GOOD]
        assert len(rig.entries("challenge")) == 1
    assert not audit(tmp_path / "records").findings


def test_a_reference_unit_that_is_missed_locks_the_station(tmp_path: Path) -> None:
    assert STATION.challenges is not None
    blind = dataclasses.replace(STATION.challenges, references=tuple(
        dataclasses.replace(each, simulated="") if each.name == "breakdown" else each
        for each in STATION.challenges.references))
    with ShiftRig(tmp_path, checks=True, challenges=blind) as rig:
        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.situation is Situation.LOCKED:
                rig.scan_later(GOOD.encode())
                rig.scan_later(typed("end"), 9.0)
        rig.also = also
        rig.run([GOOD])
        assert rig.log.locked() is not None
        assert Situation.LOCKED in rig.situations()
        assert rig.note("LOCKED").call == "Call maintenance: telephone 411"
        assert rig.outcomes() == []


# -- labels -------------------------------------------------------------------------------------------------------


class BrokenPrinter:
    """A printer that fails the first time."""

    name = "queue broken"

    def __init__(self) -> None:
        self.printed: list[str] = []
        self.asked = 0

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Fail, then print."""
        self.asked += 1
        if self.asked == 1:
            raise PrintFailed("lp says: out of paper")
        self.printed.append(name)
        return f"job {self.asked}"

    def ready(self) -> str:
        """As far as it knows."""
        return ""


@pytest.mark.parametrize("fate", ["destroyed", "found", "not-found"])
def test_a_label_that_may_be_missing_is_accounted_for_before_the_next_is_printed(fate: str, tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        printer = BrokenPrinter()
        assert rig.around.papers is not None
        rig.around.papers.paper.printer = printer
        rig.run([GOOD], {Situation.LABEL_MISSING: [THIRD.encode(), typed(fate)]})
        assert Situation.LABEL_MISSING in rig.situations()
        assert "WRONG CODE" in rig.notes()
        why = {each.why for each in rig.told if isinstance(each, Stands) and each.situation is Situation.LABEL_MISSING}
        assert why == {"The label may be missing: lp says: out of paper. Look for it at the printer, and put that right."}
        assert [(each["event"], each["copy"]) for each in rig.entries("label")] == [
            ("print", 1), ("unknown", 1), (fate.replace("-", " "), 1), ("print", 2), ("printed", 2), ("read back", 2)]
        assert rig.entries("label")[2]["by"] == BADGE
        assert rig.outcomes() == [(GOOD, "pass")]


def test_the_label_of_the_copy_before_is_not_the_right_one(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        codes: list[str] = []

        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.situation is Situation.LABEL and rig.person is not None:
                codes.append(rig.label_of(GOOD))
                if len(codes) == 1:
                    rig.person.odd = {Situation.LABEL: [typed("destroyed"), codes[0].encode()]}
        rig.also = also
        rig.run([GOOD])
        assert "WRONG LABEL" in rig.notes()
        assert [each["copy"] for each in rig.entries("label") if each["event"] == "read back"] == [2]


# -- the screen's facts ----------------------------------------------------------------------------------------------


def test_the_lamps_are_told_between_tests_and_a_silent_guard_unit_is_not_called_safe(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.situation is Situation.WAITING:
                rig.world.set_fault("silent", "guard")
                rig.scan_later(typed("end"), 20.0)
                rig.person = None
        rig.also = also
        rig.run([])
        seen = [each for each in rig.told if isinstance(each, SafetyState)]
        assert seen[0].green is True
        assert (seen[-1].green, seen[-1].red) == (None, None)


def test_the_contact_lets_a_unit_go_only_when_label_and_plate_are_right(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, defects={BAD: "poor-bond"}) as rig:
        closed: list[tuple[str, bool]] = []

        def also(event: Any) -> None:
            if isinstance(event, Stands):
                closed.append((str(event.situation), STATION.connections["release"] in rig.world.closed))
        rig.also = also
        rig.run([GOOD, BAD])
        assert closed[-1] == ("SHIFT OVER", False)
        waits = [now for word, now in closed if word == "SCAN UNIT"]
        assert waits == [False, True, False]
        assert {now for word, now in closed if word in ("SCAN LABEL", "SCAN PLATE")} == {False}


def test_descriptors_and_memory_do_not_grow_with_the_units(tmp_path: Path) -> None:
    looks: list[tuple[int, int]] = []
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, UnitOver):
                rig.told.clear()
                rig.world.changes.clear()
                gc.collect()
                looks.append((len(os.listdir("/proc/self/fd")), sys.getallocatedblocks()))
        rig.also = also
        rig.run([f"DH6-{number:08d}" for number in range(1, 11)])
    assert len(looks) == 10
    assert len({descriptors for descriptors, _ in looks[2:]}) == 1
    assert (looks[9][1] - looks[4][1]) / 5 < 400  # blocks a unit: its run and its label, as the log keeps them


def test_a_scan_that_a_fault_before_the_test_turns_away_leaves_a_remark(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        def also(event: Any) -> None:
            if isinstance(event, Stands) and event.situation is Situation.RUNNING and rig.outcomes():
                rig.world.obey({"fault": {"name": "garbled", "instrument": "switching"}})
        rig.also = also
        rig.run([GOOD, THIRD])  # the release contact is closed after the first, and cannot be opened for the second
        assert "REFUSED" in rig.notes()
        assert [each["serial"] for each in rig.entries("remark")] == [THIRD]
        assert [each["serial"] for each in rig.entries("begin")] == [GOOD]

"""The page of a shift that did not end in good order: after everything is safe, and else by the shift that follows, once."""

from __future__ import annotations

import dataclasses
import errno
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from eolseq.__main__ import main
from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.commands import printing
from eolseq.commands.printing import PrintFailed
from eolseq.commands.review_paper import TRIES, WITHIN, ShiftPaper, in_time, owes
from eolseq.errors import RecordFault, Refused
from eolseq.guard.inputs import Reason
from eolseq.line.shift_events import UnitOver
from eolseq.records.reader import Records
from eolseq.records.system import OperatingSystem
from eolseq.station.review_fields import ReviewRules
from tests.bays_rig import BaysRig
from tests.line.test_shift_bays import SIGN_IN, Day, plate
from tests.review.lines import Did, Line
from tests.review.test_paper import remarks, station
from tests.shift_rig import STATION, ShiftRig

GOOD, BAD = "DH6-00000001", "DH6-00000002"


def rig_at(folder: Path) -> ShiftRig:
    """A line bench in virtual time that writes its pages into a folder beside its records."""
    assert STATION.shift is not None
    return ShiftRig(folder, shift=dataclasses.replace(STATION.shift, review=ReviewRules(folder=str(folder / "pages"))))


def shift(rig: ShiftRig, units: list[str]) -> ShiftPaper:
    """A shift as the command runs one, with its page."""
    paper = ShiftPaper(rig.station)
    with paper.after(rig.log, rig.opened, rig.clock, lambda: rig.inbox.by_signal):
        rig.run(units)
    return paper


def pages(folder: Path) -> list[str]:
    """The digests of the pages that were written."""
    there = folder / "pages"
    return sorted(sha256(each.read_bytes()).hexdigest() for each in there.iterdir()) if there.exists() else []


def signal_after(rig: ShiftRig, seconds: float) -> None:
    """A signal ends the shift so many seconds after it began, as it does in the program."""
    def work() -> None:
        rig.clock.sleep(seconds)
        rig.opened.trip(Reason(False, "Stopped by SIGTERM.", "This unit needs a new run from the start."))
        rig.inbox.by_signal = True
        rig.inbox.ended = "Ended by SIGTERM."
    rig.clock.start("signal", work)


@pytest.mark.parametrize("seconds", [0.0, 7.0, 11.0, 14.0, 17.5, 23.0])
def test_a_signal_at_any_moment_leaves_a_page_once_everything_is_safe(quick_path: Path, seconds: float,
                                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    with rig_at(quick_path) as rig:
        live: list[bool] = []
        written = printing.Folder.print

        def look(self: printing.Folder, name: str, *given: Any, **more: Any) -> str:
            if name.startswith("shift review"):
                live.append(rig.opened.bays[0].door.voltage_possible or rig.world.voltage_at_unit() > 25.0)
            return written(self, name, *given, **more)

        monkeypatch.setattr(printing.Folder, "print", look)
        signal_after(rig, seconds)
        paper = shift(rig, [GOOD, BAD])
        begun = len(rig.entries("begin"))
        last = rig.entries("shift", "remark")[-1]
    if begun:
        assert live == [False] and len(pages(quick_path)) == 1
        assert last["kind"] == "remark" and pages(quick_path)[0] in last["reason"]
        assert paper.said.startswith("The page of this shift: wrote")
    else:
        assert not live and paper.said == "No unit was tested in this shift, so it has no page."


class Full(OperatingSystem):
    """A disk that is full from a moment on."""

    full = False

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        """Write, or fail."""
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(descriptor, data)


def next_shift(folder: Path, units: list[str]) -> tuple[list[str], ShiftPaper]:
    """The shift that follows, as the command starts one: what it told of a page, and its paper."""
    told: list[str] = []
    rig = rig_at(folder)
    paper = ShiftPaper(rig.station)
    if (folder / "records/log.jsonl").exists():
        paper.notice(Records.open(folder / "records"))
    with rig:
        paper.owed(rig.log, told.append)
        with paper.after(rig.log, rig.opened, rig.clock, lambda: False):
            rig.run(units)
    return told, paper


def test_a_log_that_takes_no_more_owes_its_page_to_the_next_start_and_to_no_other(quick_path: Path) -> None:
    with rig_at(quick_path) as rig:
        disk = rig.log._os = Full()  # type: ignore[assignment]

        def fill() -> None:
            rig.clock.sleep(20.0)
            disk.full = True
        rig.clock.start("disk", fill)
        paper = ShiftPaper(rig.station)
        with pytest.raises(RecordFault), paper.after(rig.log, rig.opened, rig.clock, lambda: False):
            rig.run([GOOD, BAD])
        assert paper.said.startswith("NO PAGE of this shift: ") and "The next shift at this station prints it." in paper.said
        assert not pages(quick_path) and rig.entries("shift")[-1]["event"] == "begin"
        begun, cut = rig.entries("begin"), rig.entries("shift")[-1]["time"]
    told, after = next_shift(quick_path, [])
    assert len(told) == 1 and told[0].startswith("The page of the shift before: wrote") and begun
    assert after.said == f"{told[0]} No unit was tested in this shift, so it has no page."
    (page,) = pages(quick_path)
    reasons = [each["reason"] for each in rig.entries("remark", "shift")]
    assert sum(page in (each or "") for each in reasons) == 1 and rig.entries("shift")[0]["time"] == cut
    assert next_shift(quick_path, [])[0] == [] and pages(quick_path) == [page]


def test_an_error_that_nobody_foresaw_leaves_a_page_and_goes_on(quick_path: Path) -> None:
    with rig_at(quick_path) as rig:
        def fail(event: object) -> None:
            if isinstance(event, UnitOver):
                raise ValueError("nobody foresaw this")
        rig.also = fail
        paper = ShiftPaper(rig.station)
        with pytest.raises(ValueError, match="nobody foresaw this"), \
                paper.after(rig.log, rig.opened, rig.clock, lambda: False):
            rig.run([GOOD])
        end, page = rig.entries("shift", "remark")[-2:]
        assert end["event"] == "end" and "nobody foresaw this" in end["reason"] and pages(quick_path)[0] in page["reason"]
        assert paper.said.startswith("The page of this shift: wrote")


def test_voltage_that_may_be_present_comes_before_paper(quick_path: Path) -> None:
    with rig_at(quick_path) as rig:
        door = rig.opened.bays[0].door
        paper = ShiftPaper(rig.station)
        with paper.after(rig.log, rig.opened, rig.clock, lambda: False):
            rig.run([GOOD])
            door.voltage_possible = True
        assert "voltage may be present" in paper.said and not pages(quick_path)
        door.voltage_possible = False
    told, _ = next_shift(quick_path, [])
    assert told[0].startswith("The page of the shift before: wrote") and len(pages(quick_path)) == 1


def test_a_printer_that_failed_is_asked_once_more_by_the_next_shift(quick_path: Path,
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    line, tries = Line(quick_path), list[str]()

    def fails(self: printing.Folder, name: str, *_: Any) -> str:
        tries.append(name)
        raise PrintFailed("no paper")

    monkeypatch.setattr(printing.Folder, "print", fails)
    rules = ReviewRules(folder=str(quick_path / "pages"))
    with line.log:
        line.shift("begin")
        line.did(Did("pass"))
        line.shift("end")
        ShiftPaper(station(line, rules)).print(line.log)
        for expected in ("Look for it there, or make it by hand: eolseq review --shift 1 --pdf FILE.", "", ""):
            paper = ShiftPaper(station(line, rules))
            line.log.checkpoint()
            paper.notice(Records.open(quick_path / "records"))
            paper.owed(line.log, lambda _: None)
            assert expected in paper.said and bool(paper.said) == bool(expected)
        assert len(tries) == TRIES == len(remarks(line))


MARKS: dict[str, tuple[list[tuple[str, str]], list[int], bool]] = {
    "nothing": ([], [], False),
    "no shift": ([("remark", "Page of x")], [0], False),
    "cut off": ([("begin", "a")], [1], True),
    "cut off without a unit": ([("begin", "a")], [0], False),
    "ended": ([("begin", "a"), ("end", "a")], [1], True),
    "printed": ([("begin", "a"), ("end", "a"), ("remark", "Page of this shift, q")], [1], False),
    "printed, then another": ([("begin", "a"), ("remark", "Page of this shift, q"), ("begin", "a")], [5], True),
    "printed, of two bays": ([("begin", "a"), ("begin", "b"), ("end", "a"), ("end", "b"), ("remark", "Page of ")], [2], False),
    "two bays, one cut off": ([("begin", "a"), ("begin", "b"), ("end", "a")], [2], True),
    "missing once": ([("begin", "a"), ("remark", "The page of this shift may be missing")], [1], True),
    "missing twice": ([("begin", "a"), *[("remark", "The page of this shift may be missing")] * 2], [1], False),
    "a person's words": ([("begin", "a"), ("remark of a unit", "Page of this shift")], [1], True),
}


@pytest.mark.parametrize("case", MARKS)
def test_which_shifts_owe_a_page(case: str) -> None:
    marks, units, expected = MARKS[case]
    entries = []
    for index, (what, text) in enumerate(marks):
        if what.startswith("remark"):
            serial = GOOD if "unit" in what else None
            entries.append((index, {"kind": "remark", "serial": serial, "reason": text}))
        else:
            entries.append((index, {"kind": "shift", "event": what, "bay": text}))
    assert owes(entries, units) is expected


def test_a_shift_that_is_to_end_at_once_is_not_held_up_by_a_long_log() -> None:
    clock = VirtualClock()
    entries: list[tuple[int, dict[str, Any]]] = [(index, {}) for index in range(100)]

    def slow() -> Any:
        for each in entries:
            clock.sleep(1.0)
            yield each
    through: Callable[[Any], Any] = in_time((clock, clock.monotonic() + WITHIN))
    with pytest.raises(Refused, match="not made within 30 s"):
        list(through(slow()))
    assert clock.monotonic() <= WITHIN + 1.0
    assert list(in_time(None)(entries)) == entries


def test_an_earlier_shift_is_named_by_its_first_entry(quick_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                     capsys: pytest.CaptureFixture[str]) -> None:
    line = Line(quick_path)
    with line.log:
        first = line.shift("begin")
        line.all([Did("pass"), Did("fail")])  # cut off
        second = line.shift("begin")
        line.did(Did("stopped"))
        line.shift("end")
        line.log.checkpoint()
    monkeypatch.chdir(quick_path)
    assert main(["review", "--shift", str(first)]) == 0
    assert f"Review of the shift of entry {first}: 1 pass, 1 fail" in capsys.readouterr().out
    assert main(["review", "--shift", str(second)]) == main(["review", "--shift"]) == 0
    assert capsys.readouterr().out.count("Review of the last shift: 1 stopped") == 2
    assert main(["review", "--shift", "3"]) == 2
    assert f"The last ones begin with {first}, {second}." in capsys.readouterr().err


@pytest.mark.parametrize("seconds", [12.0, 16.0, 21.0])
def test_several_bays_get_one_page_once_every_bay_is_safe(quick_path: Path, seconds: float,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    live: list[float] = []
    with BaysRig(quick_path) as rig:
        written, day = printing.Folder.print, Day(rig)

        def look(self: printing.Folder, name: str, *given: Any, **more: Any) -> str:
            assert not any(bay.door.voltage_possible for bay in rig.opened.bays)
            live.extend(bay.voltage_at_unit() for bay in rig.hall.bays.values())
            return written(self, name, *given, **more)

        def kill() -> None:
            rig.clock.sleep(seconds)
            rig.opened.trip(Reason(False, "Stopped by SIGTERM.", "This unit needs a new run from the start."))
            day.work.board.by_signal = True
            day.work.board.ended = "Ended by SIGTERM."

        monkeypatch.setattr(printing.Folder, "print", look)
        rig.clock.start("signal", kill)
        assert rig.station.shift is not None
        pages_at = dataclasses.replace(rig.station.shift, review=ReviewRules(folder=str(quick_path / "pages")))
        paper = ShiftPaper(dataclasses.replace(rig.station, shift=pages_at))
        with paper.after(rig.log, rig.opened, rig.clock, lambda: day.work.board.by_signal):
            day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate(GOOD)), (1.5, "bay-2"), (1.0, plate(BAD)), (60.0, "=end"))
        assert [outcome for _, _, outcome in day.outcomes()].count(Outcome.STOPPED) >= 1
    assert len(pages(quick_path)) == 1 and "The page of this shift: wrote" in paper.said
    assert len(live) == 2 and max(live) < 25.0

"""The program ends in the middle of a shift and is started again: what is said first, what is required, what is kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from eolseq.engine.events import SafetyState, StepBegins
from eolseq.line.after_pass import LABEL, PLATE
from eolseq.line.shift_events import Note, ShiftBegins, Situation, Stands
from tests.shift_rig import ShiftRig, typed

GOOD, THIRD = "DH6-00000001", "DH6-00000003"


class Cut(BaseException):
    """The program is gone."""


def cut_at(rig: ShiftRig, where: Any) -> None:
    """Let the program end when something is told."""
    def also(event: Any) -> None:
        if where(event):
            raise Cut
    rig.also = also


@pytest.mark.parametrize(("step", "voltage"), [(0, "Nothing had been energised"), (1, "VOLTAGE MAY HAVE BEEN ON")])
def test_after_a_cut_the_unit_is_named_first_and_needs_a_new_run(step: int, voltage: str, tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        cut_at(rig, lambda event: isinstance(event, StepBegins) and event.index == step)
        with pytest.raises(Cut):
            rig.run([GOOD])
        kept = rig.log.size
    with ShiftRig(tmp_path) as again:
        assert isinstance(again.told[0], ShiftBegins)  # which station, and that it is simulated
        first = again.told[1]
        assert isinstance(first, Stands)
        assert first.situation is Situation.AFTER_CUT
        assert f"Unit {GOOD} was under test in bay-1" in first.why
        assert voltage in first.do
        assert "a new run from the start" in first.do
        proved = next(each for each in again.told if isinstance(each, Note))
        assert proved.word == "POWER CUT"
        assert "proved dead" in proved.sentence
        assert again.world.closed == set()
        assert [each["serial"] for each in again.entries("abandon")] == [GOOD]
        assert again.log.size > kept
        again.run([GOOD])
        begins = next(i for i, each in enumerate(again.told) if isinstance(each, ShiftBegins) and i)
        assert again.told.index(first) < again.told.index(proved) < begins
        assert again.outcomes() == [(GOOD, "pass")]
        assert [each["attempt"] for each in again.entries("begin")] == [1, 2]
        assert [each["operator"] for each in again.entries("begin")] == ["op-07", "op-07"]
        assert len(again.entries("sign_in")) == 2  # nobody stays signed in over a cut


def test_nothing_is_said_of_a_cut_after_a_shift_that_ended(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD])
    with ShiftRig(tmp_path) as again:
        assert again.told == []
        assert again.after.pending is None


def test_a_label_that_was_printed_is_read_back_after_the_cut(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        cut_at(rig, lambda event: isinstance(event, SafetyState) and rig.after.pending is not None)
        with pytest.raises(Cut):
            rig.run([GOOD])
        code = rig.label_of(GOOD)
    with ShiftRig(tmp_path) as again:
        pending = again.after.pending
        assert pending is not None
        assert pending.printed is not None
        assert (pending.serial, pending.sure, pending.printed.code) == (GOOD, True, code)
        assert pending.want == {LABEL, PLATE}
        again.run([THIRD])
        assert again.situations()[:5] == [Situation.SIGN_IN, Situation.CAUTIONS, Situation.LABEL, Situation.PLATE,
                                          Situation.WAITING]
        assert [each["event"] for each in again.entries("label")][:3] == ["print", "printed", "read back"]
        assert again.outcomes() == [(THIRD, "pass")]


@pytest.mark.parametrize("moment", ["before its entry", "before the printer"])
def test_a_label_that_may_not_be_there_is_asked_for_after_the_cut(moment: str, tmp_path: Path,
                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    with ShiftRig(tmp_path) as rig:
        assert rig.around.papers is not None
        paper = rig.around.papers.paper

        def gone(*_: Any, **__: Any) -> Any:
            raise Cut

        if moment == "before its entry":
            monkeypatch.setattr(paper, "label", gone)
        else:
            monkeypatch.setattr(paper.printer, "print", gone)
        with pytest.raises(Cut):
            rig.run([GOOD])
    with ShiftRig(tmp_path) as again:
        again.run([], {Situation.LABEL_MISSING: [THIRD.encode(), typed("not-found")]})
        assert Situation.LABEL_MISSING in again.situations()
        assert again.outcomes() == []
        events = [(each["event"], each["copy"]) for each in again.entries("label")]
        assert events == ([("print", 1), ("printed", 1), ("read back", 1)] if moment == "before its entry" else
                          [("print", 1), ("not found", 1), ("print", 2), ("printed", 2), ("read back", 2)])


def test_a_label_that_was_read_back_is_not_asked_for_again(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        cut_at(rig, lambda event: isinstance(event, Note) and event.word == "UNIT DONE")
        with pytest.raises(Cut):
            rig.run([GOOD])
    with ShiftRig(tmp_path) as again:
        assert again.after.pending is None

"""What is said where something is missing: no log, no label, no room in a column, no way to enter a result now."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands import enter, labelling, records, signing
from eolseq.commands.run import _print_paper
from eolseq.engine.events import StepBegins
from eolseq.engine.run import RunResult
from eolseq.errors import InUse, RecordFault
from eolseq.line.shift import TYPED, TYPED_BACK
from eolseq.line.shift_events import Note, Situation, Stands, UnitOver
from eolseq.line.unit_state import Standing, state_of
from eolseq.records.reader import Records
from eolseq.screen.shift_model import ShiftView
from tests.line.labels import SEQUENCE, SERIAL, STATION, MemoryPrinter, log_with, paper
from tests.shift_rig import ShiftRig, typed

GOOD, NEXT = "DH6-00000001", "DH6-00000002"


def test_a_shift_whose_log_takes_no_more_ends_by_itself_with_everything_off(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        def also(event: object) -> None:
            if isinstance(event, StepBegins) and event.index == 2:
                rig.log._broken = "The disk is full."
        rig.also = also
        with pytest.raises(RecordFault, match=r"not written any more.*The disk is full") as raised:
            rig.run([GOOD, NEXT])
        assert raised.value.exit_code == 5 and raised.value.do.startswith("Keep voltage off.")
        last = [each for each in rig.told if isinstance(each, Stands)][-1]
        assert last.situation is Situation.ENDED and "The disk is full." in last.do
        assert rig.outcomes() == [(GOOD, "fault")], "the second unit was not begun"
        assert not rig.around.safety("waiting").voltage_possible
        assert rig.clock.monotonic() < 120.0


def test_a_locked_station_still_shows_the_unit_of_its_last_test() -> None:
    view = ShiftView()
    for event in (Stands(Situation.RUNNING, ""), UnitOver(GOOD, Outcome.FAULT, "No answer.", False),
                  Note("FAULT", "No answer."), Stands(Situation.LOCKED, "Test nothing here.")):
        view.tell(event, 0.0)
    assert view.over is not None and view.over.serial == GOOD


@pytest.mark.parametrize(("fails", "labelled"), [(False, True), (True, False)])
def test_a_unit_that_passed_without_a_label_is_said_to_have_none(
        fails: bool, labelled: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    with log_with(tmp_path) as log:
        printer = paper(MemoryPrinter())
        if fails:
            def no_label(*_: object, **__: object) -> None:
                raise RecordFault("The log is full.", "Free space.")
            printer = SimpleNamespace(label=no_label)  # type: ignore[assignment]
        monkeypatch.setattr(labelling.Paper, "of", lambda _: printer)
        result = RunResult(Outcome.PASS, "Every step passed.", SERIAL, 1, True, log.size - 1, ())
        assert _print_paper(STATION, log, SEQUENCE, result) is labelled
        said = capsys.readouterr().err
    assert ("NO LABEL. The log is full. Free space." in said) is fails
    assert (f"Unit {SERIAL} passed, which stands, but it has no label" in said) is fails


def test_columns_of_records_stay_where_they_are_under_a_long_serial(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        found = Records.open(log.path.parent)
        runs = [*found.runs(), dataclasses.replace(found.runs()[0], serial="REFERENCE-NO-UNIT-AT-ALL")]
        head, *rows = records._words(found, runs, None, None)[2:]
    assert len(rows) == 2
    assert {row.index(run.outcome) for row, run in zip(rows, runs, strict=True)} == {head.index("outcome")}


@pytest.mark.parametrize(("folder", "word"), [("arrived", "watched folder arrived"), ("", "named under 'earlier'")])
def test_a_result_that_cannot_be_entered_during_a_shift_is_told_its_way(folder: str, word: str,
                                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    def taken(_: object) -> None:
        raise InUse("The log is in use by another process.", "End the other eolseq on this station first.")
    monkeypatch.setattr(signing, "open_log", taken)
    with pytest.raises(InUse, match=word) as raised:
        enter._log_of(SimpleNamespace(earlier=SimpleNamespace(folder=folder)))  # type: ignore[arg-type]
    assert "End the other eolseq" in str(raised.value) and raised.value.exit_code == 3


@pytest.mark.parametrize("way", ["scanned", "typed"])
def test_a_serial_or_plate_that_was_typed_is_a_remark(way: str, tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        plate = typed(rig.plate_of(GOOD))
        odd = {Situation.WAITING: [typed(GOOD)] * 2, Situation.PLATE: [plate] * 2} if way == "typed" else None
        rig.run([] if odd else [GOOD], odd)
        said = [(each["serial"], each["reason"]) for each in rig.entries("remark")]
        assert rig.outcomes() == [(GOOD, "pass")] and "UNIT DONE" in rig.notes()
        state = state_of(Records.open(Path(rig.station.records)), GOOD)
    assert said == ([(GOOD, TYPED), (GOOD, TYPED_BACK)] if odd else [])
    assert state.standing is Standing.PASSED, "a remark speaks against nothing"

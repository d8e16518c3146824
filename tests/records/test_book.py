"""What a log answers about runs, units and labels, held to a list of its entries that a loop goes through.

The list is this test's own model: it keeps every entry and knows no database. The plant is invented.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.clock import VirtualClock
from eolseq.errors import NotGenuine, RecordFault
from eolseq.records import entries, kept, line_entries
from eolseq.records.book import RunBook
from eolseq.records.check_entries import EarlierCheck
from eolseq.records.fixture_entries import Fixture
from eolseq.records.label_entries import LabelFate, LabelPrint
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.records.runs import Glance
from tests.records.samples import begin, end, energise, open_log

SERIALS = ("U-1", "U-2", 'odd "\\ é', "REFERENCE-GOOD")
BAYS = ("bay-1", "bay-2")
ABOUT = {"rework", "release", "void", "label", "earlier_check"}
CARRIED = {"genesis", "verification", "unlock", "rework", "release", "fixture"}

Said = list[tuple[int, dict[str, Any]]]
"""Every entry so far: its index and payload, as the log's own file has them."""


class Model:
    """The questions of a log, each answered by a walk over all its entries."""

    def __init__(self, said: Said) -> None:
        self.said = said

    def runs(self, serial: str | None = None) -> list[dict[str, Any]]:
        found = []
        for index, each in self.said:
            if each["kind"] != "begin" or serial not in (None, each["serial"]):
                continue
            run = {"index": index, "serial": each["serial"], "attempt": each["attempt"], "bay": each["bay"],
                   "trial": each["trial"], "began": each["time"], "outcome": "open", "ended": None, "closed_by": None,
                   "energised": False, "withstand_applications": 0}
            for later, one in self.said:
                if one.get("run") == index and one["kind"] == "energise":
                    run["energised"] = True
                    run["withstand_applications"] += one["kind_of_step"] == "dielectric_withstand"
                elif one.get("run") == index and one["kind"] in ("end", "abandon"):
                    run |= {"outcome": one.get("outcome", "abandoned"), "ended": one["time"], "closed_by": later}
            found.append(run)
        return found

    def since(self, index: int, bay: str) -> list[dict[str, Any]]:
        return [run for run in self.runs() if run["index"] > index and run["serial"] != "REFERENCE-GOOD"
                and bay in ("", run["bay"])]

    def about(self, serial: str) -> Said:
        return [(index, each) for index, each in self.said if each["kind"] in ABOUT and each["serial"] == serial]


def do(log: Log, word: str, serial: str, bay: str) -> None:
    """Write one entry of a kind, where it may stand; else nothing."""
    runs = log.runs(serial)
    last = runs[-1] if runs else None
    is_open = last is not None and last.outcome == "open"
    if word == "begin" and not is_open:
        log.append(replace(begin(log, serial), bay=bay, trial="yes" if bay == "bay-2" and serial == "U-2" else "no"))
    elif word in ("withstand", "bond") and last is not None and is_open:
        kind = "dielectric_withstand" if word == "withstand" else "ground_bond"
        log.append(replace(energise(last.index), kind_of_step=kind))
    elif word in ("pass", "fail") and last is not None and is_open:
        log.append(replace(end(log, last.index, serial, word), trial=last.trial, bay=last.bay))
    elif word == "abandon" and last is not None and is_open:
        log.append(entries.Abandon(run=last.index, serial=serial, reason="cut off", energised="yes"))
    elif word == "label" and last is not None and (last.outcome, last.trial) == ("pass", "no"):
        _label(log, serial, last.closed_by or 0, "unit" if bay == "bay-1" else "carton")
    elif word in SAID and last is not None and not is_open:
        log.append(SAID[word](serial, last.closed_by or 0))
    elif word in ALONE:
        log.append(ALONE[word](bay))


def _label(log: Log, serial: str, end: int, of: Any) -> None:
    copies = [each.copy for each in log.labels(serial) if each.of == of]
    copy = max(copies, default=0) + 1
    at = log.append(LabelPrint(serial=serial, end=end, copy=copy, of=of, reason=None, by=None, printer="folder",
                               digest="00" * 32, code="x" * 40, said={"model": "DHC-6"}))
    log.append(LabelFate(serial=serial, event="printed", end=end, copy=copy, of=of, label=at, reason=None, by=None))


SAID: dict[str, Callable[[str, int], Any]] = {
    "rework": lambda serial, run: line_entries.Rework(serial=serial, run=run, sequence="duct heater 6 kW", cause="a wire",
                                                      changed="the wire", by="op-1", lead="no"),
    "release": lambda serial, run: line_entries.Release(serial=serial, run=run, reason="near enough", by="q-1"),
    "void": lambda serial, run: line_entries.Void(serial=serial, run=run, reason="opened", by="op-1"),
    "leak": lambda serial, run: EarlierCheck(serial=serial, check="tracer-gas-leak", result="pass", stated="pass",
                                             sentence="stated pass", made="2026-03-02T10:00:00Z", by="op-1",
                                             source="leak-tester-2"),
}
ALONE: dict[str, Callable[[str], Any]] = {
    "verify": lambda bay: entries.Verification(instrument=entries.InstrumentNamed("wt", "WT-5", "1001"), outcome="pass",
                                               sentence=f"It reads the known load right at {bay}."),
    "lock": lambda bay: entries.Lock(reason=f"Dead was not proved at {bay}.", do="Measure before opening."),
    "unlock": lambda bay: entries.Unlock(by="demo", reason="Dead proved at the start."),
    "mount": lambda bay: Fixture(fixture=f"nest of {bay}", what="mounted", outcome="pass", sentence="It is there.",
                                 by="the program", station_digest="cd" * 32, bay=bay),
}
WORDS = ("begin", "withstand", "bond", "pass", "fail", "abandon", "label", *SAID, *ALONE)
COURSES = st.lists(st.tuples(st.sampled_from(WORDS + ("begin", "pass", "label") * 3), st.sampled_from(SERIALS),
                             st.sampled_from(BAYS)), min_size=1, max_size=40)


def compare(log: Log | Records, model: Model) -> None:
    """Every question of a log, open for writing or only read, has the answer of the list."""
    for serial in (*SERIALS, "never seen", "half \ud800"):
        wanted = model.runs(serial)
        assert [{name: getattr(run, name) for name in wanted[0]} for run in log.runs(serial)] == wanted
        about = log.about(serial)
        assert [(each.index, each.kind, each.time) for each in about] == [
            (index, each["kind"], each["time"]) for index, each in model.about(serial)]
        for seen, (_, payload) in zip(about, model.about(serial), strict=True):
            names = ("event", "end", "copy", "of") if seen.kind == "label" else tuple(payload)
            assert dict(seen.payload) == {name: payload[name] for name in names}
        assert [(each.index, each.event, each.copy, each.of) for each in log.labels(serial)] == [
            (index, each["event"], each["copy"], each["of"]) for index, each in model.about(serial)
            if each["kind"] == "label"]
    for index in (-1, 0, len(model.said) // 2, len(model.said) - 1):
        for bay in ("", *BAYS, "nowhere"):
            wanted = model.since(index, bay)
            assert log.runs_since(index, bay) == len(wanted)
            first = log.first_unit_since(index, bay)
            assert (first is None and not wanted) or first == wanted[0]["began"] or \
                (first is not None and first.strftime("%Y-%m-%dT%H:%M:%S.%fZ") == wanted[0]["began"])
    carried = [(index, each) for index, each in model.said if each["kind"] in CARRIED]
    assert [(each.index, each.kind, dict(each.payload)) for each in log.documents] == [
        (index, each["kind"], each) for index, each in carried]
    assert len(log.documents) == len(carried) and log.documents[-1].index == carried[-1][0]
    assert [each.index for each in log.documents[1:]] == [index for index, _ in carried[1:]]
    locks = [(index, each["kind"]) for index, each in model.said if each["kind"] in ("lock", "unlock")]
    locked = log.locked()
    assert (locked and locked.index) == (locks[-1][0] if locks and locks[-1][1] == "lock" else None)


@given(COURSES)
@settings(max_examples=40, deadline=None)
def test_a_log_answers_every_question_like_a_list_of_its_entries(course: list[tuple[str, str, str]]) -> None:
    with pytest.MonkeyPatch.context() as patch, tempfile.TemporaryDirectory() as name:
        patch.setattr(kept, "_TOGETHER", 3)  # so that rows wait, are written and are read over several pages
        clock = VirtualClock()
        with open_log(Path(name), clock=clock) as log:
            for word, serial, bay in course:
                clock.sleep(0.25)
                do(log, word, serial, bay)
            log.checkpoint()
            records = Records.open(Path(name) / "records")
            model = Model([(each.index, each.payload) for each in records.entries()])
            for each in (log, records):
                compare(each, model)
            for serial in SERIALS:
                applied = sum(run["withstand_applications"] for run in model.runs(serial))
                assert log.withstand_applications(serial) == applied
                assert [each.outcome for each in log.attempts(serial)] == [
                    run["outcome"] for run in model.runs(serial)]
            still = [run["index"] for run in model.runs() if run["outcome"] == "open"]
            assert [each.index for each in log.open_runs()] == [each.index for each in records.open_runs()] == still
        assert [(run.index, run.outcome) for run in records.runs()] == [
            (run["index"], run["outcome"]) for run in model.runs()]
        for run in model.runs():
            assert records.run(run["index"]).serial == run["serial"]
        for bay in ("", *BAYS):
            last = records.last_on_a_unit(bay)
            assert (last and last.index) == max((run["index"] for run in model.since(-1, bay)), default=None)


# -- what does not fit ------------------------------------------------------------------------------------------

BEGIN: dict[str, object] = {"serial": "U-1", "attempt": 1, "mode": "simulated", "trial": "no", "bay": "bay-1"}
LABEL: dict[str, object] = {"serial": "U-1", "event": "print", "end": 2, "copy": 1, "of": "unit"}
MISFITS: dict[str, tuple[str, dict[str, object]]] = {
    "a begin without a serial": ("begin", {name: BEGIN[name] for name in BEGIN if name != "serial"}),
    "a serial that is a list": ("begin", {**BEGIN, "serial": ["U-1"]}),
    "a serial that no line can carry": ("begin", {**BEGIN, "serial": "\ud800"}),
    "an attempt that is no number": ("begin", {**BEGIN, "attempt": "first"}),
    "a bay that is a number": ("begin", {**BEGIN, "bay": 1}),
    "an energise of no run": ("energise", {"run": 77, "kind_of_step": "ground_bond"}),
    "an end of no run": ("end", {"run": 77, "serial": "U-1", "outcome": "pass"}),
    "an end of another unit's run": ("end", {"run": 1, "serial": "U-2", "outcome": "pass"}),
    "an end without an outcome": ("end", {"run": 1, "serial": "U-1"}),
    "an outcome that is a number": ("end", {"run": 1, "serial": "U-1", "outcome": 7}),
    "an abandon of another unit's run": ("abandon", {"run": 1, "serial": "U-2"}),
    "a lock without a reason": ("lock", {"do": "Measure."}),
    "a label without a copy": ("label", {name: LABEL[name] for name in LABEL if name != "copy"}),
    "a label's event that is a list": ("label", {**LABEL, "event": ["print"]}),
    "a label's copy that is no number": ("label", {**LABEL, "copy": None}),
    "a rework of no unit": ("rework", {"changed": None}),
}


@pytest.mark.parametrize("name", MISFITS)
def test_what_does_not_fit_the_entries_before_it_is_not_genuine(name: str) -> None:
    kind, fields = MISFITS[name]
    book = RunBook(Path("no log"))
    book.note(1, bytes(32), Glance("begin", "2026-01-05T06:00:00.000000Z", BEGIN))
    with pytest.raises(NotGenuine, match=f"Entry 2 .{kind}. does not fit"):
        book.note(2, bytes(32), Glance(kind, "2026-01-05T06:00:01.000000Z", fields))
    assert not book.fault and [run.serial for run in book.runs("U-1")] == ["U-1"]


def test_a_refused_entry_is_not_noted(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        run = log.append(begin(log))
        for wrong in (energise(run + 9), replace(end(log, run), serial="U-2"), replace(begin(log), attempt=7)):
            with pytest.raises(RecordFault, match="Nothing was written"):
                log.append(wrong)
        assert log.size == 2 and [each.outcome for each in log.runs("DH6-00000001")] == ["open"]
        log.append(end(log, run))
        assert [each.outcome for each in log.runs("DH6-00000001")] == ["pass"]

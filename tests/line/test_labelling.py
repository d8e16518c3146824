"""Printing a label: only on a pass, in the one order of writing, and what comes of everything that can go wrong."""

from __future__ import annotations

import dataclasses
import json
import os
import stat
from base64 import b64decode
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.labelling import Paper, Why, label_gate
from eolseq.commands.printing import Folder, PrintFailed, Queue
from eolseq.errors import RecordFault, Refused
from eolseq.line.label import label_state, plate_reads_as, reads_as
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.label_entries import CARTON, LabelPrint
from eolseq.records.line_entries import Void
from eolseq.records.log import Log
from eolseq.records.scan import CHECKPOINT_NAME
from eolseq.serials import reserved
from eolseq.station.label_fields import LabelRules
from tests.line.labels import (
    SEQUENCE,
    SERIAL,
    STATION,
    MemoryPrinter,
    log_with,
    needs_readers,
    paper,
    scanned,
    words_in,
)
from tests.line.stories import tell
from tests.records.samples import FixedSystem, begin, end, open_log, whole_run


def payloads(log: Log) -> list[dict[str, Any]]:
    """What is on the disk, line by line."""
    lines = log.path.read_bytes().splitlines()
    return [json.loads(b64decode(json.loads(line)["payload"])) for line in lines]


@needs_readers
def test_the_order_of_writing(tmp_path: Path) -> None:
    """When the printer is told, end, checkpoint and label entry are on the disk, and nothing else says it is printed."""
    with log_with(tmp_path) as log:
        end = log.size - 1
        seen: list[list[dict[str, Any]]] = []
        printer = MemoryPrinter(seen=lambda: seen.append(payloads(log)))
        outcome = paper(printer).label(log, SEQUENCE, SERIAL)
        before, after = seen[0], payloads(log)
        said, pdf = before[-1], printer.printed[0][1]
        assert [each["kind"] for each in before[end:]] == ["end", "label"]
        assert (said["event"], said["serial"], said["end"], said["copy"], said["of"]) == ("print", SERIAL, end, 1, "unit")
        assert said["digest"] == sha256(pdf).hexdigest()
        assert f"\n{end + 1}\n" in log.path.with_name(CHECKPOINT_NAME).read_text(), "the checkpoint reaches the end"
        assert said["code"].split(" ")[4:6] == [str(end), str(end + 1)]
        assert after[-1]["event"] == "printed" and after[-1]["label"] == end + 1 == outcome.printed.entry
        assert outcome.sure and outcome.state == "printed"
        words = " ".join(words_in(pdf).split())
        assert all(" ".join(each.split()) in words for each in said["said"].values()), "what the entry says is on paper"
        assert audit(log.path).findings_count == 0


def test_the_short_record_id_is_the_entry_and_its_leaf_hash(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        end = log.size - 1
        line = log.path.read_bytes().splitlines()[end]  # the leaf hash of RFC 6962 is over a zero byte and the line
        outcome = paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL)
        assert outcome.printed.label.record == f"{end}-{sha256(bytes(1) + line).hexdigest()[:8]}"


NO_LABEL = {
    "fail": "It FAILED", "undecided": "TO QUALITY", "stopped": "STOPPED", "fault": "FAULT", "abandoned": "cut off",
    "open": "has not ended",
}


@pytest.mark.parametrize("of", ["unit", "carton"])
@pytest.mark.parametrize("outcome", NO_LABEL)
def test_nothing_but_a_pass_gets_a_label(outcome: str, of: Any, tmp_path: Path) -> None:
    with log_with(tmp_path, outcome) as log:
        refused(log, NO_LABEL[outcome], of=of)


def refused(log: Log, told: str, of: Any = "unit", why: Why | None = None) -> None:
    """Nothing is written and nothing is printed, and the sentence says why."""
    size, printer = log.size, MemoryPrinter()
    with pytest.raises(Refused, match=told):
        paper(printer).label(log, SEQUENCE, SERIAL, of, why)
    assert log.size == size and not printer.printed


def test_a_trial_gets_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path, trial="yes") as log:
        refused(log, "TRIAL")


def test_a_unit_that_was_never_tested_gets_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path, serial="DH6-00000002") as log:
        refused(log, "never tested")


def test_a_voided_pass_gets_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        log.append(Void(serial=SERIAL, run=log.size - 1, reason="covers opened", by="op-07"))
        refused(log, "its pass is void")


def test_a_pass_with_a_late_fail_of_an_earlier_check_gets_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        tell(log, "leak fail 10", SERIAL)
        refused(log, "Have that check made again")
        refused(log, "Have that check made again", CARTON)


def test_a_pass_before_a_failure_gets_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        whole_run(log, SERIAL, "fail")
        refused(log, "It FAILED")


def test_a_reference_unit_gets_no_label(tmp_path: Path) -> None:
    serial = "REFERENCE-GOOD"
    assert reserved(serial)
    with log_with(tmp_path, serial=serial) as log, pytest.raises(Refused, match="gets no label"):
        paper(MemoryPrinter()).label(log, SEQUENCE, serial)


def test_a_locked_station_prints_no_label(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        log.append(entries.Lock(reason="Dead was not proved.", do="Measure before opening."))
        refused(log, "locked")


def test_a_real_run_in_the_log_of_a_simulated_station_gets_no_label(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        run = log.append(dataclasses.replace(begin(log), mode="real"))
        log.append(dataclasses.replace(end(log, run), mode="real"))
        refused(log, "its run was real")


WRITES = {
    "no pass at all": ("fail", {}),
    "another entry than its end": ("pass", {"end": 0}),
    "a copy too many": ("pass", {"copy": 2}),
    "another unit": ("pass", {"serial": "DH6-00000009"}),
}


@pytest.mark.parametrize("name", WRITES)
def test_the_log_itself_takes_no_label_without_a_pass(name: str, tmp_path: Path) -> None:
    """The last door: even a mistake in the program writes no label that its log does not bear out."""
    outcome, changed = WRITES[name]
    with log_with(tmp_path, outcome) as log:
        good = LabelPrint(serial=SERIAL, end=log.size - 1, copy=1, of="unit", reason=None, by=None, printer="x",
                          digest="00", code="x", said={})
        size = log.size
        with pytest.raises(RecordFault, match="cannot be written"):
            log.append(dataclasses.replace(good, **changed))
        assert log.size == size


# -- when printing goes wrong -----------------------------------------------------------------------------------


@needs_readers
def test_a_printer_that_fails_leaves_the_label_unknown_and_the_next_is_copy_2(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        outcome = paper(MemoryPrinter(PrintFailed("the paper is out"))).label(log, SEQUENCE, SERIAL)
        assert outcome.state == "unknown" and not outcome.sure
        assert "the paper is out" in outcome.sentence and "copy 2" in outcome.sentence
        assert payloads(log)[-1]["event"] == "unknown"
        refused(log, "is not known to be printed")
        refused(log, "is not known to be printed", why=Why("jam", "op-07"))
        printer = MemoryPrinter()
        second = paper(printer).label(log, SEQUENCE, SERIAL, why=Why("paper jam", "op-07", "not found"))
        fate, printed, _ = payloads(log)[-3:]
        assert (fate["event"], fate["copy"], fate["by"]) == ("not found", 1, "op-07")
        assert (printed["copy"], printed["reason"], printed["by"]) == (2, "paper jam", "op-07")
        assert second.printed.label.copy == "2" and "copy 2" in words_in(printer.printed[0][1])
        report = audit(log.path)
        assert report.findings_count == 0
        assert {each.name for each in report.notes} >= {"label unknown", "label not found", "another copy"}


class Crash(BaseException):
    """The program dies at this very moment."""


def test_a_crash_between_entry_and_printer_makes_the_next_label_copy_2(tmp_path: Path) -> None:
    with log_with(tmp_path) as log, pytest.raises(Crash):
        paper(MemoryPrinter(Crash())).label(log, SEQUENCE, SERIAL)
    with open_log(tmp_path) as log:
        assert label_state(log.labels(SERIAL)).state == "print"
        refused(log, "is not known to be printed")
        outcome = paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, why=Why("power cut", "op-07", "destroyed"))
        assert outcome.printed.label.copy == "2"
        assert audit(log.path).findings_count == 0


@pytest.mark.parametrize("failing", ["checkpoint", "entry"])
def test_a_log_that_cannot_be_written_prints_nothing(failing: str, tmp_path: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    with log_with(tmp_path) as log:
        def fail(*_: object) -> None:
            raise OSError(28, "No space left on device")
        monkeypatch.setattr(log._os, "rename" if failing == "checkpoint" else "write_all", fail)
        printer = MemoryPrinter()
        with pytest.raises(RecordFault, match="No space left"):
            paper(printer).label(log, SEQUENCE, SERIAL)
        assert not printer.printed


class Failing(FixedSystem):
    """The operating system, but from one call on it fails, or dies."""

    def __init__(self, error: BaseException) -> None:
        super().__init__()
        self.error = error
        self.left: int | None = None  # None: it works

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name not in ("open", "write", "fdatasync", "fsync", "rename", "close", "fstat"):
            return found

        def call(*words: Any, **more: Any) -> Any:
            if self.left is not None:
                self.left -= 1
                if self.left < 0:
                    raise self.error
            return found(*words, **more)
        return call


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), Crash()], ids=["fails", "dies"])
def test_every_call_that_fails_while_a_label_is_printed(error: BaseException, quick_path: Path) -> None:
    """Whichever call is the last that works: what was printed has its entry, and the next start says how it stands."""
    for last in range(100):
        base = quick_path / str(last)
        base.mkdir()
        log_with(base).close()
        system = Failing(error)
        printer = MemoryPrinter()
        went_well = False
        with open_log(base, system=system) as log:
            system.left = last
            with suppress(RecordFault, Crash):
                went_well = paper(printer).label(log, SEQUENCE, SERIAL).sure
            system.left = None
        with open_log(base) as log:
            state = label_state(log.labels(SERIAL))
            if printer.printed:
                assert state.state in ("print", "printed") and state.copies == 1
                code = payloads(log)[state.entry]
                assert code["digest"] == sha256(printer.printed[0][1]).hexdigest()
            assert audit(log.path).findings_count == 0
            again = paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, why=Why("power cut", "op-07", "not found"))
            assert again.printed.label.copy == str(state.copies + 1), "a label that may be out there is never copy 1 again"
        if went_well:
            assert last >= 9, "a checkpoint and two durable entries are that many calls at least"
            return
    pytest.fail("printing never went well")


def test_a_label_that_was_printed_is_printed_again_only_with_a_reason_a_name_and_word_of_the_old_one(
        tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL)
        refused(log, "Copy 1 of the label")
        refused(log, "Copy 1 of the label", why=Why("smeared", "op-07"))
        with pytest.raises(Refused, match="Give your id"):
            paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, why=Why("smeared", None, "destroyed"))
        assert paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, CARTON).printed.label.copy == "1", "a label of its own"
        second = paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, why=Why("smeared", "op-07", "destroyed"))
        assert second.printed.label.copy == "2"


def test_a_label_is_read_back_on_its_unit(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        found = paper(MemoryPrinter())
        first = found.label(log, SEQUENCE, SERIAL).printed
        assert reads_as(first.code + "\r\n", first) and plate_reads_as(f" {SERIAL}\n", first)
        assert not reads_as(SERIAL, first) and not plate_reads_as("DH6-00000002", first)
        found.read_back(log, first, "op-07")
        assert label_state(log.labels(SERIAL)).state == "read back"
        second = found.label(log, SEQUENCE, SERIAL, why=Why("torn", "op-07", "destroyed")).printed
        assert not reads_as(first.code, second), "an old copy is not the new one"


# -- before a test ----------------------------------------------------------------------------------------------


def test_a_unit_with_a_label_out_is_not_tested_again(tmp_path: Path) -> None:
    station = dataclasses.replace(STATION, labels=LabelRules(folder=str(tmp_path / "labels")))
    with log_with(tmp_path) as log:
        gate, = label_gate(station, SEQUENCE, log, trial=False)
        gate("DH6-00000002")
        gate(SERIAL)
        paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL)
        for trial in (False, True):
            with pytest.raises(Refused, match="must not carry one"):
                label_gate(station, SEQUENCE, log, trial=trial)[0](SERIAL)


def test_a_unit_whose_label_could_not_be_made_is_not_tested(tmp_path: Path) -> None:
    (tmp_path / "a-file").write_text("x")
    with log_with(tmp_path) as log:
        for folder, told in ((str(tmp_path / "a-file"), "cannot be written"), (str(tmp_path / "labels"), "several models")):
            unit = dataclasses.replace(SEQUENCE.unit, models=("DH-6", "DH-6B"))
            sequence = dataclasses.replace(SEQUENCE, unit=unit)
            station = dataclasses.replace(STATION, labels=LabelRules(folder=folder))
            with pytest.raises(Refused, match=told):
                label_gate(station, sequence, log, trial=False)[0](SERIAL)
        assert label_gate(STATION, SEQUENCE, log, trial=False) == [], "a station that prints none asks for none"


# -- printers ---------------------------------------------------------------------------------------------------


@needs_readers
def test_a_folder_takes_pdf_and_png_once(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        found = Paper(STATION, LabelRules(folder=str(tmp_path / "labels")))
        outcome = found.label(log, SEQUENCE, SERIAL)
        files = sorted((tmp_path / "labels").iterdir())
        assert [each.name for each in files] == [f"unit {SERIAL} entry {log.size - 3} copy 1.{kind}" for kind in ("pdf", "png")]
        assert scanned(files[1].read_bytes()) == {f"QR-Code:{outcome.printed.code}", f"CODE-128:{SERIAL}"}
        with pytest.raises(PrintFailed, match="File exists"):
            found.printer.print(files[0].stem, files[0].read_bytes())


@pytest.mark.parametrize("name", ["labels", "up/labels"])
def test_a_folder_that_cannot_be_written_leaves_the_label_unknown(name: str, tmp_path: Path) -> None:
    (tmp_path / name.partition("/")[0]).write_text("x")
    with log_with(tmp_path) as log:
        found = Paper(STATION, LabelRules(folder=str(tmp_path / name)))
        assert found.printer.ready()
        outcome = found.label(log, SEQUENCE, SERIAL)
        assert outcome.state == "unknown" and "may be missing" in outcome.sentence


def test_a_full_disk_is_found_out_before_the_test(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = Folder(tmp_path / "not/there/yet")
    assert found.ready() == ""
    full = os.statvfs_result((4096, 4096, 1000, 300, 255, 100, 100, 100, 0, 255))  # 255 pages of 4 KiB are left to us
    monkeypatch.setattr("eolseq.commands.printing.os.statvfs", lambda _: full)
    assert "is full" in found.ready()


def test_a_full_folder_leaves_the_label_unknown_and_no_half_a_file(tmp_path: Path) -> None:
    with log_with(tmp_path) as log:
        found = Paper(STATION, LabelRules(folder="x"), Folder(tmp_path / "labels"))
        calls: list[int] = []

        def fsync(_: int) -> None:
            calls.append(1)
            raise OSError(28, "No space left on device")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("eolseq.commands.printing.os.fsync", fsync)
            patch.setattr(log._os, "fsync", lambda _: None)
            outcome = found.label(log, SEQUENCE, SERIAL)
        assert calls and outcome.state == "unknown" and "No space left" in outcome.sentence
        assert list((tmp_path / "labels").iterdir()) == []


def fake(folder: Path, name: str, script: str) -> None:
    """A program of a name that the test's PATH finds first."""
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


@pytest.mark.real_lines
def test_a_print_queue_is_given_the_file_by_lp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake(tmp_path / "bin", "lp", f'echo "$@" > "{tmp_path}/words"; cat > "{tmp_path}/job.pdf"; '
         'echo "request id is LABELS-12 (0 file(s))"')
    fake(tmp_path / "bin", "lpstat", 'echo "LABELS accepting requests since Wed 25 Nov 2026"')
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    with log_with(tmp_path) as log:
        found = Paper(STATION, LabelRules(printer="LABELS"))
        assert found.printer.ready() == ""
        outcome = found.label(log, SEQUENCE, SERIAL)
        assert outcome.sure and "LABELS-12" in outcome.sentence
        assert (tmp_path / "words").read_text() == f"-d LABELS -t unit {SERIAL} entry {log.size - 3} copy 1 -\n"
        assert payloads(log)[-2]["digest"] == sha256((tmp_path / "job.pdf").read_bytes()).hexdigest()
        assert payloads(log)[-1]["reason"] == "request id is LABELS-12 (0 file(s))"


QUEUES = {
    "lp refuses": ('echo "lp: The printer or class does not exist." >&2; exit 1', "does not exist"),
    "lp fails without a word": ("exit 3", "exit code 3"),
    "lp hangs": ("exec sleep 60", "did not answer within"),
    "no lp": (None, "no program lp"),
}


@pytest.mark.real_lines
@pytest.mark.parametrize("name", QUEUES)
def test_a_queue_that_does_not_take_it_leaves_the_label_unknown(name: str, tmp_path: Path,
                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    script, told = QUEUES[name]
    (tmp_path / "bin").mkdir()
    if script is not None:
        fake(tmp_path / "bin", "lp", script)
    monkeypatch.setattr("eolseq.commands.printing.LP_WITHIN", 0.3)
    with log_with(tmp_path) as log:
        monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:/usr/bin:/bin" if script else str(tmp_path / "bin"))
        outcome = Paper(STATION, LabelRules(printer="LABELS")).label(log, SEQUENCE, SERIAL)
        assert outcome.state == "unknown" and told in outcome.sentence
        assert told in payloads(log)[-1]["reason"]


@pytest.mark.real_lines
def test_a_queue_that_is_paused_takes_the_label_and_prints_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The words are those of a CUPS 2.4 scheduler whose queue was paused; seen."""
    fake(tmp_path / "bin", "lp", 'cat > /dev/null; echo "request id is LABELS-2 (0 file(s))"')
    fake(tmp_path / "bin", "lpstat", 'echo "printer LABELS disabled since Wed Nov 25 12:24:24 2026 - Paused"')
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    with log_with(tmp_path) as log:
        outcome = Paper(STATION, LabelRules(printer="LABELS")).label(log, SEQUENCE, SERIAL)
        assert outcome.state == "unknown" and "LABELS-2" in outcome.sentence and "disabled" in outcome.sentence


@pytest.mark.real_lines
@pytest.mark.parametrize(("says", "told"), [
    ("LABELS not accepting requests since Wed 25 Nov 2026 - Rejecting Jobs", "takes no jobs now"),
    ("LABELS accepting requests since Wed 25 Nov 2026\nprinter LABELS disabled since Wed 25 Nov 2026 - Paused",
     "takes no jobs now"),
    ("lpstat: Invalid destination name in list; exit 1", "does not answer")])
def test_a_queue_that_takes_no_jobs_is_found_out_before_the_test(says: str, told: str, tmp_path: Path,
                                                                monkeypatch: pytest.MonkeyPatch) -> None:
    text, _, more = says.partition("; ")
    fake(tmp_path / "bin", "lpstat", f'echo "{text}"; {more}')
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    assert told in Queue("LABELS").ready()

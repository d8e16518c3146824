"""``eolseq label`` as it is typed: print, copy, account, box, read; exit codes and sentences."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.clock import SystemClock
from eolseq.records import entries
from eolseq.records.scan import CHECKPOINT_NAME
from eolseq.station.file import load_station
from tests.line.labels import ROOT, SEQUENCE, needs_readers, scanned
from tests.records.samples import begin, end, energise, reading
from tests.records.samples import open_log as open_sample

SERIAL = "DH6-00000001"
USED = entries.SequenceUsed(SEQUENCE.name, "sequences/duct-heater-6kw.yaml", SEQUENCE.digest)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with a station that prints into a folder, and a log with one pass."""
    monkeypatch.chdir(tmp_path)
    text = (ROOT / "simulators/demo-station.yaml").read_text(encoding="utf-8")
    text = text.replace("key: keys/demo-station.pem", "key: keys/station.pem")
    text = text.replace("aldervale.example/demo-bench", "aldervale.example/bench-1")
    (tmp_path / "bench.yaml").write_text(text + "labels: {folder: labels}\n", encoding="utf-8")
    passed(tmp_path, SERIAL)
    return tmp_path


def passed(base: Path, serial: str, outcome: str = "pass", used: entries.SequenceUsed = USED) -> None:
    with open_sample(base, clock=SystemClock()) as log:
        run = log.append(dataclasses.replace(begin(log, serial), sequence=used))
        log.append(energise(run))
        log.append(reading(run))
        log.append(dataclasses.replace(end(log, run, serial, outcome), sequence=used))
        log.checkpoint()


def label(*words: str) -> int:
    return main(["label", *words, "--station", "bench.yaml"])


def code_of(path: Path) -> str:
    return next(each for each in scanned(path.read_bytes()) if each.startswith("QR-Code:")).removeprefix("QR-Code:")


@needs_readers
def test_a_label_is_printed_once_copied_with_a_reason_and_read(bench: Path, capsys: pytest.CaptureFixture[str],
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    assert label(SERIAL) == 0
    assert "SIMULATED. Label, copy 1: wrote labels/unit" in capsys.readouterr().out
    first = code_of(bench / "labels" / f"unit {SERIAL} entry 4 copy 1.png")
    assert label("--read", first) == 0
    assert capsys.readouterr().out.startswith("RIGHT: ")
    assert label(SERIAL) == 3
    assert label(SERIAL, "--copy", "--reason", "smeared", "--by", "op-07") == 3
    assert label(SERIAL, "--copy", "--by", "op-07", "--old", "destroyed") == 2, "no reason"
    assert label(SERIAL, "--copy", "--reason", "smeared", "--by", "op-07", "--old", "destroyed") == 0
    capsys.readouterr()
    monkeypatch.setattr("sys.stdin", io.StringIO(first + "\n"))
    assert main(["label", "--read", "-", "--log", str(bench / "records")]) == 1
    assert capsys.readouterr().out.startswith("SUPERSEDED: ")
    assert main(["records", SERIAL, "--station", "bench.yaml"]) == 0
    shown = capsys.readouterr().out
    assert "label destroyed: unit, copy 1" in shown and "label taken by the printer: unit, copy 2" in shown
    assert main(["audit", "records"]) == 0


def test_a_label_is_accounted_for_without_another(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert label(SERIAL, "--old", "destroyed", "--by", "op-07") == 3, "none is out"
    assert label(SERIAL) == 0
    assert label(SERIAL, "--old", "not-found") == 2, "nobody says so"
    assert label(SERIAL, "--old", "not-found", "--by", "op-07") == 0
    assert "copy 1 of unit DH6-00000001 is not found, says op-07" in capsys.readouterr().out
    assert len(list((bench / "labels").iterdir())) == 2


@needs_readers
def test_the_carton_s_label_needs_the_unit_s_and_a_clean_log(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert label(SERIAL, "--box") == 3
    assert "has no label yet" in capsys.readouterr().err
    assert label(SERIAL) == 0
    assert label(SERIAL, "--box") == 0
    assert label("--read", code_of(bench / "labels" / f"carton {SERIAL} entry 4 copy 1.png")) == 0


def test_no_box_is_closed_on_an_open_failure(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert label(SERIAL) == 0
    passed(bench, SERIAL, "fail")
    assert label(SERIAL, "--box") == 3
    assert "It FAILED" in capsys.readouterr().err


def test_no_box_is_closed_on_a_void(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert label(SERIAL) == 0
    assert main(["void", SERIAL, "--station", "bench.yaml", "--reason", "covers opened", "--by", "op-07"]) == 0
    assert label(SERIAL, "--box") == 3
    assert "its pass is void" in capsys.readouterr().err


def test_no_box_is_closed_while_the_unit_s_label_is_unknown(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "labels").write_text("in the way")
    assert label(SERIAL) == 5
    assert "may be missing" in capsys.readouterr().out
    assert label(SERIAL, "--box") == 3
    assert "nobody knows" in capsys.readouterr().err


def test_no_box_is_closed_on_a_log_with_a_finding(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An entry of a program that counts wrongly: signed, in its place, and still a finding."""
    assert label(SERIAL) == 0
    with open_sample(bench, clock=SystemClock()) as log:
        begun = dataclasses.replace(begin(log, "DH6-00000007"), attempt=4, earlier_count=3)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("eolseq.records.book.RunBook.refuse_misfit", lambda *_: None)
            log.append(begun)
    assert main(["audit", "records"]) == 1
    capsys.readouterr()
    assert label(SERIAL, "--box") == 3
    assert "does not audit clean" in capsys.readouterr().err


def test_no_box_is_closed_on_a_damaged_log(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert label(SERIAL) == 0
    path = bench / "records" / "log.jsonl"
    data = bytearray(path.read_bytes())
    data[len(data) // 3] ^= 1
    path.write_bytes(bytes(data))
    assert label(SERIAL, "--box") == 5
    (bench / "records" / CHECKPOINT_NAME).unlink()
    assert label(SERIAL, "--box") == 5


def test_the_sequence_must_be_the_very_one_that_was_passed(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    passed(bench, "DH6-00000002", used=entries.SequenceUsed("another", "sequences/duct-heater-6kw.yaml", "ab" * 32))
    passed(bench, "DH6-00000003", used=entries.SequenceUsed("gone", "sequences/gone.yaml", SEQUENCE.digest))
    for serial in ("DH6-00000002", "DH6-00000003"):
        assert label(serial) == 3
        assert "--sequence FILE" in capsys.readouterr().err
    assert label("DH6-00000003", "--sequence", str(SEQUENCE.path)) == 0
    assert label("DH6-00000002", "--sequence", str(SEQUENCE.path)) == 3


def test_two_processes_do_not_print_at_once(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with open_sample(bench):
        assert label(SERIAL) == 3
    assert not (bench / "labels").exists()
    assert label(SERIAL) == 0


WRONG = {
    "no unit": (["label", "--station", "bench.yaml"], 2),
    "no station": (["label", SERIAL], 2),
    "a log to print from": (["label", SERIAL, "--station", "bench.yaml", "--log", "records"], 2),
    "no log to read": (["label", "--read", "EOLSEQ-LABEL-1"], 2),
    "no code": (["label", "--read", SERIAL, "--station", "bench.yaml"], 2),
    "no such unit": (["label", "DH6-00000099", "--station", "bench.yaml"], 3),
    "a station without labels": (["label", SERIAL, "--station", str(ROOT / "simulators/demo-station.yaml")], 3),
    "a reason but no copy": (["label", "DH6-00000099", "--station", "bench.yaml", "--reason", "x"], 3),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_uses(name: str, bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words, code = WRONG[name]
    assert main(words) == code
    assert capsys.readouterr().err.rstrip().endswith((".", "SERIAL"))


def test_a_wrong_template_is_told_at_its_place(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "mine.yaml").write_text("format: 1\nkind: label\nname: x\nwidth: 50 mm\nheight: 20 mm\nparts: []\n")
    text = (bench / "bench.yaml").read_text(encoding="utf-8")
    (bench / "bench.yaml").write_text(text.replace("folder: labels}", "folder: labels, template: mine.yaml}"))
    assert load_station(bench / "bench.yaml").labels is not None
    assert label(SERIAL) == 2
    assert "mine.yaml:6:" in capsys.readouterr().err
    assert main(["new", "label", "other"]) == 0
    (bench / "bench.yaml").write_text(text.replace("folder: labels}", "folder: labels, template: other.yaml}"))
    assert label(SERIAL) == 0

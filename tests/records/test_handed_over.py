"""A log that was read a moment ago is opened without a second pass, but only while its files are what they were."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from eolseq.clock import VirtualClock
from eolseq.errors import RecordFault, WrongUse
from eolseq.records import log as log_module
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.records.scan import Scan, scan
from tests.records.samples import DEBRIS, ORIGIN_NAME, ROLE, FixedSystem, begin, end, energise, open_log, whole_run

SERIAL = "DH6-00000001"


def reopened(base: Path, records: Records) -> Log:
    return Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=base / "keys" / "station.pem", role=ROLE,
                    clock=VirtualClock(), os=FixedSystem(), software="test", read=records.handed_over())


@pytest.fixture
def passes(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Every further pass over a log that is opened for writing."""
    seen: list[Path] = []

    def counted(path: Path) -> Scan:
        seen.append(path)
        return scan(path)
    monkeypatch.setattr(log_module, "scan", counted)
    return seen


def test_a_log_that_was_read_is_opened_without_another_pass(tmp_path: Path, passes: list[Path]) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        waiting = log.append(begin(log, "DH6-00000002"))
        log.checkpoint()
    passes.clear()
    records = Records.open(tmp_path / "records")
    size, root = records.size, records.root
    with reopened(tmp_path, records) as log:
        assert passes == [] and (log.size, log.root()) == (size, root)
        assert [each.index for each in log.open_runs()] == [waiting]
        log.append(energise(waiting))
        log.append(end(log, waiting, "DH6-00000002"))
        log.checkpoint()
        assert [each.outcome for each in log.runs("DH6-00000002")] == ["pass"]
    again = Records.open(tmp_path / "records")
    assert again.size == size + 2 and [each.outcome for each in again.runs()] == ["pass", "pass"]


def test_who_handed_over_what_was_read_answers_nothing_more(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    records = Records.open(tmp_path / "records")
    records.handed_over()
    for asked in (records.runs, lambda: records.runs_since(0), records.handed_over):
        with pytest.raises(WrongUse, match="was handed over"):
            asked()


def _another_run(base: Path) -> None:
    with open_log(base) as log:
        whole_run(log, "DH6-00000009")


def _touched(base: Path) -> None:
    os.utime(base / "records" / "log.jsonl", ns=(1, 1))


def _rewritten(base: Path) -> None:
    path = base / "records" / "log.jsonl"
    path.write_bytes(path.read_bytes())


def _copied(base: Path) -> None:
    path = base / "records" / "log.jsonl"
    copy = path.with_name("copy")
    copy.write_bytes(path.read_bytes())
    os.utime(copy, ns=(path.stat().st_mtime_ns,) * 2)
    copy.replace(path)


def _torn(base: Path) -> None:
    with (base / "records" / "log.jsonl").open("ab") as stream:
        stream.write(DEBRIS)


CHANGES: dict[str, Callable[[Path], None]] = {
    "another program wrote a run": _another_run, "its times were changed": _touched, "it was written anew": _rewritten,
    "it is a copy": _copied, "a crash tore its end": _torn,
}


@pytest.mark.parametrize("name", CHANGES)
def test_whatever_was_changed_since_it_was_read_is_read_again(name: str, tmp_path: Path, passes: list[Path]) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    records = Records.open(tmp_path / "records")
    CHANGES[name](tmp_path)
    passes.clear()
    with reopened(tmp_path, records) as log:
        assert passes == [log.path]
        runs = {each: [run.outcome for run in log.runs(each)] for each in (SERIAL, "DH6-00000009")}
        assert runs == {SERIAL: ["pass"], "DH6-00000009": ["pass"] if name == "another program wrote a run" else []}
        assert (log.recovered is not None) == (name == "a crash tore its end")


def test_a_byte_that_changed_since_it_was_read_is_damage(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    records = Records.open(tmp_path / "records")
    data = bytearray(log.path.read_bytes())
    data[len(data) // 2] ^= 1
    with log.path.open("r+b") as stream:
        stream.write(data)
    with pytest.raises(RecordFault):
        reopened(tmp_path, records)


@pytest.mark.parametrize("how", ["missing", "old"])
def test_a_checkpoint_that_changed_since_it_was_read_counts(how: str, tmp_path: Path, passes: list[Path]) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
        path = log.path.with_name("checkpoint")
        old = path.read_bytes()
        whole_run(log)
        log.checkpoint()
    records = Records.open(tmp_path / "records")
    if how == "missing":
        path.unlink()
        with pytest.raises(RecordFault, match=r"checkpoint beside .* is missing"):
            reopened(tmp_path, records)
    else:
        path.write_bytes(old)
        passes.clear()
        with reopened(tmp_path, records) as log:
            assert passes == [log.path]

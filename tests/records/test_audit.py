"""The audit beyond damage: many lines at once and by several processes say the same as line by line; what is noted."""

from __future__ import annotations

import io
import json
import random
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.commands import audit as audit_command
from eolseq.errors import WrongUse
from eolseq.records import audit as audit_module
from eolseq.records import auditor, chunks, entries
from eolseq.records.audit import AuditReport, audit, audit_stream
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.envelope import seal
from eolseq.records.keys import SigningKey, first_registry
from eolseq.records.merkle import leaf_hash, root_of
from tests.records.samples import KEY, ORIGIN, ROLE, begin, end, energise, golden_log, open_log, reading, whole_run
from tests.records.test_lookup import command


@cache
def golden() -> tuple[bytes, bytes]:
    """The golden log, which has a scar, and its checkpoint."""
    with TemporaryDirectory() as folder:
        path = golden_log(Path(folder))
        return path.read_bytes(), path.with_name("checkpoint").read_bytes()


def plain(report: AuditReport) -> dict[str, Any]:
    return {name: getattr(report, name) for name in AuditReport.__dataclass_fields__ if name != "log"}


def slowly(data: bytes, note: bytes | None) -> AuditReport:
    """Every line by the slow half."""
    report = AuditReport("log")
    stream = io.BytesIO(data)
    taker = auditor.Auditor(report, stream, note)
    for piece in audit_module.lines(stream):
        taker.take(piece)
    taker.finish()
    return report


@settings(max_examples=60, deadline=None)
@given(st.randoms(use_true_random=False), st.integers(1, 9))
def test_many_lines_at_once_say_what_line_by_line_says(chance: random.Random, together: int) -> None:
    data, note = golden()
    mangled = bytearray(data)
    for _ in range(chance.randint(0, 3)):
        start = chance.randrange(len(mangled))
        mangled[start:start + chance.randint(0, 30)] = chance.randbytes(chance.randint(0, 30))
    before = chunks.LINES
    audit_module.LINES = together  # type: ignore[attr-defined]
    try:
        assert plain(audit_stream(io.BytesIO(bytes(mangled)), "log", note)) == plain(slowly(bytes(mangled), note))
    finally:
        audit_module.LINES = before  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def long_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of some thousand lines with two scars, one of them in the middle of a chunk."""
    base = tmp_path_factory.mktemp("long")
    for runs in (150, 50, 20):
        with open_log(base) as log:
            for number in range(runs):
                whole_run(log, f"DH6-{number:08d}", "fail" if number % 7 == 0 else "pass")
            log.checkpoint()
        with log.path.open("ab") as stream:
            stream.write(b'{"payloadType":"application/vnd.eolseq' + b"\n" * 3)
    with open_log(base) as log:
        log.checkpoint()
    return log.path


def test_several_processes_say_what_one_says(long_log: Path) -> None:
    whole = audit(long_log)
    assert whole.findings == [] and [note.name for note in whole.notes].count("scar") == 3
    assert whole.verified > chunks.LINES
    told: list[int] = []
    assert plain(audit(long_log, jobs=2, progress=told.append)) == plain(whole)
    assert told == sorted(told) and told[-1] == long_log.stat().st_size


def test_several_processes_find_what_one_finds(long_log: Path, tmp_path: Path) -> None:
    data = long_log.read_bytes()
    (tmp_path / "checkpoint").write_bytes(long_log.with_name("checkpoint").read_bytes())
    copy = tmp_path / "log.jsonl"
    for place in (300_000, len(data) - 3_000):
        copy.write_bytes(data[:place] + b"\r!" + data[place + 2:])
        report = audit(copy, jobs=2)
        assert report.findings and plain(report) == plain(audit(copy))


def test_from_a_kept_checkpoint_only_the_rest_is_verified(long_log: Path, tmp_path: Path) -> None:
    lines = [line for line in long_log.read_bytes().split(b"\n") if line.endswith(b"]}")]
    whole = audit(long_log)
    for size in (1, 610, len(lines)):
        kept = sign_checkpoint(Checkpoint(ORIGIN, size, root_of(map(leaf_hash, lines[:size]))), KEY)
        report = audit(long_log, since=kept, jobs=1 + (size == 610))
        assert report.findings == [] and report.root == whole.root and report.lines == whole.lines
        assert (report.trusted, report.verified) == (size - 1, len(lines) - size + 1)  # the first line is always checked
        assert report.outcomes == whole.outcomes
        assert report.notes == [replace(note, index=note.index) for note in whole.notes]


def test_a_kept_checkpoint_that_does_not_fit_convicts_the_log(long_log: Path, tmp_path: Path) -> None:
    wrong = sign_checkpoint(Checkpoint(ORIGIN, 100, leaf_hash(b"other")), KEY)
    report = audit(long_log, since=wrong)
    assert [(each.line, each.name) for each in report.findings] == [(100, "checkpoint")]
    assert report.trusted == 0 and report.verified > 800  # and everything was checked all the same
    beyond = sign_checkpoint(Checkpoint(ORIGIN, 1_000_000, leaf_hash(b"other")), KEY)
    assert [each.name for each in audit(long_log, since=beyond).findings] == ["end missing"]
    for foreign in (b"", b"\xff", sign_checkpoint(Checkpoint(ORIGIN, 1, leaf_hash(b"")), SigningKey.from_seed(bytes(32))),
                    sign_checkpoint(Checkpoint("elsewhere", 1, leaf_hash(b"")), KEY)):
        with pytest.raises(WrongUse, match="not this log's"):
            audit(long_log, since=foreign)
    (tmp_path / "log.jsonl").write_bytes(b"nothing")
    assert audit(tmp_path, since=wrong).findings[0].line == 1


@given(st.binary(max_size=300), st.binary(max_size=80))
def test_no_bytes_and_no_checkpoint_give_a_traceback(data: bytes, since: bytes) -> None:
    assert audit_stream(io.BytesIO(data), "log", since, since=since).findings_count > 0


def forge(payloads: list[dict[str, Any]]) -> AuditReport:
    """Audit of lines as the station would sign them, saying whatever is wanted."""
    lines: list[bytes] = []
    for index, payload in enumerate([{"kind": "genesis", "registry": first_registry(KEY, ROLE, "x", ORIGIN)}, *payloads]):
        root = root_of(leaf_hash(line) for line in lines).hex()
        head = {"v": 1, "origin": ORIGIN, "index": index, "root": root, "time": "2026-01-05T06:00:00.000000Z", "boot": "b",
                "mono": "0.0"}
        lines.append(seal(json.dumps(head | payload).encode(), KEY))
    return audit_stream(io.BytesIO(b"".join(line + b"\n" for line in lines)), "log", None)


BEGIN: dict[str, Any] = {"kind": "begin", "serial": "A", "attempt": 1, "mode": "simulated", "trial": "no", "bay": "1",
                         "withstand_applications": 0}
HIT: dict[str, Any] = {"kind": "energise", "run": 1, "kind_of_step": "dielectric_withstand"}
END: dict[str, Any] = {"kind": "end", "run": 1, "serial": "A", "outcome": "fail", "withstand_applications": 1}


def counted(counter: int | None, name: str = "wt") -> dict[str, Any]:
    return {"instruments": [{"name": name, "model": "WT-5", "serial": "1001", "counter": counter}]}


# name: (payloads after the genesis, (line, name) of each finding, (line, name) of each note, words of the last of both)
SAID: dict[str, tuple[list[dict[str, Any]], list[tuple[int, str]], list[tuple[int, str]], str]] = {
    "applications counted": ([BEGIN, HIT, END], [], [], ""),
    "applications left out at the end": ([BEGIN, HIT, END | {"withstand_applications": 0}],
                                         [(4, "applications miscounted")], [], "0 times so far; the log shows 1"),
    "applications of an earlier attempt left out": (
        [BEGIN, HIT, END, BEGIN | {"attempt": 2}], [(5, "applications miscounted")],
        [(5, "repeated attempt"), (5, "open run")], "0 times so far; the log shows 1"),
    "another kind of step is no application": (
        [BEGIN, HIT | {"kind_of_step": "ground_continuity"}, END | {"withstand_applications": 0}], [], [], ""),
    "repeated attempt": ([BEGIN, HIT, END, BEGIN | {"attempt": 2, "withstand_applications": 1}], [],
                         [(5, "repeated attempt"), (5, "open run")], "attempt 2; the one before: fail"),
    "counter goes on": ([BEGIN | counted(7), HIT, END | counted(8), BEGIN | counted(8) | {"serial": "B"}], [],
                        [(5, "open run")], ""),
    "tests outside the log": ([BEGIN | counted(7), HIT, END | counted(8), BEGIN | counted(11) | {"serial": "B"}], [],
                              [(5, "counter jumped"), (5, "open run")], "3 tests were made outside this log"),
    "counter of an instrument under another name": (
        [BEGIN | counted(7), HIT, END | counted(8), BEGIN | counted(9, "wt2") | {"serial": "B"}], [],
        [(5, "counter jumped"), (5, "open run")], "1 tests were made outside this log"),
    "counter set back in a run": ([BEGIN | counted(7), HIT, END | counted(6)], [], [(4, "counter jumped")], "went back"),
    "no counter": ([BEGIN | counted(None), HIT, END | counted(None)], [], [], ""),
    "counter is no number": ([BEGIN | counted(7), HIT, END | {"instruments": [{"counter": "x"}]}],
                             [(4, "incomplete entry")], [(2, "open run")], "missing or wrong"),
    "instruments are no list": ([BEGIN | {"instruments": 5}], [(2, "incomplete entry")], [(2, "open run")], "missing or wrong"),
    "recovery of nothing": ([{"kind": "recovery", "offset": 0, "length": 5, "sha256": "ab"}], [(2, "recovery of nothing")],
                            [], "do not stand before it"),
    "clock stepped": ([BEGIN, HIT | {"time": "2026-01-05T06:02:00.000000Z", "mono": "5"}], [],
                      [(3, "clock stepped"), (2, "open run")], "115 s further"),
    "another boot says nothing of the clock": (
        [BEGIN, HIT | {"time": "2026-01-05T06:02:00.000000Z", "mono": "5", "boot": "c"}], [], [(2, "open run")], ""),
    "time is no time": ([BEGIN | {"time": "9 o'clock"}], [], [(2, "no clock"), (2, "open run")], "cannot be read"),
    "time of no zone": ([BEGIN | {"time": "2026-01-05T06:00:01"}], [], [(2, "open run")], ""),
    "a person says the clock is right": ([{"kind": "clock", "behind": "5", "by": "q-1"}], [], [(2, "clock mark")], "q-1 says"),
}


@pytest.mark.parametrize("name", SAID)
def test_what_an_auditor_is_told(name: str) -> None:
    payloads, findings, notes, words = SAID[name]
    report = forge(payloads)
    assert [(each.line, each.name) for each in report.findings] == findings
    assert [(each.line, each.name) for each in report.notes] == [(0, "no checkpoint"), *notes]
    last = [*report.notes, *report.findings]
    assert any(words in each.meaning for each in last)
    assert len(SAID) == 18


def test_a_scar_that_holds_a_signed_line_says_so(tmp_path: Path) -> None:
    """The line was whole on the disk but for its newline, and zeros came after it: nobody was told that it is durable."""
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
        whole = log.path.read_bytes()
        log.append(begin(log))
        line = log.path.read_bytes()[len(whole):]
    log.path.write_bytes(whole + line[:-1] + bytes(40))
    with open_log(tmp_path) as log:
        assert log.recovered is not None
        log.checkpoint()
    notes = [note for note in audit(log.path).notes if note.name == "scar"]
    assert len(notes) == 1 and "whole and signed, of kind begin" in notes[0].meaning


def test_withstand_is_counted_over_all_attempts(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        first = log.append(begin(log))
        log.append(energise(first))
        log.append(replace(energise(first), kind_of_step="ground_continuity"))
        log.append(entries.Abandon(run=first, serial="DH6-00000001", reason="The program ended.", energised="yes"))
        second = log.append(begin(log))
        log.append(energise(second))
        log.append(energise(second))
        log.append(reading(second))
        log.append(end(log, second, outcome="stopped"))
        assert log.withstand_applications("DH6-00000001") == 3
        third = begin(log)
        assert (third.attempt, third.withstand_applications) == (3, 3)
        assert [each.outcome for each in third.earlier] == ["abandoned", "stopped"]
        log.checkpoint()
    with open_log(tmp_path) as log:
        assert log.withstand_applications("DH6-00000001") == 3
        assert log.withstand_applications("another") == 0
    assert audit(log.path).findings == []


def test_the_command_audits_from_a_checkpoint_and_by_jobs(long_log: Path, tmp_path: Path,
                                                         capsys: pytest.CaptureFixture[str]) -> None:
    kept = str(long_log.with_name("checkpoint"))
    assert command(audit_command, str(long_log), "--from", kept, "--jobs", "2", "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["trusted"] == said["checkpoint"] - 1 and said["verified"] == 1
    assert command(audit_command, str(long_log), "--from", kept) == 0
    assert "vouched for by the checkpoint given" in capsys.readouterr().out
    with pytest.raises(WrongUse, match="cannot be read"):
        command(audit_command, str(long_log), "--from", str(tmp_path / "nowhere"))
    for jobs in ("0", "-1", "many", "65"):
        with pytest.raises(SystemExit):
            command(audit_command, str(long_log), "--jobs", jobs)


def test_a_bar_is_drawn_for_a_long_log_in_a_terminal_only(long_log: Path, monkeypatch: pytest.MonkeyPatch,
                                                         capsys: pytest.CaptureFixture[str]) -> None:
    command(audit_command, str(long_log))
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(audit_command, "_LONG", 1)
    command(audit_command, str(long_log))
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    command(audit_command, str(long_log))
    assert "checking" in capsys.readouterr().err

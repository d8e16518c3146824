"""Damaged logs: every bit, every line, every cut, and lies told by whoever holds the station's key."""

from __future__ import annotations

import io
import json
import random
from base64 import b64encode
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.errors import RecordFault
from eolseq.records import entries, scan
from eolseq.records.audit import MOST_KEPT, AuditReport, audit, audit_stream
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.envelope import seal
from eolseq.records.keys import SigningKey, first_registry
from eolseq.records.merkle import leaf_hash, root_of
from tests.records.samples import KEY, ORIGIN, ROLE, begin, every_kind, open_log, whole_run


@cache
def small_log() -> tuple[bytes, bytes]:
    """A log of three lines and its checkpoint."""
    with TemporaryDirectory() as folder:
        with open_log(Path(folder)) as log:
            log.append(entries.Remark(serial=None, reason="Aldervale's first day."))
            log.append(entries.Close(reason="The program ended."))
            log.checkpoint()
        return log.path.read_bytes(), log.path.with_name("checkpoint").read_bytes()


@cache
def smallest_log() -> tuple[bytes, bytes]:
    """A log of two lines and its checkpoint."""
    data = b"".join(small_log()[0].splitlines(keepends=True)[:2])
    root = root_of(leaf_hash(line) for line in data.splitlines())
    return data, sign_checkpoint(Checkpoint(ORIGIN, 2, root), KEY)


@cache
def large_log() -> tuple[bytes, bytes]:
    """A log of one entry of every kind, and its checkpoint."""
    with TemporaryDirectory() as folder:
        with open_log(Path(folder)) as log:
            every_kind(log)
            log.checkpoint()
        return log.path.read_bytes(), log.path.with_name("checkpoint").read_bytes()


def audited(data: bytes, note: bytes | None) -> AuditReport:
    return audit_stream(io.BytesIO(data), "log", note)


def opened(folder: Path, data: bytes, note: bytes | None) -> scan.Scan:
    """Read the log as a start of the program does."""
    (folder / "log.jsonl").write_bytes(data)
    (folder / "checkpoint").unlink(missing_ok=True)
    if note is not None:
        (folder / "checkpoint").write_bytes(note)
    return scan.scan(folder / "log.jsonl")


def flipped(data: bytes, bit: int) -> bytes:
    return data[:bit // 8] + bytes([data[bit // 8] ^ 1 << bit % 8]) + data[bit // 8 + 1:]


def test_the_undamaged_logs_are_in_order(tmp_path: Path) -> None:
    for data, note in (small_log(), large_log()):
        report = audited(data, note)
        assert (report.findings, report.verified) == ([], data.count(b"\n"))
        found = opened(tmp_path, data, note)
        assert (found.tree.size, found.tail) == (data.count(b"\n"), 0)


def test_every_bit_of_the_log_is_held_by_the_audit() -> None:
    data, note = smallest_log()
    line_of = [data[:place].count(b"\n") + 1 for place in range(len(data))]
    for bit in range(8 * len(data)):
        report = audited(flipped(data, bit), note)
        assert report.findings_count, bit
        assert report.findings[0].line == line_of[bit // 8], bit  # the place is named
    assert 8 * len(data) > 12_000


def test_a_bit_of_every_byte_of_the_log_is_held_at_the_start(tmp_path: Path) -> None:
    data, note = small_log()
    for place in range(len(data)):
        with pytest.raises(RecordFault):
            opened(tmp_path, flipped(data, 8 * place + place % 8), note)
    assert len(data) > 2_000


def test_every_bit_of_the_checkpoint_is_held(tmp_path: Path) -> None:
    data, note = small_log()
    for bit in range(8 * len(note)):
        report = audited(data, flipped(note, bit))
        assert [finding.name for finding in report.findings] == ["checkpoint"], bit
        if bit % 8 == bit // 8 % 8:
            with pytest.raises(RecordFault, match="checkpoint"):
                opened(tmp_path, data, flipped(note, bit))
    assert 8 * len(note) > 1_600


def test_any_line_removed_doubled_or_moved_is_found(tmp_path: Path) -> None:
    data, note = large_log()
    lines = data.splitlines(keepends=True)
    cases = [lines[:n] + lines[n + 1:] for n in range(len(lines))]
    cases += [[*lines[:n], lines[n], *lines[n:]] for n in range(len(lines))]
    for one in range(len(lines)):
        for other in range(one + 1, len(lines)):
            moved = lines.copy()
            moved[one], moved[other] = moved[other], moved[one]
            cases.append(moved)
    for case in cases:
        changed = next((n for n, (a, b) in enumerate(zip(case, lines, strict=False)) if a != b), min(len(case), len(lines)))
        report = audited(b"".join(case), note)
        assert report.findings[0].line == changed + 1
        with pytest.raises(RecordFault):
            opened(tmp_path, b"".join(case), note)
    assert len(cases) == 18 + 18 + 18 * 17 // 2


def test_cut_at_every_byte(tmp_path: Path) -> None:
    """Before its checkpoint a cut is damage; after it, a cut line is torn, and a cut between lines cannot be known."""
    data, whole_note = small_log()
    ends = [n + 1 for n, byte in enumerate(data) if byte == 10]
    early = sign_checkpoint(Checkpoint(ORIGIN, 1, leaf_hash(data[:ends[0] - 1])), KEY)
    counted = {"damaged": 0, "torn": 0, "whole": 0}
    for cut in range(len(data)):
        if cut % 3 == 0:
            assert audited(data[:cut], whole_note).findings_count
            with pytest.raises(RecordFault):
                opened(tmp_path, data[:cut], whole_note)
        try:
            found = opened(tmp_path, data[:cut], early)
        except RecordFault:
            counted["damaged"] += 1
            assert cut < ends[0]
            continue
        assert found.length == max(end for end in ends if end <= cut)
        counted["torn" if found.tail else "whole"] += 1
        assert bool(found.tail) == (cut not in ends) == bool(audited(data[:cut], early).findings)
        assert found.unfinished == (cut + 1 in ends)
    assert counted == {"damaged": ends[0], "torn": len(data) - ends[0] - 2, "whole": 2}


def test_a_torn_end_that_hides_a_signed_line_is_damage(tmp_path: Path) -> None:
    data, _ = small_log()
    lines = data.splitlines(keepends=True)
    early = sign_checkpoint(Checkpoint(ORIGIN, 1, leaf_hash(lines[0][:-1])), KEY)
    hidden = (lines[0] + b"garbage\n" + lines[2], lines[0] + b"x" * 70_000 + b"\n" + lines[2],
              lines[0] + b"x" * 70_000 + lines[2], lines[0] + lines[1][:-1] + b"\x0b" + lines[2],
              lines[0] + lines[1][:-1] + b"\x0b", lines[0] + b"x" + lines[1], lines[0] + b"x" + lines[1][:-1] + bytes(9),
              lines[0] + lines[1][:-1] + bytes(9) + b"\n", lines[0] + lines[2][:-1])
    for data in hidden:
        with pytest.raises(RecordFault, match="damaged at line 2"):
            opened(tmp_path, data, early)
    torn = (lines[0] + b"garbage\n", lines[0] + lines[1][:-1] + bytes(9), lines[0] + lines[1][:-2] + b"\n")
    for data in torn:
        assert opened(tmp_path, data, early).tail == len(data) - len(lines[0])
    assert (len(hidden), len(torn)) == (9, 3)


def test_a_log_rewritten_from_some_line_on_is_held_by_its_old_checkpoint(tmp_path: Path) -> None:
    """Whoever has the key can write another past; the checkpoint of the true one, or any record of it, convicts it."""
    data, note = small_log()
    other = forge([{"kind": "genesis", "registry": first_registry(KEY, ROLE, "x", ORIGIN)},
                   {"kind": "remark", "serial": None, "reason": "Nothing happened."}, {"kind": "close", "reason": "x"}])
    assert audited(other, None).findings == []
    assert [finding.name for finding in audited(other, note).findings] == ["checkpoint"]
    with pytest.raises(RecordFault, match="not the one its checkpoint was made of"):
        opened(tmp_path, other, note)
    assert data.count(b"\n") == other.count(b"\n")


def forge(payloads: list[dict[str, Any]], signer: SigningKey = KEY) -> bytes:
    """Lines as the station would sign them, saying whatever is wanted."""
    lines: list[bytes] = []
    for index, payload in enumerate(payloads):
        root = root_of(leaf_hash(line) for line in lines).hex()
        whole = {"v": 1, "origin": ORIGIN, "index": index, "root": root, "time": "2026-01-05T06:00:00.000000Z",
                 "boot": "b", "mono": "0.0"} | payload
        key = signer if index else KEY
        lines.append(seal(json.dumps({k: v for k, v in whole.items() if v != "left out"}).encode(), key))
    return b"".join(line + b"\n" for line in lines)


REGISTRY = first_registry(KEY, ROLE, "x", ORIGIN)
GENESIS: dict[str, Any] = {"kind": "genesis", "registry": REGISTRY}
BEGIN: dict[str, Any] = {"kind": "begin", "serial": "A", "attempt": 1, "mode": "real", "trial": "no", "bay": "1"}
END: dict[str, Any] = {"kind": "end", "run": 1, "serial": "A", "outcome": "pass"}
REMARK: dict[str, Any] = {"kind": "remark", "serial": None, "reason": "x"}
SMALL_KEY = REGISTRY["keys"][0] | {"public": b64encode(bytes(32)).decode()}

# name: (payloads, line of the first finding, its name)
LIES: dict[str, tuple[list[dict[str, Any]], int, str]] = {
    "no genesis": ([REMARK], 1, "no beginning"),
    "genesis of another kind": ([GENESIS | {"kind": "remark"}, REMARK], 1, "no beginning"),
    "registry missing": ([{"kind": "genesis"}], 1, "no beginning"),
    "registry is a list": ([GENESIS | {"registry": [1]}], 1, "no beginning"),
    "registry version 2": ([GENESIS | {"registry": REGISTRY | {"version": 2}}], 1, "no beginning"),
    "registry without keys": ([GENESIS | {"registry": REGISTRY | {"keys": []}}], 1, "no beginning"),
    "registry key repeated": ([GENESIS | {"registry": REGISTRY | {"keys": REGISTRY["keys"] * 2}}], 1, "no beginning"),
    "small-order key": ([GENESIS | {"registry": REGISTRY | {"keys": [SMALL_KEY]}}], 1, "no beginning"),
    "other algorithm": ([GENESIS | {"registry": REGISTRY | {"keys": [REGISTRY["keys"][0] | {"algorithm": "RSA"}]}}], 1,
                        "no beginning"),
    "key of another role": ([GENESIS | {"registry": REGISTRY | {"keys": [REGISTRY["keys"][0] | {"role": "engineer"}]}}], 1,
                            "no beginning"),
    "origin without the key": ([GENESIS | {"origin": "plant/bench"}], 1, "no beginning"),
    "foreign origin": ([GENESIS, REMARK | {"origin": "plant/bench"}], 2, "foreign line"),
    "version 2": ([GENESIS, REMARK | {"v": 2}], 2, "foreign line"),
    "index skipped": ([GENESIS, REMARK | {"index": 2}], 2, "wrong place"),
    "index is text": ([GENESIS, REMARK | {"index": "1"}], 2, "incomplete entry"),
    "index is true": ([GENESIS, REMARK | {"index": True}], 2, "incomplete entry"),
    "root of nothing": ([GENESIS, REMARK | {"root": root_of([]).hex()}], 2, "other past"),
    "root missing": ([GENESIS, REMARK | {"root": "left out"}], 2, "other past"),
    "no time": ([GENESIS, REMARK | {"time": "left out"}], 2, "incomplete entry"),
    "no kind": ([GENESIS, REMARK | {"kind": "left out"}], 2, "incomplete entry"),
    "attempt miscounted": ([GENESIS, BEGIN, END, BEGIN], 4, "attempt miscounted"),
    "end without begin": ([GENESIS, END], 2, "no open run"),
    "ended twice": ([GENESIS, BEGIN, END, END], 4, "no open run"),
    "reading after the end": ([GENESIS, BEGIN, END, {"kind": "reading", "run": 1}], 4, "no open run"),
    "end for another unit": ([GENESIS, BEGIN, END | {"serial": "B"}], 3, "wrong unit"),
    "begin without serial": ([GENESIS, BEGIN | {"serial": "left out"}], 2, "incomplete entry"),
    "run is a list": ([GENESIS, BEGIN, END | {"run": [1]}], 3, "incomplete entry"),
    "outcome missing": ([GENESIS, BEGIN, END | {"outcome": "left out"}], 3, "incomplete entry"),
    "lock without reason": ([GENESIS, {"kind": "lock"}], 2, "incomplete entry"),
}


@pytest.mark.parametrize("name", LIES)
def test_lies_under_the_right_key_are_found(name: str) -> None:
    payloads, line, finding = LIES[name]
    report = audited(forge(payloads), None)
    assert (report.findings[0].line, report.findings[0].name) == (line, finding)
    assert report.findings[0].meaning


def test_a_line_under_another_key_is_found() -> None:
    report = audited(forge([GENESIS, REMARK], SigningKey.from_seed(bytes(32))), None)
    assert [(each.line, each.name) for each in report.findings] == [(2, "line not genuine")]


def test_what_is_only_noted() -> None:
    report = audited(forge([
        GENESIS, {"kind": "holiday"}, BEGIN, {"kind": "energise", "run": 2},
        {"kind": "abandon", "run": 2, "serial": "A", "energised": "yes"}, {"kind": "lock", "reason": "why"},
        BEGIN | {"attempt": 2}, REMARK | {"time": "2026-01-05T05:00:00.000000Z"}]), None)
    assert report.findings == []
    assert [(each.line, each.name) for each in report.notes] == [
        (0, "no checkpoint"), (2, "unknown kind"), (5, "abandoned run"), (6, "station locked"),
        (7, "repeated attempt"), (8, "clock went back"), (7, "open run")]
    assert report.outcomes == {"abandoned": 1}


def test_many_findings_are_counted_and_only_so_many_kept() -> None:
    data, note = small_log()
    report = audited(data + b"x\n" * (MOST_KEPT + 500), note)
    assert (len(report.findings), report.findings_count) == (MOST_KEPT, MOST_KEPT + 500)


@given(st.binary(max_size=400))
def test_no_bytes_give_a_traceback_or_a_clean_audit(data: bytes) -> None:
    assert audited(data, None).findings_count > 0


@given(st.randoms(use_true_random=False))
def test_no_mangling_of_a_log_gives_a_traceback_or_a_clean_audit(chance: random.Random) -> None:
    data, note = small_log()
    mangled = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        start = chance.randrange(len(mangled))
        size = chance.randint(0, 30)
        mangled[start:start + size] = chance.randbytes(chance.randint(0, 30))
    assert bytes(mangled) == data or audited(bytes(mangled), note).findings_count > 0


def test_the_audit_of_a_folder_reads_the_log_in_it(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log, outcome="fail")
        log.append(replace(begin(log), operator="another"))
        log.checkpoint()
    report = audit(tmp_path / "records")
    assert (report.lines, report.verified, report.checkpoint_size) == (6, 6, 6)
    assert report.outcomes == {"fail": 1} and report.root == log.root().hex()

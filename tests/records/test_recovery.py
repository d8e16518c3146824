"""Torn ends: recovered whatever the crash left, the debris kept and committed, and nothing acknowledged lost.

Every case ends the same way: the log opens, the bytes that were there are still there, the recovery commits exactly
those behind the last good line, the audit and the read side step over exactly them, and the next run is written.
"""

from __future__ import annotations

import hashlib
import random
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.errors import RecordFault
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.records.scan import scan
from tests.records.samples import begin, energise, open_log, whole_run
from tests.rig import Rig

SECTOR = 512


@pytest.fixture
def before(tmp_path: Path) -> tuple[Path, bytes, bytes]:
    """A folder whose log ends at a checkpoint, the log's bytes, and the line that was being written at the crash."""
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
        whole = log.path.read_bytes()
        log.append(begin(log))
        line = log.path.read_bytes()[len(whole):]
    return tmp_path, whole, line


def recovered(base: Path, whole: bytes, debris: bytes, again: bool = True) -> bytes:
    """Open the log after a crash left debris; check all that is promised; the log's bytes after it.

    ``again`` also reads it once more, as the next start does.
    """
    path = base / "records" / "log.jsonl"
    path.write_bytes(whole + debris)
    size = whole.count(b"\n")
    with open_log(base) as log:
        data = path.read_bytes()
        assert data.startswith(whole + debris)
        assert log.recovered is not None and log.size == size + 1
        offset, length, digest = log.recovered
        assert offset == len(whole) and length - len(debris) in (0, 1)
        assert hashlib.sha256(data[offset:offset + length]).hexdigest() == digest
    if not again:
        return data
    found = scan(path)
    assert (found.scars, found.tail, found.tree.size) == ([(offset, length, digest)], 0, size + 1)
    return data


def goes_on(base: Path, scars: int = 1) -> None:
    """The next run is written, the audit is in order and says where the scars are, and the read side steps over them."""
    with open_log(base) as log:
        assert log.recovered is None
        whole_run(log)
        log.checkpoint()
    report = audit(base / "records")
    assert report.findings == [] and report.verified == log.size
    assert [note.name for note in report.notes].count("scar") == scars
    assert [entry.index for entry in Records.open(base / "records").entries()] == list(range(log.size))


def test_every_prefix_of_the_last_line(before: tuple[Path, bytes, bytes]) -> None:
    base, whole, line = before
    for cut in range(1, len(line) - 1):
        recovered(base, whole, line[:cut], again=cut % 8 == 0)
    goes_on(base)
    assert len(line) - 2 > 1_500


def test_a_line_that_lacks_only_its_newline_stands(before: tuple[Path, bytes, bytes]) -> None:
    """Nobody was told that it is durable, but the station signed it: the newline is all that is added."""
    base, whole, line = before
    path = base / "records" / "log.jsonl"
    path.write_bytes(whole + line[:-1])
    with open_log(base) as log:
        assert path.read_bytes() == whole + line and log.recovered is None
        assert [run.serial for run in log.open_runs()] == ["DH6-00000001"]


def test_every_prefix_and_a_fill_of_zeros(before: tuple[Path, bytes, bytes]) -> None:
    base, whole, line = before
    cases = [line[:cut] + bytes(fill) for cut in range(0, len(line), 5) for fill in (1, 700)]
    for number, debris in enumerate(cases):
        recovered(base, whole, debris, again=number % 8 < 2)
    recovered(base, whole, line[:-1] + bytes(4096))
    goes_on(base)
    assert len(cases) > 600


def test_every_subset_of_sectors(before: tuple[Path, bytes, bytes]) -> None:
    """A line over several sectors of which only some reached the disk; the others read as zeros, or as old data."""
    base, whole, line = before
    start = len(whole) % SECTOR
    edges = [0, *range(SECTOR - start, len(line), SECTOR), len(line)]
    pieces = [line[one:other] for one, other in pairwise(edges)]
    cases = 0
    for kept in range(2 ** len(pieces) - 1):
        for old in (b"\0", b"{", b"A", b"\n"):
            debris = b"".join(piece if kept >> n & 1 else old * len(piece) for n, piece in enumerate(pieces))
            recovered(base, whole, debris)
            cases += 1
    goes_on(base)
    assert cases == 4 * (2 ** len(pieces) - 1) >= 60


def test_random_garbage(before: tuple[Path, bytes, bytes]) -> None:
    base, whole, line = before
    chance = random.Random(1)
    cases = 0
    for size in (1, 2, 10, 100, 1_000, 5_000, 70_000, 200_000):
        for head in (b"", line[:50], line[:-2]):
            recovered(base, whole, head + chance.randbytes(size))
            cases += 1
    goes_on(base)
    assert cases == 24


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(min_size=1, max_size=300))
def test_any_bytes_that_nobody_signed(before: tuple[Path, bytes, bytes], debris: bytes) -> None:
    recovered(before[0], before[1], debris)


def test_a_crash_inside_the_recovery_at_every_byte(before: tuple[Path, bytes, bytes]) -> None:
    """The debris only grows; a recovery that lacks nothing but its newline stands."""
    base, whole, line = before
    debris = line[:100]
    once = recovered(base, whole, debris)
    written = once[len(whole) + len(debris):]
    for cut in range(1, len(written) - 1):
        recovered(base, whole, debris + written[:cut], again=cut % 8 == 0)
        if cut % 10 == 0:
            recovered(base, whole, debris + written[:cut] + bytes(300))
    path = base / "records" / "log.jsonl"
    path.write_bytes(once[:-1])
    with open_log(base) as log:
        assert path.read_bytes() == once and log.recovered is None
    recovered(base, whole, debris + written[:-1] + bytes(300))
    goes_on(base)
    assert len(written) > 600


def test_three_crashes_in_a_row_leave_three_scars(before: tuple[Path, bytes, bytes]) -> None:
    base, whole, line = before
    path = base / "records" / "log.jsonl"
    path.write_bytes(whole)
    for number in range(3):
        with path.open("ab") as stream:
            stream.write(line[:200 + number] + b"\n" * number)
        with open_log(base) as log:
            assert log.recovered is not None
            log.append(entries.Remark(serial=None, reason="x"))
    assert [scar.length for scar in scan(path).scars] == [201, 202, 204]
    goes_on(base, scars=3)


def test_a_scar_that_is_changed_is_found(before: tuple[Path, bytes, bytes]) -> None:
    base, whole, line = before
    recovered(base, whole, line[:300])
    goes_on(base)
    path = base / "records" / "log.jsonl"
    data = path.read_bytes()
    changes = 0
    for place in range(len(whole), len(whole) + 301):
        path.write_bytes(data[:place] + bytes([data[place] ^ 4]) + data[place + 1:])
        report = audit(path)
        assert report.findings and report.findings[0].line == 6
        if place % 10 == 0:
            with pytest.raises(RecordFault, match="damaged at line 6"):
                open_log(base)
        changes += 1
    for changed in (data[:len(whole)] + data[len(whole) + 1:], data[:len(whole)] + b"x" + data[len(whole):],
                    data[:len(whole)] + data[len(whole) + 301:]):
        path.write_bytes(changed)
        assert audit(path).findings
        with pytest.raises(RecordFault):
            open_log(base)
    assert changes == 301


def test_acknowledged_lines_are_never_taken_for_debris(before: tuple[Path, bytes, bytes]) -> None:
    """Damage inside, in one byte at every place of two acknowledged lines after the checkpoint: refused, untouched."""
    base, whole, _ = before
    path = base / "records" / "log.jsonl"
    path.write_bytes(whole)
    with open_log(base) as log:
        log.append(entries.Remark(serial=None, reason="one"))
        log.append(entries.Remark(serial=None, reason="two"))
    data = path.read_bytes()
    first_ends = data.index(b"\n", len(whole)) + 1
    refused = 0
    for place in range(len(whole), first_ends):
        for flip in (1, 0x80)[:1 + place % 2]:
            path.write_bytes(data[:place] + bytes([data[place] ^ flip]) + data[place + 1:])
            with pytest.raises(RecordFault, match="damaged at line 6"):
                open_log(base)
            refused += 1
    assert refused > 1.4 * (first_ends - len(whole)) > 700


def test_a_station_that_starts_on_a_torn_log_says_so_and_tests(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Through the whole program in virtual time: a run cut off, half a line behind it; the next start abandons and passes."""
    with Rig(tmp_path) as rig:
        run = rig.log.append(begin(rig.log, rig.serial))
        rig.log.append(energise(run))
    path = tmp_path / "records" / "log.jsonl"
    with path.open("ab") as stream:
        stream.write(b'{"payloadType":"application')
    with Rig(tmp_path) as rig:
        assert "28 bytes that a crash left" in capsys.readouterr().err
        assert [(each.outcome, rig.log.withstand_applications(rig.serial)) for each in rig.log.attempts(rig.serial)] == [
            ("abandoned", 1)]
        assert rig.run().outcome == "pass"
    report = audit(path)
    assert report.findings == [] and report.outcomes == {"abandoned": 1, "pass": 1}
    ended = next(entry.payload for entry in Records.open(path.parent).entries() if entry.payload["kind"] == "end")
    assert (ended["attempt"], ended["earlier"][0]["outcome"], ended["withstand_applications"]) == (2, "abandoned", 2)

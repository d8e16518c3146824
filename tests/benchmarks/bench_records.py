"""What the signed record costs, each figure beside a yardstick of the same run: ``python tests/benchmarks/bench_records.py``.

Figures are CPU time unless they say wall. ``--million`` also makes a log of a million entries and measures the memory
that opening and auditing it takes (some minutes).
"""

from __future__ import annotations

import hashlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.clock import SystemClock
from eolseq.records.audit import audit
from eolseq.records.envelope import ENTRY_TYPE, pae
from eolseq.records.index import INDEX_NAME, RunIndex
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.records.scan import scan
from tests.records.samples import KEY, ORIGIN_NAME, ROLE, begin, end, energise, reading, write_key

ENTRIES = 100_000
MESSAGE = pae(ENTRY_TYPE, bytes(850))


def timed(work: Callable[[], object], times: int = 3) -> tuple[float, float]:
    """Least CPU and wall seconds of several goes."""
    found = []
    for _ in range(times):
        cpu, wall = time.process_time(), time.perf_counter()
        work()
        found.append((time.process_time() - cpu, time.perf_counter() - wall))
    return min(cpu for cpu, _ in found), min(wall for _, wall in found)


def opened(base: Path) -> Log:
    key = base / "keys" / "station.pem"
    if not key.exists():
        write_key(key)
    return Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=key, role=ROLE, clock=SystemClock())


def fill(log: Log, runs: int, durable: bool, first: int = 0) -> None:
    """Runs of ten entries on as many units, eight of them about 1 kB."""
    for number in range(first, first + runs):
        serial = f"DH6-{number:08d}"
        run = log.append(begin(log, serial), durable)
        for _ in range(4):
            log.append(energise(run), durable)
            log.append(reading(run), durable)
        log.append(end(log, run, serial), durable)


def in_turns(one: Callable[[], object], other: Callable[[], object], times: int) -> tuple[float, float]:
    """Median wall seconds of two things done in turns, so that a busy disk is busy for both."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        one()
        middle = time.perf_counter()
        other()
        found.append((middle - start, time.perf_counter() - middle))
    return statistics.median(each for each, _ in found), statistics.median(each for _, each in found)


def verify_bare(times: int) -> float:
    """CPU seconds that the Ed25519 library takes for one check of a 1 kB entry, in this process."""
    key, signature = KEY.verifier()._key, KEY.sign(MESSAGE)
    cpu = time.process_time()
    for _ in range(times):
        key.verify(signature, MESSAGE)
    return (time.process_time() - cpu) / times


def bare_on(jobs: int, times: int) -> float:
    """Wall seconds for so many bare checks shared by so many processes that are up already."""
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        list(pool.map(verify_bare, [10] * jobs))
        wall = time.perf_counter()
        list(pool.map(verify_bare, [times // jobs] * jobs))
        return time.perf_counter() - wall


def appending(base: Path) -> None:
    """CPU of one entry of about 1 kB, without and with the disk."""
    log = opened(base)
    run = log.append(begin(log))
    entry = reading(run)
    cpu, _ = timed(lambda: [log.append(entry, False) for _ in range(1000)], 7)
    sign, _ = timed(lambda: [KEY.sign(MESSAGE) for _ in range(1000)], 7)
    line = log.path.read_bytes().splitlines(keepends=True)[-1]
    print(f"append, CPU         {cpu * 1e3:7.1f} us an entry of {len(line)} bytes (most: 100); bare signature {sign * 1e3:.1f} us")
    descriptor = os.open(base / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    wall, bare = in_turns(lambda: log.append(entry), lambda: (os.write(descriptor, line), os.fdatasync(descriptor)), 1000)
    os.close(descriptor)
    print(f"append, durable wall{wall * 1e6:7.1f} us; bare append + fdatasync {bare * 1e6:.1f} us; "
          f"added {100 * (wall / bare - 1):.0f} %")
    _, mark = timed(lambda: [log.checkpoint() for _ in range(20)], 3)
    print(f"checkpoint, wall    {mark / 20 * 1e6:7.1f} us, with two fsyncs and a rename")
    log.close()


def reading_back(base: Path, path: Path) -> None:
    """Opening and auditing a log of many entries, on one process and on two."""
    lines = path.read_bytes().splitlines()
    count = len(lines)
    cpu, wall = timed(lambda: scan(path), 5)
    hashed, _ = timed(lambda: [hashlib.sha256(line).digest() for line in lines])
    print(f"open                {cpu:7.2f} s for {count} entries (most: 1 s a hundred thousand), wall {wall:.2f} s; "
          f"bare SHA-256 {hashed:.2f} s")
    bare: list[float] = []  # measured all through the audit, so that a busy machine is busy for both
    spent = time.process_time(), time.perf_counter()
    audit(path, progress=lambda _: bare.append(verify_bare(100)))
    extra = 100 * sum(bare)
    cpu, one = time.process_time() - spent[0] - extra, time.perf_counter() - spent[1] - extra
    each = statistics.mean(bare)
    print(f"audit, CPU          {cpu / count * 1e6:7.1f} us an entry; bare Ed25519 check {each * 1e6:.1f} us; "
          f"rate {each * count / cpu:.2f} of the bare one (least: 0.65)")
    _, two = timed(lambda: audit(path, jobs=2), 1)
    alone, together = bare_on(1, 8000), bare_on(2, 8000)
    print(f"audit, wall         {one:7.2f} s by one process, {two:.2f} s by two: {one / two:.2f} times (least: 1.8); "
          f"the bare library {alone / together:.2f} times")
    records = Records.open(base / "records")
    cpu, _ = timed(lambda: RunIndex.open(records, lambda _: None, anew=True).close(), 1)
    size = path.with_name(INDEX_NAME).stat().st_size
    print(f"index made anew     {count / cpu / 1000:7.1f} thousand entries a second; {size / 1e6:.1f} MB")


def memory(base: Path, what: str) -> str:
    """The most memory (MB) that a process of its own takes."""
    script = f"""import sys; sys.path.insert(0, {str(Path(__file__).parents[2])!r})
from pathlib import Path
from eolseq.records.audit import audit
from eolseq.records.scan import scan
path = Path({str(base / "records" / "log.jsonl")!r})
found = {what}
status = Path("/proc/self/status").read_text()  # ru_maxrss would keep what this process took before its exec
print(int(status.split("VmHWM:")[1].split()[0]) // 1024)"""
    return subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True).stdout.strip()


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        appending(Path(folder))
    million = "--million" in sys.argv[1:]
    count = 10 * ENTRIES if million else ENTRIES
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:
        base = Path(folder)
        with opened(base) as log:
            fill(log, ENTRIES // 10, False)
            log.checkpoint()
        reading_back(base, log.path)
        if million:
            with opened(base) as log:
                fill(log, (count - ENTRIES) // 10, False, ENTRIES // 10)
                log.checkpoint()
        for what in ("scan(path)", "audit(path)"):
            print(f"memory, {what:12}{memory(base, what):>7} MB at most, {count} entries (most, for a million: 200)")
    print(f"memory here         {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024:7} MB")


if __name__ == "__main__":
    main()

"""What the signed record costs, each figure beside a yardstick of the same run: ``python tests/benchmarks/bench_records.py``."""

from __future__ import annotations

import hashlib
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.clock import SystemClock
from eolseq.records.audit import audit
from eolseq.records.envelope import ENTRY_TYPE, pae
from eolseq.records.log import Log
from eolseq.records.scan import scan
from eolseq.records.system import OperatingSystem
from tests.records.samples import KEY, ORIGIN_NAME, ROLE, begin, end, energise, reading, write_key

RUNS = 500


def timed(work: Callable[[], object], times: int = 5) -> tuple[float, float]:
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


def fill(log: Log, runs: int, durable: bool) -> None:
    """Runs of ten entries, eight of them about 1 kB."""
    for number in range(runs):
        serial = f"DH6-{number:08d}"
        run = log.append(begin(log, serial), durable)
        for _ in range(4):
            log.append(energise(run), durable)
            log.append(reading(run), durable)
        log.append(end(log, run, serial), durable)


def bare_append(path: Path, lines: list[bytes], durable: bool) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for line in lines:
        os.write(descriptor, line)
        if durable:
            os.fdatasync(descriptor)
    os.close(descriptor)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        log = opened(base)
        count = 10 * RUNS
        cpu, _ = timed(lambda: fill(log, RUNS, False), 3)
        path = log.path
        log.checkpoint()
        lines = path.read_bytes().splitlines(keepends=True)
        message = pae(ENTRY_TYPE, bytes(800))
        sign, _ = timed(lambda: [KEY.sign(message) for _ in range(1000)])
        print(f"append, CPU        {cpu / count * 1e6:7.1f} us an entry of {path.stat().st_size / len(lines):.0f} bytes; "
              f"bare Ed25519 signature {sign * 1e3:.1f} us")
        _, wall = timed(lambda: fill(log, 20, True), 3)
        _, bare = timed(lambda: bare_append(base / "bare", lines[:200], True), 3)
        print(f"append, durable    {wall / 200 * 1e6:7.1f} us; bare append + fdatasync {bare / 200 * 1e6:.1f} us")
        log.checkpoint()
        _, mark = timed(lambda: [log.checkpoint() for _ in range(20)], 3)
        print(f"checkpoint         {mark / 20 * 1e6:7.1f} us, with two fsyncs and a rename")
        log.close()
        lines = path.read_bytes().splitlines()
        cpu, _ = timed(lambda: scan(path), 3)
        hashed, _ = timed(lambda: [hashlib.sha256(line).digest() for line in lines], 3)
        print(f"open, CPU          {cpu / len(lines) * 1e6:7.1f} us an entry; bare SHA-256 {hashed / len(lines) * 1e6:.1f} us")
        cpu, _ = timed(lambda: audit(path), 2)
        key, signature = KEY.verifier(), KEY.sign(message)
        verify, _ = timed(lambda: [key.verify(signature, message) for _ in range(1000)])
        each = cpu / len(lines)
        print(f"audit, CPU         {each * 1e6:7.1f} us an entry; bare Ed25519 check {verify * 1e3:.1f} us; "
              f"rate {verify / 1000 / each:.2f} of the bare one")
        print(f"memory             {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:7.0f} MB at most, {len(lines)} entries")
        print(f"boot               {OperatingSystem().boot()}")


if __name__ == "__main__":
    main()

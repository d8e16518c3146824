"""What a label costs after its run, each figure beside a yardstick of the same run: ``python -m tests.benchmarks.bench_labels``.

CPU and wall milliseconds, median and 99th of a hundred, for the label alone (checkpoint, drawing, two durable entries; the
printer is memory) and for a folder, which also draws the PNG and waits for the disk; and Python's memory
for a log of 20,000 labelled units. The yardstick is SHA-256 over 16 MiB.
"""

from __future__ import annotations

import hashlib
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

from eolseq.clock import SystemClock
from eolseq.commands.labelling import Paper
from eolseq.records.label_entries import LabelFate, LabelPrint
from eolseq.records.scan import scan
from eolseq.records.system import OperatingSystem
from eolseq.station.label_fields import LabelRules
from tests.line.labels import SEQUENCE, STATION, MemoryPrinter
from tests.records.samples import open_log, whole_run

LABELS, UNITS = 100, 20_000


def spread(work: Callable[[int], object], times: int) -> tuple[float, float, float, float]:
    """Median and 99th of CPU, then of wall, in ms."""
    cpu, wall = [], []
    for number in range(times):
        at, began = time.process_time(), time.perf_counter()
        work(number)
        cpu.append((time.process_time() - at) * 1e3)
        wall.append((time.perf_counter() - began) * 1e3)
    cpu.sort()
    wall.sort()
    middle, last = times // 2, times * 99 // 100
    return cpu[middle], cpu[last], wall[middle], wall[last]


def labels(base: Path, paper: Paper, what: str) -> None:
    with open_log(base, clock=SystemClock(), system=OperatingSystem()) as log:
        for number in range(LABELS + 1):
            whole_run(log, f"DH6-{number:08d}")
        paper.label(log, SEQUENCE, f"DH6-{LABELS:08d}")  # loads the drawing library
        found = spread(lambda number: paper.label(log, SEQUENCE, f"DH6-{number:08d}"), LABELS)
        print(f"{what:28}  cpu {found[0]:6.1f} p99 {found[1]:6.1f} ms   wall {found[2]:6.1f} p99 {found[3]:6.1f} ms")


def memory(base: Path) -> None:
    said = {"model": "DH-6", "serial": "x", "ratings": "240 V  60 Hz  6 kW", "date": "2026-01-05", "station": "bench"}
    with open_log(base) as log:
        for number in range(UNITS):
            serial = f"DH6-{number:08d}"
            end = whole_run(log, serial)
            at = log.append(LabelPrint(serial=serial, end=end, copy=1, of="unit", reason=None, by=None, printer="folder",
                                       digest="00" * 32, code="x" * 231, said=said), durable=False)
            log.append(LabelFate(serial=serial, event="printed", end=end, copy=1, of="unit", label=at, reason=None,
                                 by=None), durable=False)
        log.checkpoint()
    tracemalloc.start()
    began = time.process_time()
    found = scan(base / "records" / "log.jsonl")
    took = time.process_time() - began
    kept = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    print(f"{UNITS} labelled units: opened in {took:.1f} s (traced), {kept / UNITS:.0f} bytes a unit in Python's memory; "
          f"{len(found.book.labels('DH6-00000001'))} entries about the label of one of them")


def main() -> None:
    data = bytes(16 << 20)
    found = spread(lambda _: hashlib.sha256(data), 20)
    print(f"{'yardstick: SHA-256, 16 MiB':28}  cpu {found[0]:6.1f} p99 {found[1]:6.1f} ms")
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        labels(base / "a", Paper(STATION, LabelRules(folder="unused"), MemoryPrinter()), "label")
        labels(base / "b", Paper(STATION, LabelRules(folder=str(base / "labels"))), "label into a folder")
        memory(base / "c")


if __name__ == "__main__":
    main()

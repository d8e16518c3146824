"""A shift in virtual time: from scan to first step and from last step to label, and memory and descriptors over units.

Run as ``python -m tests.benchmarks.bench_shift [UNITS]``. The guard is looked at every 50 ms, so that what is measured is
the program's own work in wall time; instruments answer at once, and so does a printer that only counts. What a label
costs to draw is within the second figure. The yardstick is one durable append of the log in the same run, since most of
the rest is written and signed. Targets: 150 ms each at p99 beyond the printer; memory and descriptors flat.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.bands.band import Outcome
from eolseq.engine.events import RunBegins, SafetyState, StepBegins, StepEnds
from eolseq.line.shift_events import Situation, Stands, UnitOver
from eolseq.records.entries import Remark
from tests.shift_rig import ShiftRig

TARGET = 0.150  # s at p99
STEPS = 6       # of the sequence


class CountingPrinter:
    """Takes every label at once and keeps none."""

    name = "queue that counts"

    def __init__(self) -> None:
        self.taken = 0

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Count it."""
        self.taken += 1
        return f"job {self.taken}"

    def ready(self) -> str:
        """Always."""
        return ""


class Stopwatch:
    """Wall time from each scan to its first step, and from its last step to its label."""

    def __init__(self, rig: ShiftRig) -> None:
        self.rig = rig
        self.to_step: list[float] = []
        self.to_label: list[float] = []
        self.work: list[float] = []  # of the label, in CPU time
        self.memory: list[int] = []
        self.descriptors: list[int] = []
        self._scanned = self._ended = self._worked = 0.0

    def tell(self, event: Any) -> None:
        """Look at the clock at what matters, and forget what was told, which the rig would keep."""
        now = time.perf_counter()
        if isinstance(event, Stands) and event.situation is Situation.RUNNING:
            self._scanned = now
        elif isinstance(event, RunBegins | SafetyState):
            pass
        elif isinstance(event, StepBegins) and event.index == 0:
            self.to_step.append(now - self._scanned)
        elif isinstance(event, StepEnds) and event.index == STEPS - 1:
            self._ended, self._worked = now, time.process_time()
        elif isinstance(event, UnitOver) and event.outcome is Outcome.PASS:
            self.to_label.append(now - self._ended)
            self.work.append(time.process_time() - self._worked)
            self._look()

    def _look(self) -> None:
        """Memory of Python's objects and open descriptors, now and then."""
        self.rig.told.clear()
        self.rig.world.changes.clear()
        if len(self.to_label) % 50 == 0:
            self.memory.append(tracemalloc.get_traced_memory()[0] if tracemalloc.is_tracing() else 0)
            self.descriptors.append(len(os.listdir("/proc/self/fd")))


def at(values: list[float], part: float) -> float:
    """A percentile in milliseconds."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))] * 1e3


def shift_of(units: int, folder: Path, *, traced: bool) -> tuple[Stopwatch, ShiftRig]:
    """A shift over so many units of one model."""
    rig = ShiftRig(folder)
    with rig:
        if rig.around.papers is None:
            raise SystemExit("the line bench prints no labels")
        rig.around.papers.paper.printer = CountingPrinter()
        watch = Stopwatch(rig)
        rig.also = watch.tell
        rig.longest = 100.0 * units
        if traced:
            tracemalloc.start()
        rig.run([f"DH6-{number:08d}" for number in range(1, units + 1)])
        tracemalloc.stop()
        if len(watch.to_label) != units:
            raise SystemExit(f"only {len(watch.to_label)} of {units} units passed")
    return watch, rig


def append_seconds(folder: Path) -> float:
    """The yardstick: one durable entry, the fastest of many."""
    with ShiftRig(folder) as rig:
        best = 1.0
        for _ in range(200):
            begun = time.perf_counter()
            rig.log.append(Remark(serial=None, reason="yardstick"))
            best = min(best, time.perf_counter() - begun)
    return best


def main(units: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        yard = append_seconds(Path(folder) / "yard")
        begun = time.perf_counter()
        watch, _ = shift_of(units, Path(folder) / "timed", traced=False)
        seconds = time.perf_counter() - begun
        traced, _ = shift_of(units, Path(folder) / "traced", traced=True)
    print(f"{units} units in {seconds:.1f} s of wall time; a durable entry takes {yard * 1e6:.0f} us at best")
    for name, values in (("scan to first step", watch.to_step), ("last step to label", watch.to_label),
                         ("  of it CPU time", watch.work)):
        verdict = "ok" if at(values, 0.99) <= TARGET * 1e3 else "MISSED"
        print(f"  {name:<20} p50 {at(values, 0.5):7.1f} ms   p99 {at(values, 0.99):7.1f} ms   max {max(values) * 1e3:7.1f} ms"
              f"   {at(values, 0.5) / 1e3 / yard:6.0f} durable entries   {verdict}")
    print("  memory of Python's objects in KiB at every 50 units: "
          + " ".join(f"{each // 1024}" for each in traced.memory))
    print("  descriptors at every 50 units: " + " ".join(map(str, traced.descriptors)))
    grown = (traced.memory[-1] - traced.memory[len(traced.memory) // 2]) / (units / 2) if len(traced.memory) > 3 else 0
    print(f"  growth in the second half: {grown:.0f} bytes a unit, which the log keeps of each run to know its attempts")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)

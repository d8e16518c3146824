"""Units a second in virtual time through the whole engine: every exchange, every signature, every durable entry.

Run as ``python tests/benchmarks/bench_units.py [UNITS] [--profile]``. Pinned to one core, the guard looked at every
50 ms, the log in memory; beside it the same with the log on a disk. The yardstick is as many plain pyvisa queries on
the in-process library as a unit takes exchanges.
"""

from __future__ import annotations

import cProfile
import os
import pstats
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.bands.band import Outcome
from eolseq.instruments.link import Trace
from tests.rig import Rig

MEMORY, DISK = Path("/dev/shm"), Path(tempfile.gettempdir())
TARGET = 100.0  # units a second, log in memory
WARM_UP = 3     # units before the clock starts


def test_units(rig: Rig, numbers: range) -> None:
    """Take units through the whole sequence, one after the other; each must pass."""
    for number in numbers:
        rig.serial = f"DH6-{number:08d}"
        rig.events.clear()
        rig.world.changes.clear()
        rig.world.load(rig.serial)
        if rig.run().outcome is not Outcome.PASS:
            raise SystemExit(f"{rig.serial} did not pass: {rig.events[-1]}")


def exchanges_of_a_unit(rig: Rig, number: int) -> int:
    """How many messages one unit takes."""
    count = 0

    def trace(*what: object) -> None:
        nonlocal count
        count += what[1] == "out"

    def set_trace(to: Trace | None) -> None:
        for link in rig.opened.links:
            link.trace = to

    set_trace(trace)
    test_units(rig, range(number, number + 1))
    set_trace(None)
    return count


def seconds_of(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of a call, and those of them that the processor worked for it."""
    start, worked = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - worked


def measure(folder: Path, units: int, profile: cProfile.Profile | None = None) -> tuple[float, float, int, float]:
    """With the log in a folder: seconds and processor seconds for each unit, its exchanges, seconds of plain queries."""
    with tempfile.TemporaryDirectory(dir=folder) as name, Rig(Path(name)) as rig:
        test_units(rig, range(1, 1 + WARM_UP))
        exchanges = exchanges_of_a_unit(rig, WARM_UP + 1)
        first = WARM_UP + 2
        if profile is not None:
            profile.enable()
        seconds, worked = seconds_of(lambda: test_units(rig, range(first, first + units)))
        if profile is not None:
            profile.disable()
        rig.opened.watcher.end()
        plain = rig.wires.manager.open_resource(rig.wires.addresses["residual"], read_termination="\n",
                                                write_termination="\n")
        queries = min(seconds_of(lambda: [plain.query("MEAS:VOLT:MAX?") for _ in range(exchanges)])[1] for _ in range(5))
        return seconds / units, worked / units, exchanges, queries


def main() -> None:
    """Measure and print."""
    words = [word for word in sys.argv[1:] if word.isdigit()]
    units = int(words[0]) if words else 200
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    print(f"{units} units, one core, guard looked at every 50 ms, load {os.getloadavg()[0]:.1f}")
    for name, folder in (("memory", MEMORY), (f"disk ({DISK})", DISK)):
        seconds, worked, exchanges, queries = measure(folder, units)
        target = f" (target {TARGET:g})" if folder is MEMORY else ""
        print(f"log in {name}: {1 / seconds:.1f} units a second{target}, {1 / worked:.1f} by processor time;"
              f" {worked * 1000:.2f} ms of it for each unit of {exchanges} exchanges,"
              f" {worked / queries:.2f} x as many plain pyvisa queries ({queries * 1000:.2f} ms)")
    if "--profile" in sys.argv:
        profile = cProfile.Profile()
        measure(MEMORY, units, profile)
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()

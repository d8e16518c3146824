"""From the guard's contact opening to OFF arriving at every source, by the simulator's own view in its own process.

Run as ``python tests/benchmarks/bench_trip.py [COUNT]``. The guard is looked at every 2 ms. The yardstick is a bare
loop of plain sockets that does the same; both are measured idle and with a thread of pure computing beside them.
"""

from __future__ import annotations

import os
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.commands.run import SWITCH_INTERVAL
from eolseq.commands.wiring import real_wires
from eolseq.guard.inputs import GuardSettings
from eolseq.instruments.page import load_page
from eolseq.station.file import load_station
from eolseq.station.open import open_station
from tests.safety.real import PATIENCE, Simulator, bench_station

SCAN = 0.002
SOURCES = ("withstand", "power", "continuity")
CLOSED_BITS = 1 << 8 | 1 << 9
TARGETS = {"idle": SCAN + 0.002, "busy": 0.010}  # seconds, of the 99th percentile


class Contact:
    """The guard of the simulator, opened over and over."""

    def __init__(self, simulator: Simulator, sources: tuple[str, ...]) -> None:
        self._simulator = simulator
        self._sources = sources
        self._count = 0

    def open(self) -> float:
        """Open it, wait until OFF has arrived at every source; the seconds from the one to the last of the others."""
        simulator = self._simulator
        simulator.events.clear()
        simulator.order(open="both")
        opened = float(simulator.await_event(lambda event: event.get("guard") == "open")["time"])
        arrived = [simulator.await_event(lambda event, name=name: event.get("off_received") == name, opened)["time"]
                   for name in self._sources]
        return max(arrived) - opened

    def close(self) -> None:
        """Close it."""
        self._simulator.order(close="both")

    def wait(self) -> None:
        """Let some tenths of a millisecond pass, so that it opens at every moment of a scan."""
        self._count += 1
        until = time.perf_counter() + 0.0002 * (self._count % 11)
        while time.perf_counter() < until:
            pass


def by_program(simulator: Simulator, folder: Path, count: int) -> list[float]:
    """The program's own watcher on all eight instruments."""
    station = load_station(bench_station(folder, simulator.addresses))
    pages = {each.name: load_page(Path(each.page)) for each in station.instruments}
    wires = real_wires(simulator.addresses)
    opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock, GuardSettings(scan=SCAN))
    try:
        opened.all_off()
        watcher, contact = opened.watcher, Contact(simulator, SOURCES)
        times = []
        for _ in range(count):
            contact.close()
            if not watcher.wait_for(lambda state: state.closed, PATIENCE):
                raise SystemExit("the guard was never seen closed")
            watcher.arm()
            contact.wait()
            times.append(contact.open())
            watcher.disarm()
            watcher.reset()
        return times
    finally:
        opened.close()


def by_bare_loop(simulator: Simulator, _: Path, count: int) -> list[float]:
    """A loop of plain sockets: ask, look at two bits, send OFF on a line opened beforehand to each TCP source."""
    guard, *offs = (plain(simulator, name) for name in ("guard", "withstand", "power"))
    closed, armed, ending = threading.Event(), threading.Event(), threading.Event()

    def watch() -> None:
        while not ending.wait(SCAN):
            guard.sendall(b"*TRG;:STAT:OPER:COND?\n")
            guarded = int(guard.recv(100)) & CLOSED_BITS == CLOSED_BITS
            if not guarded and armed.is_set():
                armed.clear()
                for line in offs:
                    line.sendall(b"OUTP OFF\n")
            (closed.set if guarded else closed.clear)()

    watching, contact, times = threading.Thread(target=watch), Contact(simulator, ("withstand", "power")), []
    watching.start()
    try:
        for _ in range(count):
            contact.close()
            if not closed.wait(PATIENCE):
                raise SystemExit("the guard was never seen closed")
            armed.set()
            contact.wait()
            times.append(contact.open())
            closed.clear()
        return times
    finally:
        ending.set()
        watching.join()
        for line in (guard, *offs):
            line.close()


def plain(simulator: Simulator, name: str) -> socket.socket:
    """A plain socket to an instrument."""
    line = socket.create_connection(("127.0.0.1", int(simulator.addresses[name].split("::")[2])), PATIENCE)
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return line


@contextmanager
def company(busy: bool) -> Iterator[None]:
    """A thread that computes without pause, or none."""
    ending = False

    def compute() -> None:
        number = 1
        while not ending:
            number = number * 1103515245 % 2147483648

    thread = threading.Thread(target=compute)
    if busy:
        thread.start()
    yield
    ending = True
    if busy:
        thread.join()


def measured(how: Callable[[Simulator, Path, int], list[float]], busy: bool, count: int) -> list[float]:
    """Seconds in order of size, with a simulator of its own."""
    simulator = Simulator()
    try:
        simulator.order(closes_by_itself=False)
        with tempfile.TemporaryDirectory() as folder, company(busy):
            return sorted(how(simulator, Path(folder), count))
    finally:
        simulator.close()


def percentile(times: list[float], part: float) -> float:
    """The value below which this part of the times lies."""
    return times[min(len(times) - 1, int(len(times) * part))]


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    sys.setswitchinterval(float(sys.argv[2]) if len(sys.argv) > 2 else SWITCH_INTERVAL)
    print(f"n = {count}, scan {SCAN * 1000:g} ms, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; milliseconds")
    for name, busy in (("idle", False), ("busy", True)):
        found = {words: measured(how, busy, count) for words, how in (("bare loop", by_bare_loop), ("program", by_program))}
        for words, times in found.items():
            p50, p99 = percentile(times, 0.5), percentile(times, 0.99)
            against = p99 / percentile(found["bare loop"], 0.99)
            target = f"target {TARGETS[name] * 1000:g}" if words == "program" else "yardstick"
            print(f"{name:5} {words:10} p50 {p50 * 1000:6.2f}  p99 {p99 * 1000:6.2f}  max {times[-1] * 1000:6.2f}"
                  f"   p99 {against:5.2f} x bare loop   {target}")


if __name__ == "__main__":
    main()

"""One look at the guard in this process, and opening six instruments of which one is slow to say who it is.

Run with ``python -m tests.benchmarks.bench_guard_and_open``. Asked for: at most 20 us of processor time for the guard
unit's answer in process (the simulated unit, from message to reply; yardstick: a dictionary), and at most 300 ms to open
six instruments when one takes 200 ms to identify, 100 for its identity and 100 for its error queue (yardstick: the same
six opened one after another).
"""

from __future__ import annotations

import os
import threading
import time
from dataclasses import replace
from typing import Any

from eolseq.clock import SystemClock
from eolseq.guard.inputs import GuardInputs, GuardSettings, GuardState
from eolseq.instruments.link import resource_manager
from eolseq.simulation.file import build
from eolseq.simulation.server import Server
from eolseq.station.looking import look_at
from eolseq.station.open import connected, open_station
from tests.rig import PAGES, SIMULATOR, STATION

LOOK = b"*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?\n"
GUARD_MOST, OPEN_MOST, SLOW = 20e-6, 0.3, 0.1  # s; SLOW for each of two answers
SIX = ("withstand", "power", "resistance", "current", "residual", "guard")


def least(work: Any, count: int = 3000, rounds: int = 9) -> float:
    """Seconds of this process's own time for one call, the quietest round."""
    best = float("inf")
    for _ in range(rounds):
        start = time.process_time()
        for _ in range(count):
            work()
        best = min(best, (time.process_time() - start) / count)
    return best


def guard_answer() -> float:
    """From the bytes of a look to the bytes of its answer, the time going on; then what the watcher makes of it."""
    world = build(SIMULATOR, None, now=0.0)
    line = {name: each for name, each, _ in world.instruments()}["guard"].connect()
    now = [0.0]

    def look() -> None:
        now[0] += 0.002
        line.receive(LOOK, now[0])

    table = {LOOK: b"3840;512\n"}
    figure, yardstick = least(look), least(lambda: table.get(bytes(LOOK)))
    inputs, flags = GuardInputs(GuardSettings()), frozenset(("contact_a", "contact_b", "green", "locked"))

    def judge() -> None:
        inputs.note(GuardState.of(flags, 0.0))
        inputs.reason_to_stop(0.001)

    print(f"guard unit's answer in process {figure * 1e6:5.1f} us (at most {GUARD_MOST * 1e6:.0f}); a dictionary "
          f"{yardstick * 1e6:.2f} us; judging it {least(judge) * 1e6:.1f} us")
    return figure


def opening() -> float:
    """The best of several openings of six, one of them slow, side by side."""
    station = replace(STATION, instruments=tuple(each for each in STATION.instruments if each.name in SIX))
    world = build(SIMULATOR, None, now=time.monotonic())
    world.set_fault("slow", "resistance", SLOW)
    server = Server(world.instruments(), tick=world.advance_to)
    thread = threading.Thread(target=server.run)
    thread.start()
    clock, manager, addresses = SystemClock(), resource_manager(), dict(server.addresses)
    try:
        one_by_one = min(_timed(lambda: _in_turn(station, addresses, manager, clock)) for _ in range(3))
        figure = min(_timed(lambda: open_station(station, PAGES, addresses, manager, clock).close()) for _ in range(7))
        look = min(_timed(lambda: look_at(station, PAGES, addresses, manager, clock)) for _ in range(2))
    finally:
        server.stop()
        thread.join(5)
    print(f"opening six, one slow by {2 * SLOW * 1e3:.0f} ms: {figure * 1e3:.0f} ms (at most {OPEN_MOST * 1e3:.0f}); one after "
          f"another {one_by_one * 1e3:.0f} ms; looking at them five times each {look * 1e3:.0f} ms")
    return figure


def _in_turn(station: Any, addresses: dict[str, str], manager: Any, clock: SystemClock) -> None:
    for place in station.instruments:
        player, link = connected(place, PAGES[place.name], addresses[place.name], manager, clock)
        player.open()
        link.close()


def _timed(work: Any) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Measure and print; ends with an error when it is more than asked for."""
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    guard, six = guard_answer(), opening()
    if guard > GUARD_MOST or six > OPEN_MOST:
        raise SystemExit("more than asked for")


if __name__ == "__main__":
    main()

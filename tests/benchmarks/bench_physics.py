"""What the physics of a simulated station costs, beside a yardstick of the same run.

Run it as ``python tests/benchmarks/bench_physics.py``. The yardstick is ``*OPC?`` to the same instrument: the wire
alone, with no physics behind it. Aimed at: a few microseconds when nothing changes, and under 5 ms for the some 600
messages of a whole run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.simulation.physics.talk import SERIAL, SIMULATOR, Talk

LOOK = b"*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?\n"
MEASURE = b"MEAS:VOLT?;CURR?;:CALC2:DATA?;:MEAS:TINT?;:STAT:OPER:COND?;:STAT:QUES:COND?\n"
SHARES = {"guard look": 390, "withstand measure": 35, "relay and back": 25, "continuity measure": 45, "supply current": 20,
          "*OPC? (the wire alone)": 85}
"""How often each comes in a run of six steps at a guard scan of 50 ms, roughly; the rest counts as the wire alone."""


def microseconds(action: Callable[[], object], count: int = 20_000) -> float:
    """The best of five rounds, in microseconds a time."""
    rounds = []
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(count // 5):
            action()
        rounds.append((time.perf_counter() - start) / (count // 5) * 1e6)
    return min(rounds)


def main() -> None:
    """Measure, and print a table."""
    talk = Talk().ready(1e6)
    bay = talk.bay
    wires = {name: each.wire for name, each in bay.by_name.items()}
    time_now = [talk.now]

    def send(name: str, message: bytes) -> Callable[[], object]:
        def action() -> None:
            time_now[0] += 1e-4
            wires[name].receive(message, time_now[0])
        return action

    def advance() -> None:
        time_now[0] += 1e-4
        bay.advance_to(time_now[0])

    relays = (send("switching", b"ROUT:CLOS (@111)\n"), send("switching", b"ROUT:OPEN:ALL\n"))
    found = {
        "*OPC? (the wire alone)": microseconds(send("guard", b"*OPC?\n")),
        "advance, nothing due": microseconds(advance),
        "guard look": microseconds(send("guard", LOOK)),
        "withstand measure": microseconds(send("withstand", MEASURE)),
        "continuity measure": microseconds(send("continuity", b"MEAS:CURR?;FRES?;:STAT:OPER:COND?\n")),
        "supply current": microseconds(send("current", b"READ?\n")),
        "relay and back": microseconds(lambda: [each() for each in relays]),
        "next unit": microseconds(lambda: bay.load(SERIAL), 2000),
        "a unit with a defect": microseconds(lambda: SIMULATOR.unit(SERIAL, "poor-bond"), 2000),
    }
    yardstick = found["*OPC? (the wire alone)"]
    for name, cost in found.items():
        print(f"{name:26} {cost:8.2f} us {cost / yardstick:7.1f} x the wire alone")
    total = sum(found[name] * times for name, times in SHARES.items()) / 1000
    print(f"{'a whole run':26} {total:8.2f} ms for {sum(SHARES.values())} messages (aim: under 5)")


if __name__ == "__main__":
    main()

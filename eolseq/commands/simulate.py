"""``eolseq simulate``: serve a simulated station on loopback."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from eolseq.simulation.faulty import Fault
    from eolseq.simulation.file import Simulator

NAME = "simulate"
HELP = """serve a simulated station on loopback sockets and pseudo-terminals

The first output is one line per instrument: its name and its VISA address, TCP sockets first. After that, one JSON
line for every change of an output, the guard or the contactor, with CLOCK_MONOTONIC time. Ctrl-C ends it."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("station", metavar="STATION", help="a station file with a 'simulated' key, or a simulator file")
    parser.add_argument("--unit", metavar="SERIAL", help="serial of the unit in the bay (the simulator's own if left)")
    parser.add_argument("--defect", metavar="NAME", help="a defect of the simulator file, in the unit")
    parser.add_argument("--bay", metavar="NAME", help="where there are several bays: the one that these are meant for")
    parser.add_argument("--open-guard-after", metavar="SECONDS", type=float,
                        help="open the guard contact so many seconds after the first energise")
    parser.add_argument("--fault", metavar="INSTRUMENT:NAME[:NUMBER]", action="append", default=[],
                        help="a fault from the start, such as current:drifted:0.02 or bay:test-lead-off; may be "
                             "repeated, and an unknown one lists all")
    parser.add_argument("--lifeline", action="store_true",
                        help="end when the standard input ends, and take orders from it, one JSON line each")


def _faults(simulator: Simulator, written: Sequence[str]) -> list[Fault]:
    """Faults as they are written; WrongUse, with every name, for one that this station cannot have."""
    from eolseq.errors import WrongUse
    from eolseq.simulation.faulty import read_fault

    faults = []
    for text in written:
        try:
            faults.append(read_fault(text))
        except ValueError as error:
            raise WrongUse(f"{error}.", "Write it as current:drifted:0.02 or bay:test-lead-off.") from None
        simulator.check_fault(faults[-1])
    return faults


def run(options: argparse.Namespace) -> int:
    """Serve until the lifeline ends or a signal comes."""
    import sys
    import time

    from eolseq import shape
    from eolseq.errors import WrongUse
    from eolseq.shipped import find
    from eolseq.simulation.file import build, load_simulator
    from eolseq.simulation.server import EventLines, serve
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    written, wanted = list(options.fault), list[str]()
    if shape.kind_of(path) == "station":
        station = load_station(path)
        if not station.simulated:
            raise WrongUse(f"{path} is a real station.", "Only simulated stations can be served.")
        path = find(Path(station.simulated), shipped=True)
        written, wanted = [*station.faulty, *written], [each.name for each in station.instruments]
    simulator = load_simulator(path)
    faults = _faults(simulator, written)
    out = EventLines(sys.stdout)
    world = build(simulator, options.unit, options.defect, now=time.monotonic(), emit=out,
                  faults=faults, bay=options.bay)
    missing = sorted(set(wanted) - {name for name, _, _ in world.instruments()})
    if missing:
        raise WrongUse(f"The simulator {path} has no instrument named {', '.join(missing)}.",
                       "Correct 'instruments' in the station file or in the simulator file.")
    if options.open_guard_after is not None:
        world.open_guard_after(options.open_guard_after)
    lifeline = sys.stdin.fileno() if options.lifeline else None
    serve(world.instruments(), tick=world.advance_to, out=out, lifeline=lifeline, control=world.obey)
    return 0

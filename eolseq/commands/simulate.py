"""``eolseq simulate``: serve a simulated station on loopback."""

from __future__ import annotations

import argparse
from pathlib import Path

NAME = "simulate"
HELP = """serve a simulated station on loopback sockets and pseudo-terminals

The first output is one line per instrument: its name and its VISA address, TCP sockets first. After that, one JSON
line for every change of an output, the guard or the contactor, with CLOCK_MONOTONIC time. Ctrl-C ends it."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("station", metavar="STATION", help="a station file with a 'simulated' key, or a simulator file")
    parser.add_argument("--unit", metavar="SERIAL", help="serial of the unit in the bay (the simulator's own if left)")
    parser.add_argument("--defect", metavar="NAME", help="a defect of the simulator file, in the unit")
    parser.add_argument("--open-guard-after", metavar="SECONDS", type=float,
                        help="open the guard contact so many seconds after the first energise")
    parser.add_argument("--lifeline", action="store_true",
                        help="end when the standard input ends, and take orders from it, one JSON line each")


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
    if shape.kind_of(path) == "station":
        simulated = load_station(path).simulated
        if not simulated:
            raise WrongUse(f"{path} is a real station.", "Only simulated stations can be served.")
        path = find(Path(simulated), shipped=True)
    simulator = load_simulator(path)
    out = EventLines(sys.stdout)
    world = build(simulator, options.unit, options.defect, now=time.monotonic(), emit=out)
    if options.open_guard_after is not None:
        world.open_guard_after(options.open_guard_after)
    lifeline = sys.stdin.fileno() if options.lifeline else None
    serve(world.instruments(), tick=world.advance_to, out=out, lifeline=lifeline, control=world.obey)
    return 0

"""``eolseq challenge``: show the station its reference units; one that it misses locks it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.commands.tracing import trace_argument
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.commands.wiring import Order
    from eolseq.engine.run import RunResult
    from eolseq.records.entries import Shown
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.checks import Reference
    from eolseq.station.file import Station

NAME = "challenge"
HELP = """show the station reference units with known faults

DANGER: this puts test voltage on units that are known to be bad. Each must fail at its step, for its reason, and the
good one must pass. A reference unit that is missed locks the station and lists the suspect units."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the station and who acknowledges."""
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--acknowledge", metavar="OPERATOR",
                        help="acknowledge the cautions in this operator's name; simulated stations only")
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Challenge; 0 when everything was caught, 1 when something was missed."""
    from eolseq.commands.run import EXITS, check_fit, pages_of
    from eolseq.sequence.load import load_sequence
    from eolseq.shipped import find
    from eolseq.station.file import load_station
    from eolseq.verification.challenge import for_references, unknown_steps

    path = find(options.station, shipped=True)
    station = load_station(path)
    if not station.simulated and options.acknowledge is not None:
        raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.", "Leave it out.")
    if station.challenges is None:
        raise WrongUse(f"{station.name} names no reference units.",
                       "Add 'challenges' to the station file; see 'eolseq manual checks'.")
    sequence = load_sequence(find(station.challenges.sequence, shipped=bool(station.simulated)))
    wrong = unknown_steps(station.challenges, sequence)
    if wrong:
        raise WrongUse(f"The sequence has no such steps: {'; '.join(wrong)}.",
                       "Correct 'challenges' in the station file.")
    pages = pages_of(station)
    check_fit(sequence, station, pages)
    shown, ended = _at_the_bench(options, station, path, for_references(sequence), pages)
    _report(station, shown)
    if ended is not None:
        print(signing.visible(f"NOT CHALLENGED to the end. {ended.sentence}"))
        return EXITS[str(ended.outcome)]
    return 0 if all(each.outcome == "caught" for each in shown) else 1


def _at_the_bench(options: argparse.Namespace, station: Station, path: Path, sequence: Sequence,
                  pages: Mapping[str, Any]) -> tuple[list[Shown], RunResult | None]:
    from eolseq.commands import run as running
    from eolseq.commands.approving import ApprovalGate
    from eolseq.commands.bench import at_bench
    from eolseq.engine.run import UnitRun
    from eolseq.screen.numbers import typed_at_terminal
    from eolseq.verification.challenge import serial_of

    with at_bench(options, station, path, pages, sys.stdout) as at:
        opened, log, clock, tell = at.opened, at.log, at.wires.clock, at.screen.tell
        bay = running.bay_of(opened, pages)
        gate = ApprovalGate(sequence, station, pages, log, clock.now().date(), trial=False)

        def test(reference: Reference) -> RunResult:
            unit = UnitRun(clock, sequence, bay, log, tell, at.asking, [gate], approval=gate.index,
                           reference=True, listen=typed_at_terminal)
            return unit.run(serial_of(reference))

        shown, ended = show_all(station, at.order, tell, test)
        if ended is None:
            record(log, station, sequence, pages, shown, options.acknowledge or "at the terminal")
    return shown, ended


def show_all(station: Station, order: Order | None, tell: Callable[[Any], None],
             test: Callable[[Reference], RunResult]) -> tuple[list[Shown], RunResult | None]:
    """Every reference unit, one after another; a run that was refused or stopped ends it, and nothing is concluded."""
    from eolseq.engine.events import Instruction
    from eolseq.verification.challenge import judge_reference

    shown: list[Shown] = []
    references = station.challenges.references if station.challenges is not None else ()
    simulated = _simulated(station) if order is not None else None
    for each in sorted(references, key=lambda one: simulated is not None and one.simulated in simulated[1]):
        tell(Instruction(f"Connect the reference unit '{each.name}': {each.about}."))
        if order is not None and simulated is not None:
            serial, faults = simulated
            defect = each.simulated if each.simulated not in faults else ""
            order({"load": {"serial": serial, "defect": defect or None}})
            if each.simulated in faults:
                order({"fault": {"name": each.simulated}})
        result = test(each)
        if str(result.outcome) in ("refused", "stopped"):
            return shown, result
        shown.append(judge_reference(each, result))
    return shown, None


def _simulated(station: Station) -> tuple[str, frozenset[str]]:
    """The serial of the simulated unit, and the faults of the bay, which stay: references with one come last."""
    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    simulator = load_simulator(find(station.simulated, shipped=True))
    return simulator.serial, frozenset(simulator.faults)


def record(log: Log, station: Station, sequence: Sequence, pages: Mapping[str, Any], shown: list[Shown],
           operator: str) -> int:
    """The entry of a challenge; a reference unit that was missed locks the station before anything else is tested."""
    from eolseq.commands.challenge_trend import judged_by_trend
    from eolseq.records.entries import Challenge, Lock, SequenceUsed

    shown[:] = judged_by_trend(log, station, sequence, shown)  # the caller tells people what came of it
    missed = [each for each in shown if each.outcome != "caught"]
    sentence = f"All {len(shown)} reference units were caught." if not missed else \
        f"{missed[0].name} {missed[0].expected}, but: {missed[0].found}"
    index = log.append(Challenge(
        outcome="fail" if missed else "pass", sentence=sentence, shown=tuple(shown),
        sequence=SequenceUsed(sequence.name, str(sequence.path), sequence.digest), station_digest=station.digest,
        pages={name: page.digest for name, page in pages.items()}, operator=operator))
    if missed:
        log.append(Lock(reason=f"A reference unit was missed (entry {index}): {sentence}",
                        do="Find out why, and pull back the suspect units."))
    log.checkpoint()
    return index


def _report(station: Station, shown: list[Shown]) -> None:
    from eolseq.commands.checking import suspect_words

    said = [f"{each.outcome.upper():6}  {each.name}: {each.expected}; {each.found}" for each in shown]
    if any(each.outcome != "caught" for each in shown):
        said += ["The station is LOCKED.", *suspect_words(Path(station.records), [e.name for e in station.instruments])]
    for line in said:
        print(signing.visible(line))

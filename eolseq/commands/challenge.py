"""``eolseq challenge``: show the station its reference units; one that it misses locks it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from eolseq.commands import signing
from eolseq.commands.tracing import trace_argument
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from datetime import datetime

    from eolseq.clock import Clock
    from eolseq.commands.gates import Gate
    from eolseq.commands.wiring import Order
    from eolseq.engine.run import RunResult
    from eolseq.records.entries import Shown
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.checks import Challenges, Reference
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation

NAME = "challenge"
HELP = """show the station reference units with known faults

DANGER: this puts test voltage on units that are known to be bad. Each must fail at its step, for its reason, and the
good one must pass. A reference unit that is missed locks the station and lists the suspect units."""


class References(NamedTuple):
    """A challenge of the station file, and its sequence made to take the serials of reference units."""

    challenge: Challenges
    sequence: Sequence


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the station, which of its challenges, and who acknowledges."""
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--sequence", metavar="FILE", help="where the station file lists several: the one to challenge "
                        "with, as it stands there")
    parser.add_argument("--bay", metavar="NAME", help="where there are several bays: the one to challenge")
    parser.add_argument("--all", action="store_true", help="every bay, one after another")
    parser.add_argument("--acknowledge", metavar="OPERATOR",
                        help="acknowledge the cautions in this operator's name; simulated stations only")
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Challenge; 0 when everything was caught, 1 when something was missed."""
    from eolseq.commands.run import EXITS, pages_of
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    if not station.simulated and options.acknowledge is not None:
        raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.", "Leave it out.")
    pages = pages_of(station)
    references = references_of(station, _chosen(station, options.sequence), pages)
    for bay in _bays(options, station):
        shown, ended = _at_the_bench(options, station, path, references, pages, bay)
        _report(station, shown, bay)
        if ended is not None:
            said = " ".join(ended.sentence.splitlines())
            print(signing.visible(f"NOT CHALLENGED to the end{_at(station, bay)}. {said}"))
            return EXITS[str(ended.outcome)]
        if any(each.outcome != "caught" for each in shown):
            return 1
    return 0


def _bays(options: argparse.Namespace, station: Station) -> tuple[str, ...]:
    """The bays to challenge; WrongUse where it is not clear which, since each has relays, leads and a guard."""
    names = ", ".join(station.bays)
    if options.all and options.bay is None:
        return station.bays
    if options.all or (options.bay is None and len(station.bays) > 1):
        raise WrongUse("Which bay is to be challenged?", f"Give --bay with one of {names}; or --all.")
    if options.bay not in (None, *station.bays):
        raise WrongUse(f"{station.name} has no bay '{options.bay}'.", f"Its bays are {names}.")
    return (options.bay or station.bays[0],)


def _at(station: Station, bay: str) -> str:
    return f" at {bay}" if len(station.bays) > 1 else ""


def _chosen(station: Station, wanted: str | None) -> Challenges:
    """The challenge that was asked for by its sequence; the only one needs no name."""
    if station.challenges is None:
        raise WrongUse(f"{station.name} names no reference units.",
                       "Add 'challenges' to the station file; see 'eolseq manual checks'.")
    every = station.challenges.every
    names = ", ".join(each.sequence for each in every)
    if wanted is None and len(every) > 1:
        raise WrongUse("Which sequence is the station to be challenged with?", f"Give --sequence with one of: {names}.")
    for each in every:
        if wanted in (None, each.sequence):
            return each
    raise WrongUse(f"{station.name} has no challenge with '{wanted}'.", f"Its challenges are with: {names}.")


def references_of(station: Station, challenge: Challenges, pages: Mapping[str, Any]) -> References:
    """A challenge with its sequence; WrongUse when that does not fit the station or a step is named wrongly."""
    from eolseq.commands.run import check_fit
    from eolseq.sequence.load import load_sequence
    from eolseq.shipped import find
    from eolseq.verification.challenge import for_references, unknown_steps

    sequence = load_sequence(find(Path(challenge.sequence), shipped=bool(station.simulated)))
    wrong = unknown_steps(challenge, sequence)
    if wrong:
        raise WrongUse(f"The sequence has no such steps: {'; '.join(wrong)}.",
                       "Correct 'challenges' in the station file.")
    check_fit(sequence, station, pages)
    return References(challenge, for_references(sequence))


def gates_of_challenge(sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log,
                       clock: Clock, bay: str = "") -> tuple[list[Gate], int | None]:
    """The gates of a reference unit at a bay, the first where none is named, and the approval of the sequence.

    The fixture is looked at as before a unit: what was challenged is the very fixture that units are tested on.
    """
    from eolseq.commands.approving import ApprovalGate

    approval = ApprovalGate(sequence, opened.station, pages, log, clock.now().date(), trial=False)
    gates: list[Gate] = [approval]
    if opened.station.fixtures:
        from eolseq.commands.fixture_gates import FixtureGate

        gates.append(FixtureGate(sequence, opened, log, clock, bay))
    return gates, approval.index


def _at_the_bench(options: argparse.Namespace, station: Station, path: Path, references: References,
                  pages: Mapping[str, Any], name: str) -> tuple[list[Shown], RunResult | None]:
    from eolseq.commands import run as running
    from eolseq.commands.bench import at_bench
    from eolseq.engine.run import UnitRun
    from eolseq.screen.numbers import typed_at_terminal
    from eolseq.verification.challenge import serial_of

    challenge, sequence = references
    with at_bench(options, station, path, pages, sys.stdout, name) as at:
        opened, log, clock, tell = at.opened, at.log, at.wires.clock, at.screen.tell
        bay = running.bay_of(opened, pages, name)
        gates, approval = gates_of_challenge(sequence, opened, pages, log, clock, name)

        def test(reference: Reference) -> RunResult:
            unit = UnitRun(clock, sequence, bay, log, tell, at.asking, gates, approval=approval, reference=True,
                           listen=typed_at_terminal)
            return unit.run(serial_of(reference))

        shown, ended = show_all(station, references, at.order, tell, test)
        if ended is None:
            record(log, station, challenge, sequence, pages, shown, options.acknowledge or "at the terminal",
                   late=late_words(sequence, opened, pages, log, clock.now(), name), bay=name)
    return shown, ended


def show_all(station: Station, wanted: References, order: Order | None, tell: Callable[[Any], None],
             test: Callable[[Reference], RunResult]) -> tuple[list[Shown], RunResult | None]:
    """Every reference unit, one after another; a run that was refused or stopped ends it, and nothing is concluded."""
    from eolseq.engine.events import Instruction
    from eolseq.verification.challenge import judge_reference

    shown: list[Shown] = []
    simulated = _simulated(station, wanted.sequence, wanted.challenge.references) if order is not None else None
    faults_last = sorted(wanted.challenge.references, key=lambda one: bool(simulated and one.simulated in simulated[1]))
    for each in faults_last:
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


def _simulated(station: Station, sequence: Sequence, references: Iterable[Reference]) -> tuple[str, frozenset[str]]:
    """A serial of the simulated unit, and the faults of the bay, which stay: references with one come last.

    The unit is the simulator's own where it is of the sequence's models, else one of these.
    """
    from eolseq.serials import example
    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    simulator = load_simulator(find(station.simulated, shipped=True))
    models, serial = sequence.unit.models, simulator.serial
    if simulator.model_of(serial).model not in models:
        serial = next((example(each.serial_pattern) for each in simulator.units if each.model in models), serial)
    for each in references:
        if each.simulated not in simulator.faults:
            simulator.unit(serial, each.simulated or None)  # WrongUse, before anything begins, for one it does not know
    return serial, frozenset(simulator.faults)


def late_words(sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log, now: datetime,
               bay: str = "") -> str:
    """That this challenge comes after a shift that ended without its own, in a sentence; else empty."""
    from eolseq.commands.covering import history_of, present_of
    from eolseq.verification.standing import challenge_reasons, end_missing

    present = present_of(sequence, opened, pages, log, now, opened.of_several(bay))
    if present is None:
        return ""
    last, _ = challenge_reasons(present, history_of(log, simulated=bool(opened.station.simulated)))
    return end_missing(present, last) if last is not None else ""


def record(log: Log, station: Station, challenge: Challenges, sequence: Sequence, pages: Mapping[str, Any],
           shown: list[Shown], operator: str, *, late: str = "", bay: str | None = None) -> int:
    """The entry of a challenge; a reference unit that was missed locks the station before anything else is tested.

    ``late``: that a shift ended without its challenge, which is marked in the log for whoever reads it.
    """
    from eolseq.commands.challenge_trend import judged_by_trend
    from eolseq.records.entries import Challenge, Lock, Remark, SequenceUsed
    from eolseq.verification.fixtures import mounted_last, told_of

    shown[:] = judged_by_trend(log, challenge, sequence, shown)  # the caller tells people what came of it
    missed = [each for each in shown if each.outcome != "caught"]
    sentence = f"All {len(shown)} reference units were caught." if not missed else \
        f"{missed[0].name} {missed[0].expected}, but: {missed[0].found}"
    if late:
        log.append(Remark(serial=None, reason=late))
    here = bay or station.bays[0]
    at_bay = mounted_last(told_of(log.documents), here if len(station.bays) > 1 else "") if station.fixtures else ""
    index = log.append(Challenge(
        outcome="fail" if missed else "pass", sentence=sentence, shown=tuple(shown),
        sequence=SequenceUsed(sequence.name, str(sequence.path), sequence.digest), station_digest=station.digest,
        pages={name: page.digest for name, page in pages.items()}, operator=operator, fixture=at_bay or None,
        bay=here))
    if missed:
        log.append(Lock(reason=f"A reference unit was missed (entry {index}): {sentence}",
                        do="Find out why, and pull back the suspect units."))
    log.checkpoint()
    return index


def _report(station: Station, shown: list[Shown], bay: str) -> None:
    from eolseq.commands.checking import suspect_words, unshown_words

    at = _at(station, bay)
    said = [f"{each.outcome.upper():6}  {each.name}{at}: {each.expected}; {each.found}" for each in shown]
    if any(each.outcome != "caught" for each in shown):
        folder = Path(station.records)
        said += ["The station is LOCKED.", *unshown_words(folder, bay), "",
                 "By instrument, since each was last verified as good:",
                 *suspect_words(folder, [each.name for each in station.instruments])]
    for line in said:
        print(signing.visible(line))

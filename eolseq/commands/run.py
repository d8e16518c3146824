"""``eolseq run``: take one unit through its sequence, to a signed record."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.tracing import trace_argument, traced
from eolseq.errors import Refused, StationFault, WrongUse

if TYPE_CHECKING:
    from signal import Signals

    from eolseq.clock import Clock
    from eolseq.engine.events import Cautions
    from eolseq.engine.recording import Bay
    from eolseq.engine.run import RunResult
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation

NAME = "run"
HELP = """run one unit through its sequence, to a signed record

DANGER: this drives instruments that put dangerous voltage and current on a unit. The hard-wired interlock of the
station is the safety function, never this program; local codes and licensed practice decide. Stop with the red
button; Ctrl-C stops too."""

SWITCH_INTERVAL = 0.0001  # seconds that the watcher waits at most for a busy thread, at each step of an exchange
EXITS = {"pass": 0, "fail": 1, "undecided": 1, "refused": 3, "stopped": 4, "fault": 5}
UNLABELLED = 5  # a unit that passed, at a station that prints labels, without one: it is not ready to go


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("sequence", metavar="SEQUENCE", nargs="?", help="the sequence file")
    parser.add_argument("--unit", metavar="SERIAL", help="the unit's serial number")
    parser.add_argument("--station", metavar="STATION", help="the station file")
    parser.add_argument("--beside", metavar="ID", action="append", default=[],
                        help="who is signed in beside the operator, such as a qualified person beside a trainee")
    parser.add_argument("--bay", metavar="NAME", help="where there are several bays: the one that the unit is in")
    parser.add_argument("--trial", action="store_true",
                        help="try a sequence that is not approved: says TRIAL everywhere and releases nothing")
    only = parser.add_argument_group("for simulated stations only")
    only.add_argument("--acknowledge", metavar="OPERATOR", help="acknowledge the cautions in this operator's name")
    only.add_argument("--defect", metavar="NAME", help="put a defect of the simulator file into the unit")
    only.add_argument("--open-guard-after", metavar="SECONDS", type=float,
                      help="open the guard contact so many seconds after the first energise")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output, words on error")
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Run one unit; the exit code is the outcome's."""
    from eolseq.clock import SystemClock
    from eolseq.screen.opening import open_screen

    sequence, station, station_path = _files(options)
    serial = options.unit or _ask("Serial number of the unit: ", "--unit")
    pages = pages_of(station)
    check_fit(sequence, station, pages)
    screen = open_screen(sys.stderr if options.json else sys.stdout, SystemClock(),
                         plain=True if options.json else None)
    sys.setswitchinterval(SWITCH_INTERVAL)
    try:
        with _addresses(options, sequence, station, station_path, serial) as addresses:
            result, log_path, labelled = _run_wired(options, sequence, station, pages, addresses, serial, screen)
    finally:
        screen.close()
    if options.json:
        _print_json(result, log_path)
    return exit_code(result) if labelled else UNLABELLED


def exit_code(result: RunResult) -> int:
    """The outcome's number; a trial that passes ends as undecided does, since 0 releases a unit."""
    return EXITS["undecided"] if result.trial and str(result.outcome) == "pass" else EXITS[str(result.outcome)]


# -- files and options ------------------------------------------------------------------------------------------


def _files(options: argparse.Namespace) -> tuple[Sequence, Station, Path]:
    from eolseq.sequence.load import load_sequence
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    station_path = find(options.station or _ask("Station file: ", "--station"), shipped=True)
    station = load_station(station_path)
    given = [name for name in ("acknowledge", "defect", "open_guard_after") if getattr(options, name) is not None]
    if given and not station.simulated:
        raise Refused(f"--{given[0].replace('_', '-')} is for simulated stations only; {station.name} is real.",
                      "Leave it out; the cautions are acknowledged at the terminal.")
    if options.bay is None and len(station.bays) > 1:
        raise WrongUse("Which bay is the unit in?", f"Give --bay with one of {', '.join(station.bays)}.")
    if options.bay is not None and options.bay not in station.bays:
        raise WrongUse(f"{station.name} has no bay '{options.bay}'.", f"Its bays are {', '.join(station.bays)}.")
    path = find(options.sequence or _ask("Sequence file: ", "SEQUENCE"), shipped=bool(station.simulated))
    return load_sequence(path), station, station_path


def _ask(question: str, option: str) -> str:
    """Ask in a terminal for what was not given; WrongUse where there is none."""
    if sys.stdin.isatty():
        print(question, end="", file=sys.stderr, flush=True)
        answer = sys.stdin.readline().strip()
        if answer:
            return answer
    raise WrongUse(f"{option} is missing.", "Give it on the command line; see 'eolseq run --help'.")


def pages_of(station: Station) -> dict[str, Any]:
    """The driver page of every instrument of a station, by the instrument's name."""
    from eolseq.instruments.any_page import load_any_page
    from eolseq.shipped import find

    return {each.name: load_any_page(find(each.page, shipped=bool(station.simulated))) for each in station.instruments}


def check_fit(sequence: Sequence, station: Station, pages: Mapping[str, Any]) -> None:
    """A sequence that this station cannot run is a mistake in a file, told before anything is opened."""
    from eolseq.sequence.findings import errors_in, findings, fits_station

    problems = errors_in([*findings(sequence), *fits_station(sequence, station, pages)])
    if problems:
        raise WrongUse("\n".join(str(each) for each in problems),
                       "\nThis sequence does not fit this station; see 'eolseq check --station'.")


def _addresses(options: argparse.Namespace, sequence: Sequence, station: Station, path: Path,
               serial: str) -> AbstractContextManager[Mapping[str, str]]:
    """Every instrument's VISA address: the station file's, or those of a simulated station started for this run.

    A serial that is not of this sequence is for the run to refuse; the simulated bay then holds any unit.
    """
    if not station.simulated:
        return nullcontext({each.name: each.address for each in station.instruments})
    from eolseq.commands.wiring import simulated_child
    from eolseq.shipped import find
    from eolseq.simulation.faulty import read_fault
    from eolseq.simulation.file import load_simulator

    simulator = load_simulator(find(station.simulated, shipped=True))
    in_bay = serial if sequence.unit.fits(serial) else simulator.serial
    simulator.unit(in_bay, options.defect)  # WrongUse, with every name, when there is no such defect or unit
    for text in station.faulty:
        simulator.check_fault(read_fault(text))
    return simulated_child(station, path, in_bay, options.defect, options.open_guard_after, options.bay)


# -- the run ----------------------------------------------------------------------------------------------------


def _run_wired(options: argparse.Namespace, sequence: Sequence, station: Station, pages: Mapping[str, Any],
               addresses: Mapping[str, str], serial: str, screen: Any) -> tuple[RunResult, str, bool]:
    """The result, the log's path, and whether a unit that passed has its label where it gets one."""
    from eolseq.commands.gates import Setting, gates_of
    from eolseq.commands.memory import settled
    from eolseq.commands.wiring import real_wires
    from eolseq.engine.run import UnitRun
    from eolseq.screen.numbers import typed_at_terminal
    from eolseq.station.open import open_station

    with ExitStack() as stack:
        wires = stack.enter_context(traced(real_wires(addresses), options))
        opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock)
        stack.callback(opened.close)
        asking = Asking(screen, options.acknowledge)
        stack.enter_context(signals_stop(opened, asking))
        log = ready_log(station, opened, wires.clock)
        stack.callback(log.close)
        say_out_of_use(opened)
        bay = bay_of(opened, pages, options.bay)
        gates = gates_of(Setting(sequence, opened, pages, log, wires.clock, options.trial, tuple(options.beside),
                                 bay.name))
        unit = UnitRun(wires.clock, sequence, bay, log, screen.tell, gates.acknowledged(asking), gates.of_unit,
                       approval=gates.approval, trial=options.trial, listen=typed_at_terminal)
        with settled():
            result = unit.run(serial)
        if unit.crash is not None:
            import traceback

            traceback.print_exception(unit.crash, file=sys.stderr)
        labelled = station.labels is None or _print_paper(station, log, sequence, result)
        return result, str(log.path), labelled


def _print_paper(station: Station, log: Log, sequence: Sequence, result: RunResult) -> bool:
    """The label of a unit that passed, the ticket of a reject; whether no label is missing.

    The release contact is the shift's alone.
    """
    from eolseq.commands.labelling import after_run

    done = after_run(station, log, sequence, result)
    said = done.sentence
    if not done.labelled:
        said += f" Unit {result.serial} passed, which stands, but it has no label: it does not leave without one."
    if said:
        print(("SIMULATED " if result.simulated else "") + said, file=sys.stderr)
    return done.labelled


def bay_of(opened: OpenStation, pages: Mapping[str, Any], name: str | None = None) -> Bay:
    """What a run works with at a bay of an open station, the first where none is named."""
    from functools import partial

    from eolseq.engine.entries import Used
    from eolseq.engine.recording import Bay
    from eolseq.instruments.spans import span_of

    station = opened.station
    bay = opened.bay(name if name is not None else station.bays[0])
    places = {each.name: each for each in station.instruments}
    used = {name: Used(name, player.role, opened.identities[name].model, opened.identities[name].serial,
                       opened.identities[name].raw, places[name].calibrated_until.isoformat(),
                       partial(span_of, pages[name], places[name].known))
            for name, player in bay.players.items()}
    return Bay(bay.name, station.name, station.digest, opened.simulated,
               {name: pages[name].digest for name in bay.players}, dict(bay.by_role), used, bay.connections,
               bay.watcher, bay.door, station.decision, opened.zeros_at(bay.name), bay.lease,
               partial(counters_of, opened))


def counters_of(opened: OpenStation) -> dict[str, int]:
    """How many tests each instrument that keeps a count says it has made; at several bays, as far as it is known.

    Another bay may be in the middle of a test with it; then nobody knows its count for certain.
    """
    if opened.counts is not None:
        return opened.counts.known()
    found = {name: player.count() for name, player in opened.bays[0].players.items()}
    return {name: count for name, count in found.items() if count is not None}


def counters_after(opened: OpenStation) -> dict[str, int]:
    """The same after something was measured, which must be recorded whether a count can be read or not."""
    from contextlib import suppress

    if opened.counts is not None:
        return opened.counts.known(moved=True)
    with suppress(StationFault):
        return counters_of(opened)
    return {}


def ready_log(station: Station, opened: OpenStation, clock: Clock, records: Records | None = None) -> Log:
    """Everything off and dead first; then the log: open runs abandoned, the clock looked at, a lock respected.

    ``records`` is the log as it was read a moment ago, which is handed over.
    """
    from eolseq.guard.power import LockedRed
    from eolseq.records import entries
    from eolseq.records.bay_entries import BayOutOfUse
    from eolseq.records.log import Log

    danger: LockedRed | None = None
    try:
        opened.all_off()
    except LockedRed as error:
        danger = error
    log = Log.open(Path(station.records), origin_name=station.origin, key_path=Path(station.key),
                   role="simulated station" if station.simulated else "station", clock=clock,
                   read=records.handed_over() if records is not None else None)
    if log.recovered is not None:
        print(f"note: the log ended in {log.recovered.length} bytes that a crash left of a line. Nothing that was "
              f"acknowledged is lost; the bytes stay, and entry {log.size - 1} says so.", file=sys.stderr)
    try:
        if danger is not None:
            log.append(entries.Lock(reason=danger.what, do=danger.do))
            raise danger
        _tidy(log, station)
        for out in opened.out.values():
            log.append(BayOutOfUse(bay=out.bay, reason=out.what, do=out.do, station_digest=station.digest))
        _take_from_log(opened, log)
    except BaseException:
        log.close()
        raise
    return log


def _take_from_log(opened: OpenStation, log: Log) -> None:
    """What an open station knows from its log: the counts of shared instruments, and its fixtures' measured zeros."""
    station = opened.station
    if opened.counts is not None:
        from eolseq.commands.fixture_gates import start_counts

        start_counts(opened, log)
    if station.fixtures:
        from eolseq.commands.covering import told_in
        from eolseq.verification.fixtures import zeros_now

        told = told_in(log, simulated=bool(station.simulated))
        opened.measured_zeros = {
            bay: zeros_now(station.zeros_at(bay), station.fixtures, told, opened.of_several(bay))
            for bay in station.bays}


def say_out_of_use(opened: OpenStation) -> None:
    """Tell on the error channel which bays are out of use; the log has it already."""
    for out in opened.out.values():
        print(f"note: {out.bay} is out of use. {out.what} {out.do}", file=sys.stderr)


def _tidy(log: Log, station: Station) -> None:
    from eolseq.records import entries

    log.refuse_wrong_clock()
    for each in log.open_runs():
        log.append(entries.Abandon(run=each.index, serial=each.serial, energised="yes" if each.energised else "no",
                                   reason="the program ended in the middle of this run"))
    lock = log.locked()
    if lock is None:
        return
    if not station.simulated or station.checks is not None:
        raise Refused(f"This station is locked (entry {lock.index}): {lock.reason}",
                      f"{lock.do} Then maintenance or quality unlocks it: eolseq unlock.")
    log.append(entries.Unlock(by="simulated station", reason="every output was turned off and the bay proved dead"))


class Asking:
    """Gets the cautions acknowledged: by the option on a simulated station, else by the person at the terminal."""

    def __init__(self, screen: Any, operator: str | None) -> None:
        self.waiting = False
        self._screen = screen
        self._operator = operator

    def __call__(self, cautions: Cautions) -> str | None:
        """The operator who acknowledged, or None."""
        if self._operator is not None:
            return self._operator.strip() or None
        if not sys.stdin.isatty():
            return None
        self.waiting = True
        try:
            answer: str | None = self._screen.ask_acknowledgement()
            return answer
        except KeyboardInterrupt:  # it may come just after the answer, or after the terminal was seen to be gone
            return None
        finally:
            self.waiting = False


@contextmanager
def signals_stop(opened: OpenStation, asking: Asking) -> Iterator[None]:
    """Ctrl-C, SIGTERM and a closed terminal trip the watcher while the block runs; nothing is left half switched."""
    from eolseq.commands.signals import told
    from eolseq.guard.inputs import Reason

    def stop(number: Signals) -> None:
        name = {"SIGINT": "Ctrl-C", "SIGHUP": "a closed terminal"}.get(number.name, "a signal")
        opened.trip(Reason(False, f"Stopped by {name}.", "This unit needs a new run from the start."))

    def leave_question() -> None:
        if asking.waiting:
            raise KeyboardInterrupt

    with told(stop, leave_question):
        yield


# -- what comes out ---------------------------------------------------------------------------------------------


def document(result: RunResult, log_path: str) -> dict[str, Any]:
    """The JSON document of a run; numbers are text or null, as in the log."""
    from eolseq.engine import entries

    steps = []
    for step, verdict in result.steps:
        done = entries.step_done(step, verdict, {})
        steps.append({
            "kind": done.kind, "name": done.name, "outcome": done.outcome, "sentence": done.sentence,
            "applied": [{"name": a.name, "value": a.lowest, "highest": a.highest, "unit": a.unit,
                         "at_least": a.at_least, "at_most": a.at_most} for a in done.applied],
            "readings": [{"name": r.name, "value": r.value, "unit": r.unit, "raw": r.raw, "at_least": r.at_least,
                          "at_most": r.at_most, "uncertainty": r.uncertainty, "rule": r.rule, "outcome": r.outcome}
                         for r in done.readings]})
    recorded = result.index is not None
    return {"outcome": str(result.outcome), "sentence": result.sentence, "simulated": result.simulated,
            "trial": result.trial, "serial": result.serial, "attempt": result.attempt,
            "log": log_path if recorded else None, "index": result.index, "steps": steps}


def _print_json(result: RunResult, log_path: str) -> None:
    import json

    print(json.dumps(document(result, log_path), indent=2))



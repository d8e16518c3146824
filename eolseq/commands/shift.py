"""``eolseq shift``: a technician's day at one bay, from signing in to the last unit's label."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.tracing import trace_argument, traced
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from signal import Signals

    from eolseq.commands.review_paper import ShiftPaper
    from eolseq.line.resume import Before
    from eolseq.line.scans import Inbox, Scan
    from eolseq.line.switchboard import Switchboard
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation

NAME = "shift"
HELP = """run a shift: sign in, then scan, test and label unit after unit

DANGER: this drives instruments that put dangerous voltage and current on a unit. The hard-wired interlock of the
station is the safety function, never this program; local codes and licensed practice decide. Stop with the red
button; no code that is scanned or typed stops a test. Type =end and Enter to end the shift."""

STOPPED = 4


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--silent", action="store_true", help="no bell at the outcome")
    parser.add_argument("--plain", action="store_true", help="plain lines, one a happening, also on a terminal")
    only = parser.add_argument_group("for simulated stations only")
    only.add_argument("--defect", metavar="SERIAL=NAME", action="append", default=[],
                      help="put a defect of the simulator file into the unit of a serial; may be repeated")
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Run the shift; 0 when it was ended in good order, 4 by a signal."""
    from eolseq.commands.review_paper import ShiftPaper
    from eolseq.commands.run import SWITCH_INTERVAL, check_fit, pages_of
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    defects = _defects(options, station)
    sequences = sequences_of(station)
    pages = pages_of(station)
    for each in sequences:
        check_fit(each, station, pages)
    sys.setswitchinterval(SWITCH_INTERVAL)
    paper = ShiftPaper(station)
    code = None
    try:
        if len(station.bays) > 1:
            code = _at_the_bays(options, station, path, sequences, pages, defects, paper)
        else:
            code = _in_one_bay(options, station, path, sequences, pages, defects, paper)
    finally:
        _reviewed(station, options, code, paper)
    return code


def _in_one_bay(options: argparse.Namespace, station: Station, path: Path, sequences: tuple[Sequence, ...],
                pages: Mapping[str, Any], defects: Mapping[str, str], paper: ShiftPaper) -> int:
    from eolseq.clock import SystemClock
    from eolseq.screen.shift_screen import open_shift_screen

    screen = open_shift_screen(sys.stdout, SystemClock(), plain=options.plain, silent=options.silent)
    try:
        return _at_the_bay(options, station, path, sequences, pages, defects, screen, paper)
    finally:
        screen.close()


def _reviewed(station: Station, options: argparse.Namespace, code: int | None, paper: ShiftPaper) -> None:
    """The lead is shown the shift; of one that is to be over at once, only what came of its page.

    A terminal that is gone changes nothing.
    """
    from eolseq.commands.review import say_shift, visible

    with suppress(OSError):
        if code == 0:
            say_shift(station, options.station, paper.said)
        elif paper.said:
            print(visible(paper.said), flush=True)


def sequences_of(station: Station) -> tuple[Sequence, ...]:
    """The sequences that a station's shift may run; WrongUse when its file asks for no shift, or for too much."""
    from eolseq.sequence.load import load_sequence
    from eolseq.shipped import find

    if station.shift is None:
        raise WrongUse(f"{station.name} has no 'shift'.", "Add it to the station file; see 'eolseq manual shift'.")
    return tuple(load_sequence(find(Path(each), shipped=bool(station.simulated))) for each in station.shift.sequences)


def _defects(options: argparse.Namespace, station: Station) -> dict[str, str]:
    """The defects that a simulated station's units get, by serial; WrongUse, with every name, for an unknown one."""
    if not options.defect:
        return {}
    if not station.simulated:
        raise Refused(f"--defect is for simulated stations only; {station.name} is real.", "Leave it out.")
    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    simulator = load_simulator(find(station.simulated, shipped=True))
    found = {}
    for text in options.defect:
        serial, equals, name = text.partition("=")
        if not equals:
            raise WrongUse(f"--defect {text} is not SERIAL=NAME.", "Write it as DH6-00000002=poor-bond.")
        simulator.unit(serial, name)
        found[serial] = name
    return found


def _at_the_bay(options: argparse.Namespace, station: Station, path: Path, sequences: tuple[Sequence, ...],
                pages: Mapping[str, Any], defects: Mapping[str, str], screen: Any, paper: ShiftPaper) -> int:
    from eolseq.commands.memory import settled
    from eolseq.commands.run import ready_log
    from eolseq.commands.shift_input import sources
    from eolseq.commands.shift_parts import AtStation
    from eolseq.commands.verify import bench_of
    from eolseq.commands.wiring import real_wires
    from eolseq.line.after_pass import AfterPass
    from eolseq.line.scans import Inbox
    from eolseq.line.shift import Shift
    from eolseq.station.open import open_station

    past = look_back(station, sequences, screen.tell, paper)
    with ExitStack() as stack:
        addresses, order = stack.enter_context(bench_of(station, path))
        wires = stack.enter_context(traced(real_wires(addresses), options))
        opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock)
        stack.callback(opened.close)
        inbox = Inbox(wires.clock, turned_away(screen.tell))
        stack.enter_context(signals_end(opened, inbox))
        log = ready_log(station, opened, wires.clock, past.records)
        stack.callback(log.close)
        paper.owed(log, partial(tell_page, screen.tell))
        stack.enter_context(settled())
        around = AtStation(wires.clock, opened, pages, log, sequences, order, defects, inbox.listen)
        tell_proved_off(past, screen.tell)
        after = AfterPass(around.papers, around.rules)
        if past.pending is not None:
            after.resume(past.pending)
        stack.enter_context(sources(around.rules, inbox, wires.clock, screen.tell))
        with paper.after(log, opened, wires.clock, lambda: inbox.by_signal):
            Shift(around, inbox, screen.tell, after, screen.pages).run()
        return STOPPED if inbox.by_signal else 0


def _at_the_bays(options: argparse.Namespace, station: Station, path: Path, sequences: tuple[Sequence, ...],
                 pages: Mapping[str, Any], defects: Mapping[str, str], paper: ShiftPaper) -> int:
    """A shift at several bays, each in a frame of its own, or in lines that each begin with their bay."""
    from eolseq.clock import SystemClock
    from eolseq.commands.shift_bays import run_bays
    from eolseq.screen.bays_screen import open_bays_screen

    screen = open_bays_screen(sys.stdout, SystemClock(), station.bays, plain=options.plain, silent=options.silent)
    try:
        ended = run_bays(options, station, path, sequences, pages, defects, screen.tell, screen.pages, paper)
        return STOPPED if ended else 0
    finally:
        screen.close()


def look_back(station: Station, sequences: tuple[Sequence, ...], tell: Callable[[Any], None],
              paper: ShiftPaper | None = None) -> Before:
    """Before anything is opened: what was under test when the program last ended, told first of all.

    ``paper`` sees whether the shift before owes its page.
    """
    from eolseq.line.resume import Before, before
    from eolseq.line.shift_events import ShiftBegins, Situation, Stands
    from eolseq.records.reader import Records
    from eolseq.records.scan import LOG_NAME

    folder = Path(station.records)
    if not (folder / LOG_NAME).is_file():
        return Before()
    records = Records.open(folder)
    if paper is not None:
        paper.notice(records)
    found = before(records, sequences, labels=station.labels is not None)
    if found.cut and station.shift is not None:
        tell(ShiftBegins(station.name, station.bays[0], bool(station.simulated), station.shift.takt))
    for do, why in found.words(station.bays[0]):
        tell(Stands(Situation.AFTER_CUT, do, why=why))
    return found


def tell_proved_off(past: Before, tell: Callable[[Any], None]) -> None:
    """After a power cut: every output is off and the bay proved dead; what is required of each unit."""
    from eolseq.line.shift_events import Note

    for each in past.cut:
        on = "voltage may have been on" if each.energised else "nothing had been energised"
        do = "The unit needs a new run from the start: scan it when you have signed in."
        tell(Note("POWER CUT", f"Unit {each.serial} was under test in {each.bay}; {on}. Every output is off now, and "
                  f"the bay was proved dead. {do}", do=do))


def tell_page(tell: Callable[[Any], None], sentence: str) -> None:
    """What came of the page that the shift before owed."""
    from eolseq.line.shift_events import Note

    tell(Note("PAGE", sentence, "It is for the lead."))


def turned_away(tell: Callable[[Any], None]) -> Callable[[Scan], None]:
    """The word for a code that comes while a test runs, or twice at once; it has no effect."""
    from eolseq.line.shift_events import Note

    def say(scan: Scan) -> None:
        if scan.problem == "twice":
            code = f"{'=' if scan.typed else ''}{scan.text[:40]}"
            tell(Note("TWICE", f"{code} came twice within a second. It counts once.", running=True))
        else:
            do = "Stop only with the red button."
            tell(Note("NOT NOW", f"'{scan.text[:24]}' has no effect: a test runs. {do}", running=True, do=do))
    return say


@contextmanager
def signals_end(opened: OpenStation, inbox: Inbox | Switchboard) -> Iterator[None]:
    """SIGINT, SIGTERM and a closed terminal make safe first, then end the shift; nothing is left half switched."""
    from eolseq.commands.signals import told
    from eolseq.guard.inputs import Reason

    def end(number: Signals) -> None:
        name = "a closed terminal" if number.name == "SIGHUP" else number.name
        opened.trip(Reason(False, f"Stopped by {name}.", "This unit needs a new run from the start."))
        inbox.by_signal = True
        inbox.ended = f"Ended by {name}."

    with told(end):
        yield

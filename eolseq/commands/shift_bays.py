"""A shift at several bays of one station: a loop for each bay, one scanner, one log, one screen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.tracing import traced
from eolseq.errors import Refused

if TYPE_CHECKING:
    import argparse

    from eolseq.clock import Clock
    from eolseq.commands.review_paper import ShiftPaper
    from eolseq.commands.wiring import Order
    from eolseq.line.bay_events import Busy
    from eolseq.line.resume import Before
    from eolseq.line.scans import Inbox
    from eolseq.line.signing_in import Pages
    from eolseq.line.switchboard import Switchboard
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation

TellAt = Callable[[str, Any], None]
"""Told of a bay, by its name, and what happened there; any task."""


class BaysAtWork:
    """Every bay of an open station with its shift, and the switchboard between them and the one scanner."""

    def __init__(self, clock: Clock, opened: OpenStation, pages: Mapping[str, Any], log: Log,
                 sequences: tuple[Sequence, ...], tell: TellAt, order: Order | None = None,
                 defects: Mapping[str, str] | None = None, pages_shown: Pages = lambda _: 1) -> None:
        from eolseq.commands.shift import turned_away
        from eolseq.engine.schedule import InTest
        from eolseq.line.scans import Inbox

        self._clock, self._opened, self._pages, self._log = clock, opened, pages, log
        self._sequences, self._order, self._defects, self._tell = sequences, order, defects, tell
        self._pages_shown = pages_shown
        self._busy: Busy | None = None
        self._waiting: tuple[tuple[str, frozenset[str]], ...] = ()
        self._in_test = InTest()
        self.inboxes: dict[str, Inbox] = {name: Inbox(clock, turned_away(partial(self.told, name)))
                                          for name in opened.station.bays}
        self.board = self._switchboard()
        self.after: dict[str, Any] = {}
        self._working = set(self.inboxes) - set(opened.out)  # the bays whose shift goes on

    def told(self, bay: str, event: Any) -> None:
        """Something happened at a bay."""
        self.board.heard(bay, event)
        self._tell(bay, event)
        self._tell_busy()

    def _tell_busy(self) -> None:
        """Tell who has which shared instrument, and who waits, when that is another than before."""
        from eolseq.line.bay_events import Busy

        desk = self._opened.desk
        if desk is None:
            return
        held, waiting = tuple(desk.holders().items()), desk.line()
        before = self._busy
        if before is None or held != before.held or waiting != self._waiting:
            self._waiting = waiting
            self._busy = Busy(tuple(sorted(desk.shared)), held, tuple((bay, tuple(sorted(names)))
                                                                      for bay, names in waiting))
            self._tell("", self._busy)

    def run(self, past: Mapping[str, Before]) -> None:
        """Every bay's shift side by side until all have ended; raises what ended one that should not have."""
        tasks = {name: self._clock.start(name, self._work(name, past[name])) for name in self.inboxes}
        for task in tasks.values():
            while not task.join(60.0):
                pass
        for task in tasks.values():
            if task.error is not None:
                raise task.error

    def _switchboard(self) -> Switchboard:
        from eolseq.line.switchboard import Switchboard

        return Switchboard(self._clock, self.inboxes, self._guard_open, self._is_unit, self._tell)

    def _guard_open(self, bay: str) -> bool:
        if bay in self._opened.out:
            return False
        watcher = self._opened.bay(bay).watcher
        last = watcher.inputs.last
        return last is not None and last.open and watcher.inputs.fresh(self._clock.monotonic())

    def _is_unit(self, text: str) -> bool:
        from eolseq.line.units import unit_in

        rules = self._opened.station.shift
        try:
            return rules is not None and bool(unit_in(text, rules, self._sequences))
        except Refused:
            return False

    def _work(self, name: str, past: Before) -> Callable[[], None]:
        from eolseq.commands.shift import tell_proved_off
        from eolseq.commands.shift_parts import AtStation
        from eolseq.line.after_pass import AfterPass
        from eolseq.line.shift import Shift

        tell = partial(self.told, name)
        inbox = self.inboxes[name]
        if name in self._opened.out:
            return self._out_of_use(name, past, tell)
        around = AtStation(self._clock, self._opened, self._pages, self._log, self._sequences, self._order,
                           self._defects, inbox.listen, bay=name, in_test=self._in_test)
        self.after[name] = after = AfterPass(around.papers, around.rules)
        if past.pending is not None:
            after.resume(past.pending)

        def work() -> None:
            try:
                tell_proved_off(past, tell)
                Shift(around, inbox, tell, after, self._pages_shown).run()
            except BaseException:  # at once: nothing begins at a neighbour once the program has failed here
                self.board.ended = f"The shift at {name} ended by an error."
                raise
            finally:
                self._working.discard(name)
            around.stay_in_sight(lambda: bool(self._working))
        return work

    def _out_of_use(self, name: str, past: Before, tell: Callable[[Any], None]) -> Callable[[], None]:
        """The loop of a bay that takes no units today, and looks that it holds up nobody."""
        from eolseq.commands.bay_use import Sentry
        from eolseq.line.out_of_use import OutOfUseBay
        from eolseq.line.shift_events import ShiftBegins

        station = self._opened.station
        closed = next(each for each in self._opened.closed if each.name == name)
        rules, sentry = station.shift, Sentry(self._clock, self._opened, self._log, closed.sight)
        loop = OutOfUseBay(self._clock, self._log, closed.out, rules.call if rules is not None else {},
                           self.inboxes[name], tell, sentry.look, lambda: bool(self._working), past)

        def work() -> None:
            tell(ShiftBegins(station.name, name, self._opened.simulated, rules.takt if rules is not None else None))
            loop.run()
        return work


def look_back_at_bays(station: Station, sequences: tuple[Sequence, ...], tell: TellAt,
                      paper: ShiftPaper | None = None) -> dict[str, Before]:
    """Before anything is opened: what was under test at each bay when the program last ended.

    ``paper`` sees whether the shift before owes its page.
    """
    from eolseq.line.resume import Before, before
    from eolseq.line.shift_events import ShiftBegins, Situation, Stands
    from eolseq.records.reader import Records
    from eolseq.records.scan import LOG_NAME

    folder = Path(station.records)
    if not (folder / LOG_NAME).is_file():
        return {name: Before() for name in station.bays}
    records = Records.open(folder)
    if paper is not None:
        paper.notice(records)
    found = {name: before(records, sequences, labels=station.labels is not None, bay=name) for name in station.bays}
    if station.shift is not None and any(each.cut for each in found.values()):
        for name in found:
            tell(name, ShiftBegins(station.name, name, bool(station.simulated), station.shift.takt))
    for name, each in found.items():
        for do, why in each.words(name):
            tell(name, Stands(Situation.AFTER_CUT, do, why=why))
    return found


def run_bays(options: argparse.Namespace, station: Station, path: Path, sequences: tuple[Sequence, ...],
             pages: Mapping[str, Any], defects: Mapping[str, str], tell: TellAt,
             pages_shown: Pages, paper: ShiftPaper) -> bool:
    """The whole shift at every bay; whether a signal ended it."""
    from eolseq.commands.memory import settled
    from eolseq.commands.run import ready_log
    from eolseq.commands.shift import signals_end, tell_page
    from eolseq.commands.shift_input import sources
    from eolseq.commands.verify import bench_of
    from eolseq.commands.wiring import real_wires
    from eolseq.station.open import open_station

    past = look_back_at_bays(station, sequences, tell, paper)
    with ExitStack() as stack:
        addresses, order = stack.enter_context(bench_of(station, path))
        wires = stack.enter_context(traced(real_wires(addresses), options))
        opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock)
        stack.callback(opened.close)
        log = ready_log(station, opened, wires.clock, past[station.bays[0]].records)
        stack.callback(log.close)
        paper.owed(log, partial(tell_page, partial(tell, station.bays[0])))
        stack.enter_context(settled())
        bays = BaysAtWork(wires.clock, opened, pages, log, sequences, tell, order, defects, pages_shown)
        stack.enter_context(signals_end(opened, bays.board))
        stack.enter_context(sources(station.shift, bays.board, wires.clock, partial(tell, station.bays[0])))
        with paper.after(log, opened, wires.clock, lambda: bays.board.by_signal):
            bays.run(past)
        return bays.board.by_signal

"""The station around a shift: gates, runs, checks, paper and contact of an open station, for ``line/shift.py``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any

from eolseq.bands.band import Outcome
from eolseq.clock import Clock
from eolseq.commands.bay_use import BayUse, for_screen
from eolseq.commands.gates import Setting, gates_of
from eolseq.commands.labelling import Paper, Why
from eolseq.commands.run import bay_of
from eolseq.commands.shift_checks import StationChecks
from eolseq.commands.wiring import Order
from eolseq.engine.arrows import Listen, Typed
from eolseq.engine.events import Cautions, SafetyState
from eolseq.engine.run import RunResult, UnitRun
from eolseq.engine.schedule import InTest, forget_trip
from eolseq.errors import Refused, StationFault, WrongUse
from eolseq.line.around import Due, Printed, Tell
from eolseq.line.crew import LONGEST_SHIFT, Crew, Hazard
from eolseq.line.label import PrintedLabel
from eolseq.line.people import listed_people, refusal_of
from eolseq.line.release_contact import release_contact
from eolseq.line.shift_events import Note, ShortCaution
from eolseq.records.judged import standing_of
from eolseq.records.log import Log
from eolseq.sequence.model import Sequence
from eolseq.station.checks import Demand
from eolseq.station.open import OpenStation
from eolseq.station.out_of_use import OutOfUse

SHORT = "Test voltage can kill. Closing the guard starts the test. Red button: stop."
"""What each further unit is told; the guard's closing acknowledges it."""

OPENS_WITHIN = 5.0  # s for a simulated guard to be seen open before a unit is put in


@dataclass
class LabelPapers:
    """Labels and tickets of a station, for a shift."""

    paper: Paper
    log: Log

    def label(self, sequence: Sequence, serial: str, *, by: str = "", old: str = "") -> Printed:
        """Print a label; ``old`` is what became of the copy before, by whom. Refused, RecordFault."""
        why = Why("The copy before it was not read back on the unit.", by, old) if old else None
        done = self.paper.label(self.log, sequence, serial, why=why)
        return Printed(done.sure, done.trouble or done.sentence, done.printed)

    def read_back(self, printed: PrintedLabel, by: str) -> None:
        """Write that the label was scanned on its unit."""
        self.paper.read_back(self.log, printed, by)

    def ticket(self, sequence: Sequence, result: RunResult) -> str:
        """Print the ticket of a reject; a sentence that says what came of it, or nothing."""
        return self.paper.ticket(sequence, result, self.log)


class AtStation:
    """One bay of an open station as a shift needs it; satisfies ``line.around.Around``.

    ``order`` gives a simulated station orders (None at a real one), ``defects`` are put into its units by serial. Where
    there are several bays, ``bay`` names this one and ``in_test`` knows what is in the others.
    """

    def __init__(self, clock: Clock, opened: OpenStation, pages: Mapping[str, Any], log: Log,
                 sequences: tuple[Sequence, ...], order: Order | None = None,
                 defects: Mapping[str, str] | None = None, listen: Listen | None = None, *, bay: str | None = None,
                 in_test: InTest | None = None) -> None:
        station = opened.station
        if station.shift is None:
            raise WrongUse(f"{station.name} has no 'shift'.", "Add it to the station file; see 'eolseq manual shift'.")
        self.clock, self.log, self.sequences, self.rules = clock, log, sequences, station.shift
        self.station, self.station_digest, self.simulated = station.name, station.digest, opened.simulated
        self.plant = station.plant
        self._opened, self._pages, self._listen = opened, pages, listen
        self._order = order if order is None or bay is None else partial(_order_at, order, bay)
        self._in_test = in_test or InTest()
        self._defects = dict(defects or {})
        self._bay = bay_of(opened, pages, bay)
        self.bay = self._bay.name
        paper = Paper.of(station)
        self.papers = None if paper is None else LabelPapers(paper, log)
        if paper is not None:
            _warm(paper, sequences, log.origin)
        self._contact = release_contact(self._bay.instruments.get("switching_unit"), self._bay.channels,
                                        station.release)
        self._guard_stays_open()
        self._checks = StationChecks(clock, opened, pages, log, sequences, self._bay, self._order)
        several = opened.of_several(self.bay)
        self._use = BayUse(clock, opened, log, opened.bay(self.bay), self._checks) if several else None

    def safety(self, state: str) -> SafetyState:
        """Whether voltage may be present, and lamps and lock as they were last read back; None what is not known."""
        watcher = self._bay.watcher
        seen = watcher.inputs.last if watcher.alive and watcher.inputs.fresh(self.clock.monotonic()) else None
        lamps = (None, None, None) if seen is None else (seen.red, seen.green, seen.locked)
        return SafetyState(state, self._bay.door.voltage_possible, *lamps)

    def out_of_use(self) -> OutOfUse | None:
        """Why nothing is tested at this bay while its neighbours work, or None; never where there is one bay."""
        out = self._use.now() if self._use is not None else None
        return out if out is None else for_screen(out, self._opened)

    def stay_in_sight(self, working: Callable[[], bool]) -> None:
        """After the shift here has ended: look at a bay that is out of use as long as a neighbour works."""
        if self._use is not None:
            self._use.stay_in_sight(working)

    # -- people -------------------------------------------------------------------------------------------------

    def shift_began(self, now: datetime) -> datetime:
        """When the present shift began, by the station file, else so long ago as a person may stay signed in."""
        checks = self._opened.station.checks
        since = checks.since(Demand("shift"), now) if checks is not None and checks.shifts else None
        return since or now - LONGEST_SHIFT

    def refuse_person(self, person: str) -> None:
        """Raise Refused when a person may test nothing at this station today."""
        rules, simulated = self._opened.station.people, bool(self._opened.station.simulated)
        if not rules.needed:
            return
        people = listed_people(rules, standing_of(self.log), simulated=simulated)
        alone = {name: replace(each, trainee=False) for name, each in people.items()}
        today = self.clock.now().date()
        refusals = [refusal_of(person, (), each.name, today, alone) for each in self.sequences]
        first = refusals[0]
        if first is not None and all(refusals):
            raise first

    # -- checks -------------------------------------------------------------------------------------------------

    def due(self) -> list[Due]:
        """The checks of the station that do not stand now."""
        return self._checks.due()

    def before_end(self) -> str:
        """What is still to be done before the shift ends, in a sentence; empty when nothing is."""
        return self._checks.before_end()

    def hazard_of(self, check: str) -> Hazard:
        """What a check may do to a person; Refused when it cannot be performed from here."""
        return self._checks.hazard_of(check)

    def check(self, what: str, operator: str, tell: Tell) -> str:
        """Perform a check, ``verify`` or ``challenge``; a sentence of what was found. Refused when it cannot be."""
        self._refuse_out_of_use()
        forget_trip(self._bay)
        self._bay.watcher.seen_open = False
        try:
            return self._checks.carry_out(what, operator, tell)
        finally:
            self._guard_stays_open()

    # -- units --------------------------------------------------------------------------------------------------

    def test(self, serial: str, sequence: Sequence, crew: Crew, tell: Tell) -> RunResult:
        """Take a unit through its sequence; an error that nobody foresaw is raised once it is on record."""
        bay = self._bay
        self._checks.last = sequence.name
        self._refuse_out_of_use()
        forget_trip(bay)
        bay.watcher.seen_open = False  # the guard must be opened and closed after the scan: no scan starts a test
        gates = gates_of(Setting(sequence, self._opened, self._pages, self.log, self.clock, False, crew.beside,
                                 bay.name))
        acknowledge = partial(self._loaded, serial, tell, gates.acknowledged(partial(_operator, crew)))
        here = partial(self._in_test.begin, bay=bay.name)
        unit = UnitRun(self.clock, sequence, bay, self.log, tell, acknowledge, [here, *gates.of_unit],
                       approval=gates.approval, listen=partial(self._hear, tell))
        try:
            result = unit.run(serial)
        finally:
            self._in_test.end(serial, bay.name)
            self._guard_stays_open()
        if self._use is not None and result.outcome is Outcome.FAULT:
            self._use.ask_own()
        if unit.crash is not None:
            raise unit.crash
        return result

    def _refuse_out_of_use(self) -> None:
        """StationFault, before a unit or a check is begun, when an instrument of this bay of several is silent."""
        out = self._use.ask_own() if self._use is not None else None
        if out is not None:
            raise StationFault(out.what, for_screen(out, self._opened).do)

    def _loaded(self, serial: str, tell: Tell, acknowledge: Callable[[Cautions], str | None],
                cautions: Cautions) -> str | None:
        """The short caution; a simulated station then gets the unit into its bay, as a person would put it there."""
        operator = acknowledge(cautions)
        tell(ShortCaution(SHORT))
        if self._order is not None and operator:
            self._bay.watcher.wait_for(lambda state: state.open, OPENS_WITHIN)
            try:
                self._order({"load": {"serial": serial, "defect": self._defects.get(serial)}, "closes_by_itself": True})
            except WrongUse as error:
                raise Refused(error.what, error.do) from error
        return operator

    def _guard_stays_open(self) -> None:
        """A simulated guard is opened to take a unit out, and stays open until the next one is put in."""
        if self._order is not None and not self._bay.door.voltage_possible:
            self._order({"closes_by_itself": False, "open": "both"})

    def _hear(self, tell: Tell, most: int) -> Typed | None:
        """Listen for what a person types while the test runs; a scan is never an answer."""
        if self._listen is None:
            return None
        tell(Note("TYPE IT", "Put = before what you type, such as =2, then Enter."))
        return self._listen(most)

    def let_go(self, go: bool) -> None:
        """Close the release contact, where there is one, or open it."""
        if self._contact is None:
            return
        if go:
            self._contact.close(passed=True, label_sure=True)
        elif self._contact.closed:
            self._contact.open()


def _operator(crew: Crew, _: Cautions) -> str | None:
    """Who acknowledges: the operator, who has read the same cautions in full in this shift."""
    operator = crew.operator
    return operator.name if operator is not None else None


def _order_at(order: Order, bay: str, what: Mapping[str, Any]) -> Any:
    """An order to the simulated station, at a bay of several; what it answers."""
    return order({"bay": bay, **what})


def _warm(paper: Paper, sequences: tuple[Sequence, ...], origin: str) -> None:
    """Draw a label of no unit, so that the first unit of a shift waits no longer for its own than the others."""
    for each in sequences:
        with suppress(Refused):  # the gate of each unit says so again, where it matters
            paper.refuse_unready(each, origin, "0" * 12)

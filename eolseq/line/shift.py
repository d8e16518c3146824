"""A shift at one bay: sign in, checks, then unit after unit, each with its label scanned back before the next.

Where the shift stands is worked out anew in each round from what is known: lock, people, label, checks. A code that
does not belong there is turned away with a word. A test begins when the guard closes, and no code can end it.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from eolseq import __version__
from eolseq.bands.band import Outcome
from eolseq.engine.events import SafetyState
from eolseq.engine.run import RunResult
from eolseq.errors import RecordFault, Refused, StationFault
from eolseq.line.after_pass import FATES, AfterPass
from eolseq.line.around import Around, Due, Tell
from eolseq.line.crew import Crew, Hazard, Person
from eolseq.line.label_code import looks_like_code
from eolseq.line.scans import Inbox, Scan
from eolseq.line.shift_events import (
    CautionPage,
    CodeTaken,
    Note,
    ShiftBegins,
    Situation,
    SoundIs,
    Stands,
    Tick,
    UnitOver,
)
from eolseq.line.tally import Count
from eolseq.line.units import unit_in
from eolseq.line.whom import whom
from eolseq.records.people import PERSON_LIKE, is_pseudonym
from eolseq.records.shift_entries import ShiftMark, SignIn
from eolseq.sequence.model import Sequence
from eolseq.serials import reserved

TICK = 0.2  # s between two looks at the clock, the lock and whether the shift is to end

Pages = Callable[[Hazard], int]
"""On how many pages the screen shows the cautions of a hazard."""


@dataclass
class _Reading:
    """Cautions that somebody has to acknowledge; ``then`` is done afterwards."""

    person: Person
    hazard: Hazard
    new: bool
    way: str
    then: Callable[[], None] | None = None
    page: int = 0


class Shift:
    """The loop of one bay. ``run`` ends when the input ends, ``=end`` is typed, or ``inbox.ended`` is set."""

    def __init__(self, around: Around, inbox: Inbox, tell: Tell, after: AfterPass, pages: Pages = lambda _: 1) -> None:
        self._around = around
        self._inbox = inbox
        self._tell = tell
        self._after = after
        self._pages = pages
        self._crew = Crew()
        self._reading: _Reading | None = None
        self._typed = ""
        self._told: Stands | None = None
        self._seen: SafetyState | None = None
        self._count = Count(around.clock.monotonic(), around.rules.takt)
        self._sound = around.rules.sound
        self._handlers: dict[Situation, Callable[[Scan], None]] = {
            Situation.LOCKED: self._while_locked, Situation.SIGN_IN: self._badge, Situation.CAUTIONS: self._acknowledge,
            Situation.LABEL: self._scan_back, Situation.PLATE: self._scan_back,
            Situation.LABEL_MISSING: self._scan_back, Situation.CHECK_DUE: self._unit, Situation.WAITING: self._unit}

    # -- the whole ----------------------------------------------------------------------------------------------

    def run(self) -> str:
        """Run the shift to its end; why it ended. RecordFault when the log can no longer be written."""
        around = self._around
        self._tell(ShiftBegins(around.station, around.bay, around.simulated, around.rules.takt))
        around.log.append(self._mark("begin"))
        around.let_go(False)
        try:
            while not self._inbox.over:
                self._round()
        except BaseException as error:
            self._inbox.ended = self._inbox.ended or f"{type(error).__name__}: {error}"
            raise
        finally:
            reason = self._inbox.ended or "The input ended."
            with suppress(RecordFault):  # told by what ended the shift
                around.log.append(self._mark("end", reason))
            self._stand(Situation.ENDED, reason)
        return reason

    def _mark(self, event: str, reason: str | None = None) -> ShiftMark:
        count, around = self._count, self._around
        return ShiftMark(event="begin" if event == "begin" else "end", bay=around.bay,
                         station_digest=around.station_digest, software=__version__, reason=reason,
                         passed=count.passed, rejected=count.rejected, others=count.others)

    def _round(self) -> None:
        """One code, or a moment without one."""
        self._send_home()
        situation, do = self._situation()
        self._stand(situation, do)
        self._look(situation)
        scan = self._inbox.take(TICK)
        if scan is None:
            self._tell(Tick())
            return
        self._tell(CodeTaken())
        if scan.problem:
            self._note("NO CODE", f"{scan.problem} Scan again.")
        elif scan.command in ("end", "sound", "out"):
            self._order(scan.command)
        elif scan.command or (scan := self._twice(scan)) is not None:
            self._handlers[situation](scan)

    def _situation(self) -> tuple[Situation, str]:
        """Where the shift stands, and what has to be done."""
        lock, operator, label = self._around.log.locked(), self._crew.operator, self._after.situation
        if lock is not None:
            return Situation.LOCKED, f"{lock.reason} {lock.do}"
        if self._reading is not None:
            return Situation.CAUTIONS, self._please_read(self._reading)
        if operator is None:
            return Situation.SIGN_IN, "Scan your badge. To type it: = and your id, Enter, twice."
        if label is not None:
            return label, self._after.do()
        due = self._around.due()
        if due:
            return Situation.CHECK_DUE, _due_words(due)
        return Situation.WAITING, "Open the guard, put the unit in and connect it. Then scan its rating plate."

    def _stand(self, situation: Situation, do: str) -> None:
        if situation in (Situation.RUNNING, Situation.CHECKING):
            self._seen = None  # the run tells of the lamps itself
        operator = self._crew.operator
        now = Stands(situation, do, operator.name if operator else "", self._crew.beside)
        if now != self._told:
            self._told = now
            self._tell(now)
            self._tell(self._count.now(self._around.clock.monotonic()))

    def _look(self, situation: Situation) -> None:
        """Tell of the lamps when they have changed; a guard unit that is silent is told as not known."""
        seen = self._around.safety("locked" if situation is Situation.LOCKED else "waiting")
        if seen != self._seen:
            self._seen = seen
            self._tell(seen)

    def _note(self, word: str, sentence: str, call: str = "") -> None:
        self._tell(Note(word, sentence, whom(call, self._around.rules.call) if call else ""))

    def _refuse(self, error: Refused | StationFault) -> None:
        self._note("REFUSED", str(error), str(error))

    def _twice(self, scan: Scan) -> Scan | None:
        """A scan as it is; what was typed only when it was typed twice."""
        if not scan.typed:
            self._typed = ""
            return scan
        again, self._typed = self._typed == scan.text, "" if self._typed == scan.text else scan.text
        if not again:
            self._note("TYPE AGAIN", f"Type ={scan.text} once more, so that no slip of a finger counts.")
        return scan if again else None

    def _order(self, word: str) -> None:
        """What may be typed at any time between two tests."""
        if word == "end":
            self._inbox.ended = f"Ended by {self._crew.all[-1]}." if self._crew.all else "Ended at the keyboard."
        elif word == "sound":
            self._sound = not self._sound
            self._tell(SoundIs(self._sound))
        elif self._reading is not None:
            self._reading = None
        elif self._crew.operator is not None:
            self._sign_out(self._crew.operator.name, "typed")

    # -- people -------------------------------------------------------------------------------------------------

    def _badge(self, scan: Scan) -> None:
        """Somebody signs in: known here, and then the cautions in full."""
        if scan.command or not is_pseudonym(scan.text):
            self._note("WHO ARE YOU?", f"Sign in first: scan your badge, {PERSON_LIKE}.")
            return
        try:
            self._around.refuse_person(scan.text)
        except Refused as error:
            self._refuse(error)
            return
        person = Person(scan.text, self._around.clock.now())
        self._read(_Reading(person, Hazard.of(self._around.sequences[0]), True, _way(scan)))

    def _read(self, reading: _Reading) -> None:
        self._reading = reading
        self._tell(CautionPage(reading.hazard.shown, reading.page, self._pages(reading.hazard)))

    def _please_read(self, reading: _Reading) -> str:
        pages = self._pages(reading.hazard)
        last = reading.page + 1 >= pages
        return f"Read all of it. Then {reading.person.name} scans their badge " + (
            "to acknowledge every caution." if last else f"for page {reading.page + 2} of {pages}.")

    def _acknowledge(self, scan: Scan) -> None:
        """The badge of the very person acknowledges; then the unit that waited is tested."""
        reading = self._reading
        if reading is None:
            return
        if scan.text != reading.person.name:
            self._note("NOT YET", f"{reading.person.name} reads the cautions and scans their badge first. "
                       "To go back, type =out.")
            return
        reading.page += 1
        if reading.page < self._pages(reading.hazard):
            self._read(reading)
            return
        self._reading = None
        self._acknowledged(reading, scan)
        if reading.then is not None:
            reading.then()

    def _acknowledged(self, reading: _Reading, scan: Scan) -> None:
        others = tuple(each for each in self._crew.all if each != reading.person.name)
        self._around.log.append(SignIn(
            person=reading.person.name, event="in" if reading.new else "acknowledged", beside=others,
            way="typed" if scan.typed or reading.way == "typed" else "scanned",
            cautions=(*reading.hazard.shown.standard, *reading.hazard.shown.own), volts=f"{reading.hazard.volts:f}"))
        reading.person.acknowledge(reading.hazard)
        if reading.new:
            self._crew.sign_in(reading.person)

    def _sign_out(self, name: str, way: str) -> None:
        self._crew.sign_out(name)
        self._around.log.append(SignIn(person=name, event="out", way="typed" if way == "typed" else "scanned",
                                       beside=self._crew.all))
        self._note("SIGNED OUT", f"{name} is signed out.")

    def _send_home(self) -> None:
        """Whoever signed in before the present shift began signs in anew."""
        for name in self._crew.gone_home(self._around.shift_began(self._around.clock.now())):
            self._around.log.append(SignIn(person=name, event="out", way="scanned", beside=self._crew.all))
            self._note("NEW SHIFT", f"A new shift has begun: {name} signs in anew.")

    # -- units --------------------------------------------------------------------------------------------------

    def _while_locked(self, _: Scan) -> None:
        self._note("LOCKED", "This station tests nothing until it is unlocked. Leave the unit where it is.",
                   "maintenance")

    def _unit(self, scan: Scan) -> None:
        """The code of the next unit, a badge, or an order."""
        if scan.command:
            self._ask_check(scan)
            return
        if is_pseudonym(scan.text) and not any(each.unit.fits(scan.text) for each in self._around.sequences):
            self._another(scan)
            return
        due = self._around.due()
        if due:
            self._note("CHECK DUE", _due_words(due), due[0].do)
            return
        try:
            serial, sequence = self._sequence_of(scan)
        except Refused as error:
            self._refuse(error)
            return
        self._once_known(Hazard.of(sequence), scan, partial(self._test, serial, sequence))

    def _once_known(self, hazard: Hazard, scan: Scan, then: Callable[[], None]) -> None:
        """Do what the operator knows the hazard of; else they read the cautions in full before."""
        operator = self._crew.operator
        if operator is not None and not operator.knows(hazard):
            self._read(_Reading(operator, hazard, False, _way(scan), then))
        else:
            then()

    def _another(self, scan: Scan) -> None:
        """A badge between two units: another person signs in; one who is signed in already is told how to go."""
        operator = self._crew.operator
        if operator is not None and operator.name == scan.text:
            self._note("SIGNED IN", f"{scan.text} is signed in. To sign out, type =out.")
            return
        self._badge(scan)

    def _sequence_of(self, scan: Scan) -> tuple[str, Sequence]:
        if looks_like_code(scan.text):
            raise Refused("That is the code of a label.", "Scan the rating plate of the unit in the fixture.")
        if reserved(scan.text):
            raise Refused(f"{scan.text} is the serial of a reference unit, which is never released.",
                          "To show the station its reference units, type =challenge.")
        return unit_in(scan.text, self._around.rules, self._around.sequences)

    def _ask_check(self, scan: Scan) -> None:
        """A check of the station is asked for, which may be another hazard than a unit's."""
        if scan.command not in ("verify", "challenge"):
            self._note("NOT NOW", f"={scan.command} has no meaning now. Scan a unit.")
            return
        try:
            hazard = self._around.hazard_of(scan.command)
        except Refused as error:
            self._refuse(error)
            return
        self._once_known(hazard, scan, partial(self._check, scan.command))

    def _check(self, word: str) -> None:
        """A check of the station, performed from here."""
        operator = self._crew.operator
        if operator is None:
            return
        self._stand(Situation.CHECKING, f"The station is checked: {word}. Do what the screen says.")
        self._inbox.shut()
        try:
            said = self._around.check(word, operator.name, self._tell)
        except (Refused, StationFault) as error:
            if isinstance(error, RecordFault):
                raise
            self._refuse(error)
        else:
            self._note("CHECKED", said)
        finally:
            self._inbox.reopen()

    def _test(self, serial: str, sequence: Sequence) -> None:
        """One unit: contact open, test, outcome, then what follows it."""
        self._stand(Situation.RUNNING, "")
        self._inbox.shut()
        try:
            self._around.let_go(False)
            result = self._around.test(serial, sequence, self._crew, self._tell)
        except StationFault as error:
            if isinstance(error, RecordFault):
                raise
            self._refuse(error)
            return
        finally:
            self._inbox.reopen()
        self._count.take(result)
        if result.released:
            self._after.passed(serial, sequence)
            self._stand(*self._situation())
        self._tell(UnitOver(serial, result.outcome, result.sentence, result.released))
        self._tell(self._count.now(self._around.clock.monotonic()))
        self._say_after(result, sequence)

    def _say_after(self, result: RunResult, sequence: Sequence) -> None:
        if result.released:
            return
        papers, rejected = self._around.papers, result.outcome in (Outcome.FAIL, Outcome.UNDECIDED)
        said = papers.ticket(sequence, result) if papers is not None and rejected else ""
        if rejected:
            self._note("REJECT", f"{result.serial}: set it aside with its ticket. {said}", result.sentence)
        else:
            self._note(str(result.outcome).upper(), result.sentence, result.sentence)

    def _scan_back(self, scan: Scan) -> None:
        """The label or the rating plate of the unit that passed, or what became of its label."""
        operator = self._crew.operator
        by = operator.name if operator else ""
        if scan.command:
            note = self._after.command(scan.command, by) if scan.command in FATES else Note(
                "NOT NOW", f"={scan.command} can wait. {self._after.do()}")
        else:
            note = self._after.scanned(scan, by)
        if note is not None:
            self._note(note.word, note.sentence, note.call)
        elif self._after.pending is None:
            self._around.let_go(True)
            self._note("UNIT DONE", "Label and rating plate are right. Take the unit out; next unit.")


def _way(scan: Scan) -> str:
    return "typed" if scan.typed else "scanned"


def _due_words(due: list[Due]) -> str:
    checks = list(dict.fromkeys(each.check for each in due if each.check))
    offer = f" To do it now, type {' or '.join(f'={each}' for each in checks)}." if checks else ""
    more = f" ({len(due)} reasons in all.)" if len(due) > 1 else ""
    return f"{due[0].what}{'' if checks else f' {due[0].do}'}{more}{offer}"

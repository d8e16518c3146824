"""Signing in at a bay: a badge, the cautions in full, and the same badge again; anew whenever the hazard is new."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from eolseq.errors import EolseqError, Refused
from eolseq.line.around import Around, Tell
from eolseq.line.crew import Crew, Hazard, Person
from eolseq.line.scans import Scan
from eolseq.line.shift_events import CautionPage, Note
from eolseq.line.whom import whom
from eolseq.records.people import PERSON_LIKE, is_pseudonym
from eolseq.records.shift_entries import SignIn, Way

Pages = Callable[[Hazard], int]
"""On how many pages the screen shows the cautions of a hazard."""


class Words:
    """Says in a note what was refused or done, with whom to call."""

    def __init__(self, around: Around, tell: Tell) -> None:
        self._around = around
        self._tell = tell

    def note(self, word: str, sentence: str, call: str = "", do: str = "") -> None:
        """A word and a sentence; ``call`` is a text that names who helps, if anybody has to be called.

        ``do`` is the part of the sentence that says what to do.
        """
        self._tell(Note(word, sentence, whom(call, self._around.rules.call) if call else "", do=do))

    def refuse(self, error: EolseqError) -> None:
        """Why something was refused."""
        self.note("REFUSED", str(error), str(error), error.do)


@dataclass
class _Reading:
    """Cautions that somebody has to acknowledge; ``then`` is done afterwards."""

    person: Person
    hazard: Hazard
    new: bool
    way: Way
    then: Callable[[], None] | None = None
    page: int = 0


class SigningIn:
    """The people at one bay, and the cautions that one of them is reading."""

    def __init__(self, around: Around, tell: Tell, words: Words, pages: Pages) -> None:
        self.crew = Crew()
        self._around = around
        self._tell = tell
        self._words = words
        self._pages = pages
        self._reading: _Reading | None = None

    @property
    def reading(self) -> bool:
        """Whether cautions wait to be acknowledged."""
        return self._reading is not None

    @property
    def by(self) -> str:
        """The operator's id; empty when nobody is signed in."""
        operator = self.crew.operator
        return operator.name if operator is not None else ""

    def do(self) -> str:
        """What the reader does now."""
        reading = self._reading
        if reading is None:
            return ""
        pages = self._pages(reading.hazard)
        last = reading.page + 1 >= pages
        return f"Read all of it. Then {reading.person.name} scans their badge " + (
            "to acknowledge every caution." if last else f"for page {reading.page + 2} of {pages}.")

    def is_badge(self, text: str) -> bool:
        """Whether a code between two units is a person's: no serial, and no bare number, which may be on anything."""
        return is_pseudonym(text) and not text.isdigit() and not any(
            each.unit.fits(text) for each in self._around.sequences)

    def badge(self, scan: Scan) -> None:
        """Somebody signs in: known here, and then the cautions in full."""
        if scan.command or not is_pseudonym(scan.text):
            self._words.note("WHO ARE YOU?", f"Sign in first: scan your badge, {PERSON_LIKE}.")
            return
        if self.by == scan.text:
            self._words.note("SIGNED IN", f"{scan.text} is signed in. To sign out, type =out.")
            return
        try:
            self._around.refuse_person(scan.text)
        except Refused as error:
            self._words.refuse(error)
            return
        person = Person(scan.text, self._around.clock.now())
        self._read(_Reading(person, Hazard.of(self._around.sequences[0]), True, _way(scan)))

    def once_known(self, hazard: Hazard, scan: Scan, then: Callable[[], None]) -> None:
        """Do what the operator knows the hazard of; else they read the cautions in full before."""
        operator = self.crew.operator
        if operator is not None and not operator.knows(hazard):
            self._read(_Reading(operator, hazard, False, _way(scan), then))
        else:
            then()

    def acknowledge(self, scan: Scan) -> None:
        """The badge of the very person acknowledges; then what waited for it is done."""
        reading = self._reading
        if reading is None:
            return
        if scan.text != reading.person.name:
            self._words.note("NOT YET", f"{reading.person.name} reads the cautions and scans their badge first. To go "
                             "back, type =out.")
            return
        reading.page += 1
        if reading.page < self._pages(reading.hazard):
            self._read(reading)
            return
        self._reading = None
        self._acknowledged(reading, scan)
        if reading.then is not None:
            reading.then()

    def out(self) -> None:
        """Put the cautions away unread, else sign the operator out."""
        if self._reading is not None:
            self._reading = None
        elif self.by:
            name = self.by
            self.crew.sign_out(name)
            self._write_out(name, "typed")
            self._words.note("SIGNED OUT", f"{name} is signed out.")

    def send_home(self) -> None:
        """Whoever signed in before the present shift began signs in anew."""
        for name in self.crew.gone_home(self._around.shift_began(self._around.clock.now())):
            self._reading = None
            self._write_out(name, "scanned")
            self._words.note("NEW SHIFT", f"A new shift has begun: {name} signs in anew.")

    def _read(self, reading: _Reading) -> None:
        self._reading = reading
        self._tell(CautionPage(reading.hazard.shown, reading.page, self._pages(reading.hazard)))

    def _acknowledged(self, reading: _Reading, scan: Scan) -> None:
        others = tuple(each for each in self.crew.all if each != reading.person.name)
        shown = reading.hazard.shown
        self._around.log.append(SignIn(
            person=reading.person.name, event="in" if reading.new else "acknowledged", beside=others,
            way="typed" if scan.typed or reading.way == "typed" else "scanned",
            cautions=(*shown.standard, *shown.own), volts=f"{reading.hazard.volts:f}",
            bay=self._around.bay))
        reading.person.acknowledge(reading.hazard)
        if reading.new:
            self.crew.sign_in(reading.person)

    def _write_out(self, name: str, way: Way) -> None:
        self._around.log.append(SignIn(person=name, event="out", way=way, beside=self.crew.all,
                                       bay=self._around.bay))


def _way(scan: Scan) -> Way:
    return "typed" if scan.typed else "scanned"

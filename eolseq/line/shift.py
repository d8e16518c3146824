"""A shift at one bay: sign in, checks, then unit after unit, each with its label scanned back before the next.

Where the shift stands is worked out anew in each round from what is known: lock, people, label, checks. A code that
does not belong there is turned away with a word. A test begins when the guard closes, and no code can end it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial

from eolseq import __version__
from eolseq.bands.band import Outcome
from eolseq.engine.events import SafetyState
from eolseq.engine.run import RunResult
from eolseq.errors import RecordFault, Refused, StationFault
from eolseq.line.after_pass import FATES, PLATE, AfterPass
from eolseq.line.around import Around, Due, Tell
from eolseq.line.crew import Hazard
from eolseq.line.label_code import looks_like_code
from eolseq.line.out_of_use import LOCKED, turned_away_at
from eolseq.line.scans import Inbox, Scan
from eolseq.line.shift_events import CodeTaken, Note, ShiftBegins, Situation, SoundIs, Stands, Tick, UnitOver
from eolseq.line.signing_in import Pages, SigningIn, Words
from eolseq.line.tally import Count
from eolseq.line.units import unit_in
from eolseq.records.entries import Remark
from eolseq.records.shift_entries import ShiftMark
from eolseq.sequence.model import Sequence
from eolseq.serials import reserved

TICK = 0.2  # s between two looks at the clock, the lock and whether the shift is to end

NEXT_UNIT = "Open the guard, put the unit in and connect it. Then scan its rating plate."
NEXT_AFTER = "Then scan the next unit."
LAST_LABEL = "=end once more ends the shift without."
LAST_CHECK = "Type =challenge now. =end once more ends the shift without; units are refused then until there was one."
TYPED = "The serial was typed twice; no rating plate was scanned for this test."
TYPED_BACK = "After the pass the rating plate was typed twice; it was not scanned."


class Shift:
    """The loop of one bay. ``run`` ends when the input ends, ``=end`` is typed, or ``inbox.ended`` is set."""

    def __init__(self, around: Around, inbox: Inbox, tell: Tell, after: AfterPass, pages: Pages = lambda _: 1) -> None:
        self._around = around
        self._inbox = inbox
        self._tell = tell
        self._after = after
        self._words = Words(around, tell)
        self._people = SigningIn(around, tell, self._words, pages)
        self._typed = ""
        self._first = ""  # what has to be done with the unit before, before the next one comes
        self._told: Stands | None = None
        self._seen: SafetyState | None = None
        self._count = Count(around.clock, around.rules.takt, around.plant)
        self._sound = around.rules.sound
        self._told_end: set[str] = set()  # what of all that is to be done before the end was said once
        self._handlers: dict[Situation, Callable[[Scan], None]] = {
            Situation.LOCKED: self._while_locked, Situation.OUT_OF_USE: self._while_out_of_use,
            Situation.SIGN_IN: self._people.badge,
            Situation.CAUTIONS: self._people.acknowledge, Situation.LABEL: self._scan_back,
            Situation.PLATE: self._scan_back, Situation.LABEL_MISSING: self._scan_back,
            Situation.CHECK_DUE: self._unit, Situation.WAITING: self._unit}

    # -- the whole ----------------------------------------------------------------------------------------------

    def run(self) -> str:
        """Run the shift to its end; why it ended. RecordFault when the log can no longer be written."""
        around = self._around
        self._tell(ShiftBegins(around.station, around.bay, around.simulated, around.rules.takt))
        around.log.append(self._mark("begin"))
        try:
            around.let_go(False)
            while not self._inbox.over:
                self._round()
        except BaseException as error:
            self._inbox.end_by(error)
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
        self._around.log.refuse_if_broken()  # nothing could be energised or labelled any more: the shift is over
        self._people.send_home()
        situation, do, why = self._situation()
        self._stand(situation, do, why)
        self._look(situation)
        scan = self._inbox.take(TICK)
        if scan is None:
            self._tell(Tick())
            return
        self._tell(CodeTaken())
        if scan.problem:
            self._words.note("NO CODE", f"{scan.problem} Scan again.", do="Scan again.")
        elif scan.command in ("end", "sound", "out"):
            self._order(scan.command)
        elif scan.command or (scan := self._twice(scan)) is not None:
            self._handlers[situation](scan)

    def _situation(self) -> tuple[Situation, str, str]:
        """Where the shift stands, what has to be done, and why where that has to be said."""
        lock, label = self._around.log.locked(), self._after.situation
        if lock is not None:
            return Situation.LOCKED, LOCKED, lock.reason
        out = self._around.out_of_use()
        if out is not None and label is None:
            return Situation.OUT_OF_USE, out.do, out.what
        if self._people.reading:
            return Situation.CAUTIONS, self._people.do(), ""
        if not self._people.by:
            return Situation.SIGN_IN, "Scan your badge. To type it: = and your id, Enter, twice.", ""
        if label is not None:
            return label, self._after.do(), self._after.why()
        due = self._around.due()
        if due:
            return Situation.CHECK_DUE, _due_do(due), _due_why(due)
        return Situation.WAITING, f"{self._first}{NEXT_AFTER if self._first else NEXT_UNIT}", ""

    def _stand(self, situation: Situation, do: str, why: str = "") -> None:
        if situation in (Situation.RUNNING, Situation.CHECKING):
            self._seen = None  # the run tells of the lamps itself
        now = Stands(situation, do, self._people.by, self._people.crew.beside, why)
        if now != self._told:
            self._told = now
            self._tell(now)
            self._tell(self._count.now())

    def _look(self, situation: Situation) -> None:
        """Tell of the lamps when they have changed; a guard unit that is silent is told as not known."""
        seen = self._around.safety("locked" if situation is Situation.LOCKED else "waiting")
        if seen != self._seen:
            self._seen = seen
            self._tell(seen)

    def _twice(self, scan: Scan) -> Scan | None:
        """A scan as it is; what was typed only when it was typed twice."""
        before, self._typed = self._typed, ""
        if not scan.typed or before == scan.text:
            return scan
        self._typed = scan.text
        self._words.note("TYPE AGAIN", f"Type ={scan.text} once more, so that no slip of a finger counts.")
        return None

    def _order(self, word: str) -> None:
        """What may be typed at any time between two tests."""
        if word == "end" and (owed := self._owed()) is not None:
            self._told_end.add(owed[0])
            self._words.note("NOT YET", f"{owed[1]} {owed[2]}", do=owed[2])
        elif word == "end":
            self._inbox.ended = f"Ended by {self._people.by or 'somebody who was not signed in'}."
        elif word == "sound":
            self._sound = not self._sound
            self._tell(SoundIs(self._sound))
        else:
            self._people.out()

    def _owed(self) -> tuple[str, str, str] | None:
        """What is to be done before the shift ends and was not said yet: a word for it, a sentence, and what to do."""
        pending, label = self._after.pending, self._after.situation
        if pending is not None and label is not None and "label" not in self._told_end:
            return "label", f"Unit {pending.serial} passed and has not been let go.", f"{self._after.do()} {LAST_LABEL}"
        if "challenge" not in self._told_end and (due := self._around.before_end()):
            return "challenge", due, LAST_CHECK
        return None

    def _while_locked(self, _: Scan) -> None:
        do = "End the shift (=end), then maintenance or quality: eolseq unlock."
        self._words.note("LOCKED", f"This station tests nothing until it is unlocked. {do}", "maintenance", do)

    def _while_out_of_use(self, _: Scan) -> None:
        self._tell(turned_away_at(self._around.bay))

    # -- units --------------------------------------------------------------------------------------------------

    def _unit(self, scan: Scan) -> None:
        """The code of the next unit, a badge, or an order."""
        if scan.command:
            self._ask_check(scan)
        elif self._people.is_badge(scan.text):
            self._people.badge(scan)
        elif due := self._around.due():
            do = _due_do(due)
            self._words.note("CHECK DUE", f"{_due_why(due)} {do}", "maintenance", do)
        else:
            self._test_scanned(scan)

    def _test_scanned(self, scan: Scan) -> None:
        try:
            serial, sequence = self._sequence_of(scan)
        except Refused as error:
            self._words.refuse(error)
            return
        self._people.once_known(Hazard.of(sequence), scan, partial(self._test, serial, sequence, scan.typed))

    def _sequence_of(self, scan: Scan) -> tuple[str, Sequence]:
        if looks_like_code(scan.text):
            raise Refused("That is the code of a label.", "Scan the rating plate of the unit in the fixture.")
        if reserved(scan.text):
            raise Refused(f"{scan.text} is the serial of a reference unit, which is never released.",
                          "To show the station its reference units, type =challenge.")
        return unit_in(scan.text, self._around.rules, self._around.sequences)

    def _test(self, serial: str, sequence: Sequence, typed: bool) -> None:
        """One unit: contact open, test, outcome, then what follows it. A serial that was typed is a remark."""
        self._stand(Situation.RUNNING, "")
        with self._turning_away(serial):
            if typed:
                self._around.log.append(Remark(serial=serial, reason=TYPED, bay=self._around.bay))
            self._around.let_go(False)
            with self._count.testing():
                self._tell(self._count.now())
                result = self._around.test(serial, sequence, self._people.crew, self._tell)
            self._count.take(result)
            self._first = _first_of(result)
            if result.released:
                self._after.passed(serial, sequence)
                self._stand(*self._situation())
            self._tell(UnitOver(serial, result.outcome, result.sentence, result.released))
            self._tell(self._count.now())
            self._say_after(result, sequence)

    @contextmanager
    def _turning_away(self, serial: str | None = None) -> Iterator[None]:
        """Codes are turned away while the block runs; a fault of the station in it is told, but for one of the log.

        With the serial of a scanned unit it is written too: no scan is without a trace.
        """
        self._inbox.shut()
        try:
            yield
        except RecordFault:
            raise
        except (Refused, StationFault) as error:
            self._words.refuse(error)
            if serial is not None:
                self._around.log.append(Remark(serial=serial, reason=str(error), bay=self._around.bay))
        finally:
            self._inbox.reopen()

    def _say_after(self, result: RunResult, sequence: Sequence) -> None:
        """The ticket of a reject, and in one sentence why a unit did not pass, with whom to call."""
        if result.released:
            return
        papers, rejected = self._around.papers, result.outcome in (Outcome.FAIL, Outcome.UNDECIDED)
        said = papers.ticket(sequence, result) if papers is not None and rejected else ""
        trouble = f" {said}" if "missing" in said else ""
        word = "REJECT" if rejected else str(result.outcome).upper()
        self._words.note(word, f"{result.sentence}{trouble}", _CALL.get(result.outcome, result.sentence), result.do)

    # -- checks of the station ----------------------------------------------------------------------------------

    def _ask_check(self, scan: Scan) -> None:
        """A check of the station is asked for, which may be another hazard than a unit's."""
        if scan.command not in ("verify", "challenge"):
            self._words.note("NOT NOW", f"={scan.command} has no meaning now. Scan a unit.")
            return
        try:
            hazard = self._around.hazard_of(scan.command)
        except Refused as error:
            self._words.refuse(error)
            return
        self._people.once_known(hazard, scan, partial(self._check, scan.command))

    def _check(self, word: str) -> None:
        """A check of the station, performed from here, with the contact open that let the last unit go."""
        self._stand(Situation.CHECKING, f"The station is checked: {word}. Do what the screen says.")
        with self._turning_away():
            self._around.let_go(False)
            self._words.note("CHECKED", self._around.check(word, self._people.by, self._tell))

    # -- after a pass -------------------------------------------------------------------------------------------

    def _scan_back(self, scan: Scan) -> None:
        """The label or the rating plate of the unit that passed, or what became of its label."""
        note: Note | None = None
        if self._people.is_badge(scan.text) and not scan.command:
            self._people.badge(scan)
            return
        if not scan.command:
            pending = self._after.pending
            asked = pending is not None and PLATE in pending.want
            note = self._after.scanned(scan, self._people.by)
            if scan.typed and asked and pending is not None and PLATE not in pending.want:
                self._around.log.append(Remark(serial=pending.serial, reason=TYPED_BACK, bay=self._around.bay))
        else:
            note = self._after.command(scan.command, self._people.by) if scan.command in FATES else None
            note = note or Note("NOT NOW", f"={scan.command} can wait. {self._after.do()}")
        if note is not None:
            self._words.note(note.word, note.sentence, note.call, note.do)
        elif self._after.pending is None:
            self._let_go()

    def _let_go(self) -> None:
        """Everything is right with the unit that passed; a contact that does not close holds it back, and says so."""
        with self._turning_away():
            self._around.let_go(True)
            self._words.note("UNIT DONE", "Label and rating plate are right. Take the unit out; next unit.")


_CALL = {Outcome.FAULT: "maintenance", Outcome.UNDECIDED: "quality", Outcome.FAIL: "lead", Outcome.STOPPED: "lead"}
"""Whom an outcome concerns; for a refusal its sentence says so."""


def _first_of(result: RunResult) -> str:
    """What has to be done with a unit that did not pass before the next one comes."""
    if result.outcome in (Outcome.FAIL, Outcome.UNDECIDED):
        return f"Hang its ticket on {result.serial} and set it aside. "
    if result.outcome is Outcome.FAULT:
        return f"Call maintenance first. {result.serial} has no result: set it aside. "
    return "" if result.released else f"{result.serial} has no result: it stays here, or is set aside. "


def _due_do(due: list[Due]) -> str:
    """What to do about the checks that are due."""
    checks = list(dict.fromkeys(each.check for each in due if each.check))
    return f"To do the check now, type {' or '.join(f'={each}' for each in checks)}." if checks else due[0].do


def _due_why(due: list[Due]) -> str:
    """Which check is due first, and how many there are."""
    return f"{due[0].what}{f' ({len(due)} reasons in all.)' if len(due) > 1 else ''}"

"""What follows a pass: the label is printed, and label and rating plate are scanned back before the next unit."""

from __future__ import annotations

from dataclasses import dataclass, field

from eolseq.errors import Refused
from eolseq.line.around import Papers
from eolseq.line.label import PrintedLabel, reads_as
from eolseq.line.label_code import looks_like_code
from eolseq.line.scans import Scan
from eolseq.line.shift_events import Note, Situation
from eolseq.sequence.model import Sequence
from eolseq.station.shift_fields import ShiftRules

LABEL, PLATE = "label", "plate"
ANOTHER = "Type =destroyed, =found or =not-found; then another is printed."
FATES = {"destroyed": "destroyed", "found": "found", "not-found": "not found"}


@dataclass
class Pending:
    """A unit that passed and may not leave yet: what has still to be scanned, and its label (None: not printed).

    ``trouble`` is what is wrong with the label, ``todo`` what is done about it.
    """

    serial: str
    sequence: Sequence
    printed: PrintedLabel | None = None
    sure: bool = False
    trouble: str = ""
    todo: str = ""
    want: set[str] = field(default_factory=lambda: {LABEL, PLATE})


class AfterPass:
    """Keeps the unit that passed last until it is known that its label is on it, and no other."""

    def __init__(self, papers: Papers | None, rules: ShiftRules) -> None:
        self._papers = papers
        self._rules = rules
        self.pending: Pending | None = None

    @property
    def situation(self) -> Situation | None:
        """What is missing before the next unit; None when nothing is."""
        pending = self.pending
        if pending is None:
            return None
        if LABEL in pending.want and not pending.sure:
            return Situation.LABEL_MISSING
        return Situation.LABEL if LABEL in pending.want else Situation.PLATE

    def do(self) -> str:
        """What the person at the bay does now."""
        pending = self.pending
        if pending is None:
            return ""
        if LABEL in pending.want and not pending.sure:
            return pending.todo
        if LABEL in pending.want:
            return f"Stick the label on unit {pending.serial}, then scan the square code of the label there."
        return f"Scan the rating plate of unit {pending.serial}."

    def why(self) -> str:
        """Why that has to be done, where it has to be said."""
        return self.pending.trouble if self.pending is not None and self.situation is Situation.LABEL_MISSING else ""

    def passed(self, serial: str, sequence: Sequence) -> None:
        """A unit has passed: print its label, or without labels ask for its rating plate only."""
        want = {PLATE} if self._papers is None else {LABEL, PLATE}
        self.pending = Pending(serial, sequence, sure=self._papers is None, want=want)
        if self._papers is not None:
            self._print(self.pending, self._papers)

    def resume(self, pending: Pending) -> None:
        """Take up a unit whose label was not accounted for when the program ended."""
        self.pending = pending

    def command(self, word: str, by: str) -> Note | None:
        """A person says what became of a copy, and the next one is printed; None when that is no such word."""
        pending, papers = self.pending, self._papers
        if word not in FATES or pending is None or papers is None or LABEL not in pending.want:
            return None
        old = FATES[word] if pending.printed is not None else ""
        self._print(pending, papers, by, old)
        if not pending.sure or pending.printed is None:
            return Note("NO LABEL", f"{pending.trouble} {pending.todo}", "lead", do=pending.todo)
        return Note("NEW LABEL", f"Copy {pending.printed.label.copy} for unit {pending.serial} is printed.")

    def scanned(self, scan: Scan, by: str) -> Note | None:
        """A code came in: take it if it is one of those asked for; else a note. The last one lets the unit go."""
        pending = self.pending
        if pending is None:
            return None
        if looks_like_code(scan.text):
            note = self._label(pending, scan)
        elif scan.text in self._plates(pending):
            pending.want.discard(PLATE)
            note = Note("GOOD", f"The rating plate of {pending.serial} is right.") if pending.want else None
        elif scan.text == pending.serial:
            do = "Scan the rating plate on the unit itself."
            note = Note("SCAN PLATE", f"That is the serial alone, as a label's bar code has it. {do}", do=do)
        else:
            do = "Set the unit that you scanned aside and find out where its label belongs."
            note = Note("WRONG CODE", f"This is not the rating plate of unit {pending.serial}, which passed. {do}",
                        "lead", do=do)
        if not pending.want:
            if pending.printed is not None and self._papers is not None:
                self._papers.read_back(pending.printed, by)
            self.pending = None
        return note

    def _label(self, pending: Pending, scan: Scan) -> Note | None:
        if pending.printed is None or not reads_as(scan.text, pending.printed) or not pending.sure:
            do = ("Take it off, look for the right one at the printer, and scan that. If there is none, type "
                  "=not-found.")
            return Note("WRONG LABEL", f"This is not the label of unit {pending.serial}. {do}", "lead", do=do)
        if scan.typed:
            return Note("SCAN IT", "A label is scanned on its unit, never typed.")
        pending.want.discard(LABEL)
        return Note("GOOD", f"The label of {pending.serial} is right.") if pending.want else None

    def _plates(self, pending: Pending) -> set[str]:
        return {self._rules.plate_of(pending.serial, model) for model in pending.sequence.unit.models}

    def _print(self, pending: Pending, papers: Papers, by: str = "", old: str = "") -> None:
        try:
            printed = papers.label(pending.sequence, pending.serial, by=by, old=old)
        except Refused as error:
            pending.sure = False
            pending.trouble, pending.todo = str(error), "To try again, type =found; else set the unit aside."
            return
        pending.printed, pending.sure, pending.trouble = printed.label, printed.sure, ""
        if not printed.sure:
            pending.trouble, pending.todo = printed.sentence, ANOTHER

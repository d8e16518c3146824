"""Printing a unit's label, in the one order that keeps it honest, and what follows a run: label, ticket, contact.

For whoever runs a line::

    paper = Paper.of(station)                          # None when the station prints no labels
    outcome = paper.label(log, sequence, serial)       # after a run that passed; Refused, RecordFault
    outcome.state                                      # "printed", or "unknown" when the printer failed
    reads_as(scanned, outcome.printed)                 # line/label.py; then: paper.read_back(log, outcome.printed, by)
    paper.ticket(sequence, result, station.name)       # after a run that failed or is undecided

Order: the run's ``end`` durable, checkpoint written, the label's entry durable, then the printer is told, then what
came of it is written. So there is no label without its entry; a crash in between leaves the entry, and the next label
is copy 2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import sha256
from typing import Any, NamedTuple

from eolseq.commands.printing import Printer, PrintFailed, printer_of
from eolseq.engine.run import RunResult
from eolseq.errors import RecordFault, Refused
from eolseq.line.label import (
    Label,
    LabelState,
    PrintedLabel,
    label_of,
    label_state,
    refuse_copy,
    refuse_label,
)
from eolseq.line.label_code import LabelCode
from eolseq.line.template import SHIPPED, Template, load_template
from eolseq.line.unit_state import Standing, state_of
from eolseq.records.checkpoint import Checkpoint
from eolseq.records.label_entries import CARTON, READ_BACK, UNIT, LabelFate, LabelOf, LabelPrint
from eolseq.records.log import Log
from eolseq.records.runs import Run
from eolseq.sequence.model import Sequence
from eolseq.shipped import find
from eolseq.station.file import Station
from eolseq.station.label_fields import LabelRules

_SAMPLE = Run(0, "", 1, "real", "no", "", "", bytes(32), outcome="pass", ended="2026-01-01", closed_by=10 ** 9)


@dataclass(frozen=True, slots=True)
class Why:
    """Why another copy is printed, who says so, and what became of the one before: one of ACCOUNTED, if it is said."""

    reason: str | None = None
    by: str | None = None
    old: str | None = None


@dataclass(frozen=True, slots=True)
class LabelOutcome:
    """What came of printing a label: ``printed`` or ``unknown``, a sentence with what to do, and the label itself.

    ``trouble``: of what is unknown, without what to type at a shell; within a shift it is another word that is typed.
    """

    state: str
    sentence: str
    printed: PrintedLabel
    trouble: str = ""

    @property
    def sure(self) -> bool:
        """Whether the printer took it."""
        return self.state == "printed"


class Paper:
    """A station's printer with its templates; made once, before the first unit."""

    def __init__(self, station: Station, rules: LabelRules, printer: Printer | None = None) -> None:
        shipped = bool(station.simulated)
        self.printer = printer or printer_of(rules)
        self.tickets = rules.tickets
        self._station = station.name
        self._templates = {of: load_template(find(own, shipped=shipped) if own else SHIPPED / f"{of}-label.yaml")
                           for of, own in ((UNIT, rules.template), (CARTON, rules.carton))}

    @classmethod
    def of(cls, station: Station, printer: Printer | None = None) -> Paper | None:
        """The paper of a station; None when its file asks for no labels; FileMistakes when a template is wrong."""
        return None if station.labels is None else cls(station, station.labels, printer)

    def refuse_unready(self, sequence: Sequence, origin: str, serial: str) -> None:
        """Refused when a unit that passes now could not be labelled: so it is found out before the test, not after."""
        why = self.printer.ready()
        if why:
            raise Refused(f"Labels cannot be printed: {why}.", "Put the printer right, then start again.")
        like = "".join("0" if sign.isdigit() else sign for sign in serial)  # as wide, letter by letter and bar by bar
        _refuse_misfit(self._templates[UNIT], label_of(replace(_SAMPLE, serial=like), sequence.unit, self._station, 1),
                       origin)

    def label(self, log: Log, sequence: Sequence, serial: str, of: LabelOf = "unit",
              why: Why | None = None) -> LabelOutcome:
        """Print the label of a unit whose last run passed. Refused when it may have none; RecordFault by the log."""
        why = why or Why()
        run = labelled_run(log, serial)
        state = label_state(log.labels(serial), of)
        if why.old is not None and state.out:
            state = account(log, serial, state, of, why)
        refuse_copy(serial, state, reason=why.reason, by=why.by)
        label = label_of(run, sequence.unit, self._station, state.copies + 1, of)
        code = signed_code(log, run, label)
        pdf = self._pdf(label, code)
        name = f"{of} {serial} entry {run.closed_by} copy {label.copy}"
        entry = log.append(LabelPrint(
            serial=serial, end=code.index, copy=code.copy, of=of, reason=why.reason, by=why.by,
            printer=self.printer.name, digest=sha256(pdf).hexdigest(), code=code.text(), said=label.words()))
        return self._print(log, name, pdf, PrintedLabel(label, code.text(), entry))

    def _print(self, log: Log, name: str, pdf: bytes, printed: PrintedLabel) -> LabelOutcome:
        try:
            said = self.printer.print(name, pdf)
        except PrintFailed as error:
            _fate(log, printed, "unknown", f"{self.printer.name}: {error}")
            trouble = f"The label may be missing: {error}. Look for it at the printer, and put that right."
            return LabelOutcome("unknown", f"{trouble} Then say what became of it and print copy "
                                f"{int(printed.label.copy) + 1}: eolseq label {printed.label.serial} --station S "
                                "--copy --reason TEXT --by ID --old destroyed (or found, or not-found).", printed,
                                trouble)
        _fate(log, printed, "printed", said or None)
        return LabelOutcome("printed", f"Label, copy {printed.label.copy}: {said}.", printed)

    def read_back(self, log: Log, printed: PrintedLabel, by: str | None) -> None:
        """Write that the label was scanned on its unit, and who did that."""
        _fate(log, printed, READ_BACK, None, by)

    def _pdf(self, label: Label, code: LabelCode) -> bytes:
        from eolseq.line.paper import label_pdf

        return label_pdf(self.template(label.of), label, code.text())

    def template(self, of: str) -> Template:
        """The template of a unit's or a carton's label."""
        return self._templates[of]

    def ticket(self, sequence: Sequence, result: RunResult, log: Log) -> str:
        """Print the ticket of a reject, if there is one to print; a sentence that says what came of it, or nothing."""
        from eolseq.line.ticket import ticket_of, ticket_text

        run = log.last_run(result.serial)
        found = ticket_of(sequence, result, self._station, run) if self.tickets and run is not None else None
        if found is None:
            return ""
        from eolseq.line.ticket_paper import ticket_pdf

        name = f"ticket {result.serial} entry {result.index} attempt {result.attempt}"
        try:
            return f"Ticket: {self.printer.print(name, ticket_pdf(found), ticket_text(found))}."
        except PrintFailed as error:
            return f"The ticket may be missing ({error}): mark the unit REJECT by hand and set it aside."


@lru_cache(maxsize=64)
def _refuse_misfit(template: Template, label: Label, origin: str) -> None:
    """Refused when a label does not fit its template; made once for all units whose serials are of one shape."""
    from eolseq.line.paper import label_pdf

    code = LabelCode(UNIT, True, 10 ** 9, Checkpoint(origin, 10 ** 9, bytes(32)), 1, label.serial, bytes(64))
    label_pdf(template, label, code.text())


def labelled_run(log: Log, serial: str) -> Run:
    """The passing run that a label of a unit stands on; Refused when anything speaks against it."""
    run = refuse_label(serial, log.last_run(serial), simulated=log.simulated)
    state = state_of(log, serial)
    if state.passed is None or state.passed.closed_by != run.closed_by:
        raise Refused(f"Unit {serial} gets no label. {state.sentence}", "It needs a full run that passes."
                      if state.standing is not Standing.LATE_FAIL else
                      "Set it aside. Have that check made again and entered: eolseq enter.")
    lock = log.locked()
    if lock is not None:
        raise Refused(f"This station is locked (entry {lock.index}): {lock.reason}", lock.do)
    return run


def account(log: Log, serial: str, state: LabelState, of: LabelOf, why: Why) -> LabelState:
    """Write what became of the last copy, by whom; the state after it."""
    if not why.by or why.old is None:
        raise Refused(f"Somebody must say what became of copy {state.copies}.", "Give your id: --by ID.")
    event: Any = why.old
    log.append(LabelFate(serial=serial, event=event, end=state.end, copy=state.copies, of=of, label=state.entry,
                         reason=why.reason, by=why.by))
    return replace(state, state=why.old)


def signed_code(log: Log, run: Run, label: Label) -> LabelCode:
    """The QR code of a label: a checkpoint of the log as it is now, written beside it first, signed with the rest."""
    code = LabelCode(label.of, label.simulated, run.closed_by or 0, log.checkpoint(), int(label.copy), run.serial)
    return replace(code, signature=log.vouch(code.signed_text()))


def _fate(log: Log, printed: PrintedLabel, event: Any, reason: str | None, by: str | None = None) -> None:
    label = printed.label
    of: Any = label.of
    index = int(printed.code.split(" ")[4])
    log.append(LabelFate(serial=label.serial, event=event, end=index, copy=int(label.copy), of=of, label=printed.entry,
                         reason=reason, by=by))


class AfterRun(NamedTuple):
    """What came of the paper of a run, in a sentence, and whether a unit that passed has its label for sure."""

    sentence: str
    labelled: bool = True


def after_run(station: Station, log: Log, sequence: Sequence, result: RunResult) -> AfterRun:
    """Print what belongs to a run that has ended: a label, a ticket, or nothing.

    The run is over and on record: nothing here changes its outcome.
    """
    paper = Paper.of(station)
    if paper is None or result.index is None:
        return AfterRun("")
    if not result.released:
        return AfterRun(paper.ticket(sequence, result, log))
    try:
        done = paper.label(log, sequence, result.serial)
        return AfterRun(done.sentence, done.sure)
    except (Refused, RecordFault) as error:
        return AfterRun(f"NO LABEL. {error}", False)


LabelGate = Callable[[str], None]


def label_gate(station: Station, sequence: Sequence, log: Log, *, trial: bool) -> list[LabelGate]:
    """The gate of a station that prints labels: a label for this unit could be made, and no old one is out there.

    A trial gets no label, but a unit with a label on it is not tried out either.
    """
    paper = Paper.of(station)
    if paper is None:
        return []

    def gate(serial: str) -> None:
        state = label_state(log.labels(serial))
        if state.out:
            raise Refused(f"Unit {serial} has a label out, copy {state.copies} (entry {state.entry}): a unit that is "
                          "tested again must not carry one.", f"Take it off and say what became of it: eolseq label "
                          f"{serial} --station S --by ID --old destroyed (or found, or not-found).")
        if not trial:
            paper.refuse_unready(sequence, log.origin, serial)
    return [gate]

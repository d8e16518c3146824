"""What a label says, and whether there may be one: pure text from the log's own words.

A label stands on a run that passed, was no trial, is the last one of its unit, and whose end is durable. Any doubt
about that is a refusal with a sentence, and no label.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from eolseq.errors import Refused
from eolseq.records.label_entries import ACCOUNTED, PRINT, PRINTED, READ_BACK, UNIT, UNKNOWN
from eolseq.records.runs import LabelSeen, Run
from eolseq.sequence.model import UnitData

_ORDER = ("voltage", "frequency", "power", "current", "motor")
_NO_LABEL = {
    "fail": "It FAILED: it is a reject. After rework it needs a full run that passes.",
    "undecided": "It is UNDECIDED: REJECT, TO QUALITY.",
    "stopped": "Its run was STOPPED. It needs a new run.",
    "fault": "The station had a FAULT while it was tested. It needs a new run.",
    "abandoned": "Its run was cut off. It needs a new run.",
    "open": "Its run has not ended.",
}


@dataclass(frozen=True, slots=True)
class LabelState:
    """How it stands with the labels of a unit for one purpose: how many copies, and what became of the last one.

    ``state``: ``none``, ``print`` (a crash came before the printer's answer), ``printed``, ``unknown``, ``read back``,
    or one of ACCOUNTED. ``entry`` is the index of the last print's entry, ``end`` of the run's end it stands on.
    """

    copies: int = 0
    state: str = "none"
    entry: int = -1
    end: int = -1

    @property
    def out(self) -> bool:
        """Whether a copy may be out there for which nobody has accounted."""
        return self.state not in ("none", *ACCOUNTED)


def label_state(seen: Iterable[LabelSeen], of: str = UNIT) -> LabelState:
    """The state that the entries about a unit's labels add up to, oldest entry first."""
    state = LabelState()
    for each in seen:
        if each.of != of:
            continue
        if each.event == PRINT:
            state = LabelState(each.copy, PRINT, each.index, each.end)
        elif each.copy == state.copies and each.event in (PRINTED, UNKNOWN, READ_BACK, *ACCOUNTED):
            state = LabelState(state.copies, each.event, state.entry, state.end)
    return state


def refuse_label(serial: str, run: Run | None, *, simulated: bool) -> Run:
    """The run that a label stands on, which is the last one of its unit; Refused unless it passed and was no trial."""
    if run is None:
        raise Refused(f"Unit {serial} was never tested on this station.", "Test it: eolseq run.")
    if run.outcome != "pass" or run.closed_by is None:
        raise Refused(f"Unit {serial} gets no label (entry {run.closed_by or run.index}).",
                      _NO_LABEL.get(run.outcome, "Its last run is no pass."))
    if run.trial == "yes":
        raise Refused(f"Unit {serial} gets no label: its last run was a TRIAL, which releases nothing.",
                      "Have the sequence approved, then test it again.")
    if (run.mode == "simulated") != simulated:
        raise Refused(f"Unit {serial} gets no label: its run was {run.mode}, and this station is not.",
                      "Show the record to quality.")
    return run


def refuse_copy(serial: str, state: LabelState, *, reason: str | None, by: str | None) -> None:
    """Refused when a further label would leave one out there unaccounted for, or has no reason or nobody's name."""
    if state.copies == 0:
        return
    if state.out:
        told = "is not known to be printed" if state.state in (PRINT, UNKNOWN) else f"was {state.state}"
        raise Refused(f"Copy {state.copies} of the label of unit {serial} (entry {state.entry}) {told}.",
                      "For another one, say what became of it, and why: eolseq label "
                      f"{serial} --station S --copy --reason TEXT --by ID --old "
                      f"{'|'.join(each.replace(' ', '-') for each in ACCOUNTED)}.")
    if not reason or not by:
        raise Refused(f"This would be copy {state.copies + 1} of the label of unit {serial}.",
                      f"Say why and who you are: eolseq label {serial} --station S --copy --reason TEXT --by ID.")


@dataclass(frozen=True, slots=True)
class Label:
    """Everything on a label but its QR code, as text; ``simulated`` puts SIMULATED across it."""

    of: str
    simulated: bool
    model: str
    serial: str
    ratings: str
    date: str
    station: str
    record: str
    copy: str

    def words(self) -> Mapping[str, str]:
        """What the words of a template stand for."""
        return {"model": self.model, "serial": self.serial, "ratings": self.ratings, "date": self.date,
                "station": self.station, "record": self.record, "copy": self.copy}


def label_of(run: Run, unit: UnitData, station: str, copy: int, of: str = UNIT) -> Label:
    """What the label of a passing run says; Refused when the sequence leaves open which model the unit is."""
    return Label(of, run.mode == "simulated", model_of(unit.models), run.serial, ratings(unit), (run.ended or "")[:10],
                 station, record_id(run), str(copy))


def model_of(models: Sequence[str]) -> str:
    """The one model of a sequence; Refused when there are several, since a label must not guess."""
    if len(models) != 1:
        raise Refused(f"The sequence is for several models ({', '.join(models)}), so a label cannot say which one this "
                      "unit is.", "Make a sequence for each model, with its own serials.")
    return models[0]


def ratings(unit: UnitData) -> str:
    """The rated values of a unit and its protection class, on one line."""
    order = [*_ORDER, *sorted(set(unit.rated) - set(_ORDER))]
    said = [f"motor {unit.rated[name]}" if name == "motor" else str(unit.rated[name])
            for name in order if name in unit.rated]
    return "  ".join([*said, f"class {unit.protection_class}"])


def record_id(run: Run) -> str:
    """The short record id: index of the run's last entry, and the first eight digits of its leaf hash."""
    return f"{run.closed_by}-{run.leaf.hex()[:8]}"


@dataclass(frozen=True, slots=True)
class PrintedLabel:
    """A label as it went to the printer: its texts, the text of its QR code, and the index of its entry in the log."""

    label: Label
    code: str
    entry: int


def reads_as(text: str, printed: PrintedLabel) -> bool:
    """Whether what was scanned from the unit's label is the code that this very copy was printed with."""
    return text.strip() == printed.code


def plate_reads_as(text: str, printed: PrintedLabel) -> bool:
    """Whether what was scanned from the rating plate is the serial number of the unit that the label is for."""
    return text.strip() == printed.label.serial

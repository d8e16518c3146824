"""What the ticket of a reject says: step, reading against its band, where to look. Pure text; it releases nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import Outcome
from eolseq.engine.entries import step_done
from eolseq.engine.run import RunResult
from eolseq.line.label import record_id
from eolseq.line.where_to_look import Way, where_to_look
from eolseq.records.entries import Measured, StepDone
from eolseq.records.figures import limits_text, multiple_for, shown
from eolseq.records.runs import Run
from eolseq.sequence.model import Sequence

HEADS: Mapping[Outcome, str] = {Outcome.FAIL: "REJECT", Outcome.UNDECIDED: "REJECT, TO QUALITY"}
MOST_STEPS = 3
MOST_READINGS = 4


@dataclass(frozen=True, slots=True)
class TicketReading:
    """One bad reading: its name, what was read, and the limits it was held against; none for a trip."""

    name: str
    value: str
    limits: str


@dataclass(frozen=True, slots=True)
class TicketStep:
    """One step that rejects the unit: its number, name and kind, its bad readings, and where to look."""

    number: int
    name: str
    kind: str
    sentence: str
    readings: tuple[TicketReading, ...]
    look: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ticket:
    """Everything on the ticket; ``marks`` are SIMULATED and TRIAL, where they are so."""

    head: str
    marks: tuple[str, ...]
    serial: str
    facts: tuple[str, ...]
    steps: tuple[TicketStep, ...]
    more: int


def ticket_of(sequence: Sequence, result: RunResult, station: str, run: Run) -> Ticket | None:
    """The ticket of a run that failed or is undecided and is on record; None of any other, which is no reject."""
    head = HEADS.get(result.outcome)
    if head is None or result.index is None:
        return None
    bad = [_step(sequence, number, step_done(step, verdict, {}))
           for number, (step, verdict) in enumerate(result.steps) if verdict.outcome is result.outcome]
    marks = tuple(word for word, so in (("SIMULATED", result.simulated), ("TRIAL", result.trial)) if so)
    facts = (f"{', '.join(sequence.unit.models)}   attempt {result.attempt}",
             f"{(run.ended or '')[:16].replace('T', ' ')} UTC   {station}, {run.bay}", f"Record {record_id(run)}")
    return Ticket(head, marks, result.serial, facts, tuple(bad[:MOST_STEPS]), max(0, len(bad) - MOST_STEPS))


def ticket_text(ticket: Ticket) -> str:
    """The ticket as plain text, for a screen or a printer of lines."""
    lines = [*(f"*** {mark} ***" for mark in ticket.marks), ticket.head, ticket.serial, *ticket.facts]
    for step in ticket.steps:
        lines += ["", f"Step {step.number}: {step.name} ({step.kind})", f"  {step.sentence}"]
        lines += [f"  {each.name}: {each.value}" + (f"   (band {each.limits})" if each.limits else "")
                  for each in step.readings]
        lines += [f"  LOOK: {each}" for each in step.look]
    if ticket.more:
        lines += ["", f"and {ticket.more} more steps; the record has them"]
    return "\n".join([*lines, "", FOOT]) + "\n"


FOOT = "Not released. Keep this ticket with the unit; after rework all steps are repeated."


def _step(sequence: Sequence, number: int, done: StepDone) -> TicketStep:
    bad = [each for each in done.readings if each.outcome == done.outcome][:MOST_READINGS]
    own = str(sequence.items[number].get("look_at") or "")
    hints = [own] if own else []
    hints += [where_to_look(done.kind, each.name, way_of(each)) for each in bad]
    return TicketStep(number + 1, done.name, done.kind.replace("_", " "), done.sentence, tuple(map(_reading, bad)),
                      tuple(dict.fromkeys(hints)))


def _reading(each: Measured) -> TicketReading:
    reference = next((text for text in (each.value, each.at_most, each.at_least) if text and Decimal(text)), None)
    multiple = multiple_for(each.unit, reference)
    return TicketReading(each.name, shown(each.value, each.unit, multiple) or "no number",
                         limits_text(each.at_least, each.at_most, each.unit, multiple) if _banded(each) else "")


def _banded(each: Any) -> bool:
    return each.at_least is not None or each.at_most is not None


def way_of(each: Any) -> Way:
    """How a reading lay in its band; one inside, too near to a limit, goes by that limit; a trip has no number."""
    if each.value is None or not _banded(each):
        return "none"
    value = Decimal(each.value)
    low, high = (None if text is None else Decimal(text) for text in (each.at_least, each.at_most))
    if low is None or high is None:
        return "below" if high is None else "above"
    return "above" if abs(value - high) <= abs(value - low) else "below"

"""From what a run found out to entries of the log: plain text, nothing computed, nothing left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.bands.band import Reading
from eolseq.bands.rules import Sureness
from eolseq.bands.uncertainty import Span
from eolseq.engine.events import JudgedReading
from eolseq.engine.judging import JudgedApplied, Verdict
from eolseq.instruments.spans import Measures
from eolseq.quantity import Quantity
from eolseq.records import entries
from eolseq.steps.base import Connections, Step

SpanOf = Callable[[Measures, str, str, Quantity | None], Span | None]
"""What a step measures, a reading's name and dimension, and its band's limit, to the range it is taken in."""


@dataclass(frozen=True)
class Used:
    """What is known of an instrument: its identity, and the measuring range that a reading of a step is taken in."""

    name: str
    role: str
    model: str
    serial: str
    identity: str
    calibrated_until: str
    span_of: SpanOf


def measured(judged: JudgedReading, used: Mapping[str, Used]) -> entries.Measured:
    """One judged reading as the log keeps it."""
    reading, band, sure = judged.reading, judged.band, judged.sure
    return entries.Measured(
        name=judged.name, raw=reading.raw or None, value=_number(reading), unit=reading.unit,
        at_least=_limit(band.at_least, reading.unit), at_most=_limit(band.at_most, reading.unit), basis=band.basis,
        outcome=str(judged.outcome), sentence=judged.sentence, uncertainty=sure.uncertainty if sure else None,
        rule=sure.guard.rule if sure else "no rule: judged as read", instrument=_instrument(reading, sure, used),
        conformance=sure.conformance if sure else None)


def applied(each: JudgedApplied) -> entries.Applied:
    """What was put on the unit, as the log keeps it."""
    a = each.applied
    return entries.Applied(a.name, _number(a.lowest), _number(a.highest), a.lowest.unit,
                           _limit(a.band.at_least, a.lowest.unit), _limit(a.band.at_most, a.lowest.unit), a.samples)


def step_done(step: Step, verdict: Verdict, used: Mapping[str, Used]) -> entries.StepDone:
    """A step with everything found, for the run's last entry."""
    return entries.StepDone(step.name, step.kind, str(verdict.outcome), verdict.sentence,
                            tuple(measured(each, used) for each in verdict.readings),
                            tuple(applied(each) for each in verdict.applied),
                            settings_text(getattr(step, "settings_for_log", dict)()),
                            connections_text(getattr(step, "connections", Connections())))


def settings_text(settings: Mapping[str, Any]) -> dict[str, str]:
    """Settings as text with units."""
    return {name: str(value) for name, value in settings.items()}


def connections_text(connections: Connections) -> dict[str, Any]:
    """What was connected to what, as the log keeps it."""
    return {"tied": list(connections.tied), "return": connections.returned,
            "closed": [{"part": c.part, "by": c.by, "delay": str(c.delay)} for c in connections.closed],
            "disconnected": list(connections.disconnected),
            **({"reconnected": list(connections.reconnected)} if connections.reconnected else {})}


def _number(reading: Reading) -> str | None:
    return None if reading.value is None else f"{reading.value:f}"


def _limit(limit: Quantity | None, unit: str) -> str | None:
    """A limit in the reading's unit, exact; with its own unit if the dimension is another."""
    if limit is None:
        return None
    if limit.unit == unit:
        return f"{limit.value:f}"
    try:
        return f"{limit.to(unit).value:f}"
    except ValueError:
        return str(limit)


def _instrument(reading: Reading, sure: Sureness | None, used: Mapping[str, Used]) -> entries.InstrumentUsed | None:
    found = used.get(reading.instrument)
    if found is None:
        return None
    span = sure.span if sure is not None else None
    return entries.InstrumentUsed(found.name, found.model, found.serial, str(span.to) if span else None,
                                  span.words if span else None)

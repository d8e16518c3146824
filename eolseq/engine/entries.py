"""From what a run found out to entries of the log: plain text, nothing computed, nothing left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.engine.events import JudgedReading
from eolseq.engine.judging import JudgedApplied, Verdict
from eolseq.quantity import Quantity
from eolseq.records import entries
from eolseq.steps.base import Connections, Step

RULE = "simple acceptance"


@dataclass(frozen=True)
class Used:
    """What is known of an instrument: identity and, by reading name and largest value, range and accuracy as text."""

    name: str
    role: str
    model: str
    serial: str
    identity: str
    calibrated_until: str
    range_of: Any  # callable (reading name, Quantity | None) -> tuple[str | None, str | None]


def measured(judged: JudgedReading, used: Mapping[str, Used]) -> entries.Measured:
    """One judged reading as the log keeps it."""
    reading, band = judged.reading, judged.band
    return entries.Measured(
        name=judged.name, raw=reading.raw or None, value=_number(reading), unit=reading.unit,
        at_least=_limit(band.at_least, reading.unit), at_most=_limit(band.at_most, reading.unit), basis=band.basis,
        outcome=str(judged.outcome), sentence=judged.sentence, uncertainty=None, rule=RULE,
        instrument=_instrument(reading, band, used))


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
            "disconnected": list(connections.disconnected)}


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


def _instrument(reading: Reading, band: AcceptanceBand, used: Mapping[str, Used]) -> entries.InstrumentUsed | None:
    found = used.get(reading.instrument)
    if found is None:
        return None
    name = reading.name
    span, accuracy = found.range_of(name, band.at_most or band.at_least)
    return entries.InstrumentUsed(found.name, found.model, found.serial, span, accuracy)

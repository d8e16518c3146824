"""From the run of a verification, and the looks at the guard, to one result for each instrument."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from eolseq.bands.band import Outcome, Reading, shown
from eolseq.engine.events import JudgedReading
from eolseq.engine.judging import Verdict
from eolseq.records.entries import InstrumentNamed, Verification
from eolseq.station.checks import KnownLoad
from eolseq.steps.base import Step

CHART_WIDTH = 41
"""Columns from a normalised error of -1 to 1; the middle one is 0."""


@dataclass(frozen=True)
class Result:
    """How one instrument held: outcome, a sentence, and every check as text for document and record."""

    instrument: str
    outcome: Outcome
    sentence: str
    checks: tuple[Mapping[str, Any], ...]

    @property
    def concluded(self) -> bool:
        """Whether it was found good or not good; a verification that was stopped says nothing."""
        return self.outcome not in (Outcome.STOPPED, Outcome.NOT_REACHED)


def results(steps: Iterable[tuple[Step, Verdict]], instruments: Sequence[str],
            simulated: Mapping[str, Decimal] | None = None) -> list[Result]:
    """One result for each instrument, in the order of its first step.

    ``simulated``: by known load, the ohms that a simulated bench really has there. What an instrument reads is then
    held against that prediction as well as against the certificate, by the same normalised error.
    """
    mine: dict[str, list[tuple[Step, Verdict]]] = {}
    for name, pair in zip(instruments, steps, strict=True):
        mine.setdefault(name, []).append(pair)
    return [_result(name, pairs, simulated or {}) for name, pairs in mine.items()]


UNREAD = "reference meter not read"
"""Stands in the text of a reading that could not be judged, since no reference meter gave a number beside it."""


def is_unread(reading: Reading) -> bool:
    """Whether an instrument's reading has no number because the reference meter beside it gave none."""
    return reading.value is None and reading.raw == UNREAD


def only_unread(verdict: Verdict) -> bool:
    """Whether nothing but a reference meter that gave no number kept a step from passing: it concludes nothing."""
    bad = [each for each in verdict.readings if each.outcome is not Outcome.PASS]
    return bool(bad) and all(is_unread(each.reading) for each in bad)


def _result(name: str, pairs: list[tuple[Step, Verdict]], simulated: Mapping[str, Decimal]) -> Result:
    """The worst of its steps; one that was not reached leaves it open unless another already failed."""
    pairs = [(step, replace(each, outcome=Outcome.NOT_REACHED) if only_unread(each) else each) for step, each in pairs]
    outcomes = [verdict.outcome for _, verdict in pairs]
    checks = tuple(_check(step, each, simulated) for step, verdict in pairs for each in verdict.readings)
    for outcome in (Outcome.FAIL, Outcome.FAULT, Outcome.UNDECIDED, Outcome.STOPPED, Outcome.NOT_REACHED):
        if outcome in outcomes:
            step, verdict = next(each for each in pairs if each[1].outcome is outcome)
            return Result(name, outcome, f"{step.name}: {verdict.sentence}", checks)
    off = [each for each in checks if each["prediction_error"] and abs(Decimal(each["prediction_error"])) > 1]
    if off:
        return Result(name, Outcome.FAIL, f"{off[0]['step']}: {off[0]['reading']} is not what the simulated bench "
                      f"should give (normalised error {off[0]['prediction_error']}). Look at the simulator's loads.",
                      checks)
    return Result(name, Outcome.PASS, held(len(checks)), checks)


def checks_of(name: str, readings: Iterable[JudgedReading]) -> tuple[Mapping[str, Any], ...]:
    """The checks of an instrument that was held outside a run, as text for document and record."""
    return tuple(_as_text(name, each, None) for each in readings)


def held(checks: int) -> str:
    """The sentence of an instrument that held in so many checks."""
    return "It held in its one check." if checks == 1 else f"It held in all {checks} checks."


def _check(step: Step, judged: JudgedReading, simulated: Mapping[str, Decimal]) -> dict[str, Any]:
    return _as_text(step.name, judged, prediction_error(step, judged, simulated))


def _as_text(step: str, judged: JudgedReading, predicted: Decimal | None) -> dict[str, Any]:
    error, reading, band = signed_error(judged), judged.reading, judged.band
    return {"step": step, "reading": judged.name, "raw": reading.raw or None,
            "value": None if reading.value is None else f"{reading.value:f}", "unit": reading.unit,
            "at_least": str(band.at_least) if band.at_least else None,
            "at_most": str(band.at_most) if band.at_most else None, "basis": band.basis,
            "normalised_error": None if error is None else f"{error:.3f}",
            "prediction_error": None if predicted is None else f"{predicted:.3f}", "outcome": str(judged.outcome),
            "sentence": judged.sentence, "shown": str(shown(reading, band))}


def signed_error(judged: JudgedReading) -> Decimal | None:
    """The normalised error with its sign: where the reading lies in a band of two limits, -1 to 1; else None."""
    low, high, value = judged.band.at_least, judged.band.at_most, judged.reading.base
    if low is None or high is None or value is None or high.base <= low.base:
        return None
    return (value - (low.base + high.base) / 2) / ((high.base - low.base) / 2)


def prediction_error(step: Step, judged: JudgedReading, simulated: Mapping[str, Decimal]) -> Decimal | None:
    """The normalised error against what a simulated load gives; None where nothing is predicted of this reading.

    A band's middle is what the load's certificate foresees: ohms of the load, amps or watts through it. The load that
    the bench really has moves it by the ratio of both resistances; volts do not depend on it.
    """
    load: KnownLoad | None = getattr(step, "load", None)
    low, high, value = judged.band.at_least, judged.band.at_most, judged.reading.base
    ohms = simulated.get(load.name) if load is not None else None
    if load is None or ohms is None or low is None or high is None or value is None or high.base <= low.base:
        return None
    ratio, middle = ohms / load.resistance.base, (low.base + high.base) / 2
    if judged.reading.unit not in ("ohm", "A", "W"):
        return None
    predicted = middle * ratio if judged.reading.unit == "ohm" else middle / ratio
    return (value - predicted) / ((high.base - low.base) / 2)


def entry_of(result: Result, named: InstrumentNamed, *, run: int | None, page: str, station: str,
             document: str | None) -> Verification:
    """The entry of the log that carries a result; with a document the checks stand in that."""
    return Verification(instrument=named, outcome=str(result.outcome), sentence=result.sentence, document=document,
                        run=run, page=page, station_digest=station, checks=() if document else result.checks)


def chart(errors: Sequence[float]) -> list[str]:
    """Normalised errors one under the other, oldest first, each as a mark between -1 and 1."""
    middle = CHART_WIDTH // 2
    rows = []
    for error in errors:
        at = max(0, min(CHART_WIDTH - 1, middle + round(error * middle)))
        row = ["."] * CHART_WIDTH
        row[middle] = "|"
        row[at] = "*"
        rows.append("".join(row) + f"  {error:+.2f}")
    return rows

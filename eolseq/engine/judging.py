"""From the evidence of a step to its outcome. Pure; the bands decide, this only puts them together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from eolseq.bands.band import ABOVE_RANGE, NO_ANSWER, AcceptanceBand, Outcome, Reading, judge, worst
from eolseq.bands.rules import Sureness
from eolseq.engine.events import JudgedReading
from eolseq.steps.base import Applied, Evidence, Taken, Trip


@dataclass(frozen=True)
class JudgedApplied:
    """What was put on the unit, with its outcome: ``pass`` or ``fault``."""

    applied: Applied
    outcome: Outcome
    sentence: str


@dataclass(frozen=True)
class Verdict:
    """The outcome of a step, a sentence for people, and everything it rests on."""

    outcome: Outcome
    sentence: str
    readings: tuple[JudgedReading, ...] = ()
    applied: tuple[JudgedApplied, ...] = ()


SureOf = Callable[[Taken], Sureness]
"""How sure a reading is, with the guard that it is judged by."""


def judge_evidence(evidence: Evidence, sure_of: SureOf | None = None) -> Verdict:
    """Judge a step: a reading outside its band or a trip fails, else a wrong stimulus is a fault, else the readings.

    A step without a reading is a fault: nothing was measured. Without ``sure_of`` readings are judged as they stand.
    """
    applied = tuple(_judge_applied(each) for each in evidence.applied)
    readings = tuple(_judge_taken(each, sure_of) for each in evidence.readings)
    if evidence.trip is not None:
        readings = (*readings, _judge_trip(evidence.trip))
    bad = [each for each in readings if each.outcome is not Outcome.PASS]
    wrong = [each for each in applied if each.outcome is not Outcome.PASS]
    if not readings:
        return Verdict(Outcome.FAULT, "Nothing was measured.", readings, applied)
    outcome = worst([*(each.outcome for each in readings), *(each.outcome for each in applied)])
    if outcome is Outcome.PASS:
        return Verdict(outcome, _all_inside(readings), readings, applied)
    told = [each.sentence for each in bad if each.outcome is outcome]
    told += [each.sentence for each in wrong if each.outcome is outcome]
    sentence = " ".join(_sentence(each) for each in told[:3])
    if outcome is Outcome.FAIL and wrong and evidence.trip is None:
        sentence += " What was applied was not right either: " + _sentence(wrong[0].sentence)
    return Verdict(outcome, sentence, readings, applied)


def _all_inside(readings: tuple[JudgedReading, ...]) -> str:
    return _sentence(readings[0].sentence) if len(readings) == 1 else f"All {len(readings)} readings are inside."


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else text + "."


def _judge_taken(taken: Taken, sure_of: SureOf | None) -> JudgedReading:
    sure = sure_of(taken) if sure_of is not None else None
    judgement = judge(taken.band, taken.reading, sure.guard if sure is not None else None)
    sentence = judgement.sentence
    if taken.if_open and taken.reading.special == ABOVE_RANGE:
        sentence = f"{taken.reading.name}: {taken.if_open}"
    if taken.if_bad and judgement.outcome is not Outcome.PASS:
        sentence = f"{taken.reading.name}: {taken.if_bad}"
    if taken.where:
        sentence = f"{taken.where}: {sentence}"
    name = f"{taken.reading.name} {taken.where}".strip()
    return JudgedReading(name, taken.reading, taken.band, judgement.outcome, sentence, sure)


def _judge_applied(applied: Applied) -> JudgedApplied:
    """Every sample lies between the lowest and the highest, so these two decide. Outside is a fault, never a pass."""
    for reading in (applied.lowest, applied.highest):
        judgement = judge(applied.band, reading)
        if judgement.outcome is not Outcome.PASS:
            return JudgedApplied(applied, Outcome.FAULT, f"applied {judgement.sentence}")
    if applied.samples < 1:
        return JudgedApplied(applied, Outcome.FAULT, f"applied {applied.name} was not sampled")
    return JudgedApplied(applied, Outcome.PASS, f"applied {applied.name} is inside {applied.band}")


def _judge_trip(trip: Trip) -> JudgedReading:
    """A trip is the unit's failure, with or without a current."""
    reading = trip.current or Reading("current at trip", None, "A", special=NO_ANSWER)
    seen = [f"{each}" for each in (trip.voltage, trip.current) if each is not None and each.value is not None]
    after = f" after {trip.elapsed} at full voltage" if trip.elapsed is not None and trip.elapsed.value else ""
    at = f" at {', '.join(seen)}" if seen else ""
    sentence = f"the insulation did not hold: the tester tripped while {trip.phase}{at}{after}"
    return JudgedReading("trip", reading, AcceptanceBand(None, None, "a trip is a failure"), Outcome.FAIL, sentence)


def run_outcome(verdicts: Sequence[Outcome]) -> Outcome:
    """The outcome of a run: fail > fault > stopped > undecided > pass, and pass only if every step passed."""
    return worst(verdicts)

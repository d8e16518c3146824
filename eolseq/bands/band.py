"""Acceptance bands, readings, and the only place that decides whether a reading is inside its band.

Everything here is pure. A bad product is an outcome, never an exception; a missing measurement is never a number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from eolseq.quantity import UNITS, Quantity

ABOVE_RANGE = "above range"
BELOW_RANGE = "below range"
NOT_A_NUMBER = "not a number"
NO_ANSWER = "no reading"


class Outcome(StrEnum):
    """How a step or a run ended."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    STOPPED = "stopped"
    FAULT = "fault"
    NOT_REACHED = "not reached"  # a step only
    REFUSED = "refused"          # a run only


class Reading(NamedTuple):  # not a dataclass: hundreds are made for each unit, and this takes a third of the time
    """One measured value: a decimal number in ``unit`` or None, the instrument's own text, and when (seconds).

    ``special`` says why there is no number: one of ABOVE_RANGE, BELOW_RANGE, NOT_A_NUMBER, NO_ANSWER.
    """

    name: str
    value: Decimal | None
    unit: str
    raw: str = ""
    special: str = ""
    time: float = 0.0
    instrument: str = ""

    def __str__(self) -> str:
        return self.special if self.value is None else f"{self.value:f} {self.unit}".strip()

    @property
    def base(self) -> Decimal | None:
        """The number in base units, exact, or None."""
        return None if self.value is None or not self.value.is_finite() else self.value * UNITS[self.unit][1]


@dataclass(frozen=True, slots=True)
class AcceptanceBand:
    """The limits, both inclusive, that a reading must lie within, and why they are what they are."""

    at_least: Quantity | None
    at_most: Quantity | None
    basis: str = ""

    def __str__(self) -> str:
        if self.at_least is None:
            return f"at most {self.at_most}"
        if self.at_most is None:
            return f"at least {self.at_least}"
        return f"{self.at_least} to {self.at_most}"


class Guard(NamedTuple):
    """How far inside each limit a reading must lie to pass, in base units, and the decision rule in words.

    Edges are inclusive here too. ``doubt`` says why nothing may pass, where that is so; then the widths mean nothing.
    """

    rule: str
    low: Decimal | None
    high: Decimal | None
    doubt: str = ""


class Judgement(NamedTuple):
    """A reading held against its band: the outcome and a sentence for people."""

    reading: Reading
    band: AcceptanceBand
    outcome: Outcome
    sentence: str


def judge(band: AcceptanceBand, reading: Reading, guard: Guard | None = None) -> Judgement:
    """Decide whether a reading is inside its band.

    A number inside (edges included) passes, outside fails. Inside, but nearer to a limit than the guard allows, it is
    undecided. "Above range" against an upper limit fails without a number; against a floor alone it is a fault, as is
    every other missing number: nothing was measured.
    """
    def verdict(outcome: Outcome, words: str) -> Judgement:
        return Judgement(reading, band, outcome, f"{reading.name} {words}")

    value = reading.base
    if value is None:
        if reading.value is None and reading.special == ABOVE_RANGE and band.at_most is not None:
            return verdict(Outcome.FAIL, f"is above range; it must be at most {band.at_most}")
        return verdict(Outcome.FAULT, f"was not measured: {reading.special or 'not a number'}")
    if band.at_least is None and band.at_most is None:
        return verdict(Outcome.FAULT, "has no band to be judged by")
    for limit in (band.at_least, band.at_most):
        if limit is not None and limit.dimension != UNITS[reading.unit][0]:
            return verdict(Outcome.FAULT, f"is in {reading.unit} and cannot be held against {limit}")
    told = shown(reading, band)
    if band.at_least is not None and value < band.at_least.base:
        return verdict(Outcome.FAIL, f"is {told}, below {band.at_least}")
    if band.at_most is not None and value > band.at_most.base:
        return verdict(Outcome.FAIL, f"is {told}, above {band.at_most}")
    doubt = _doubt(band, value, guard) if guard is not None else ""
    if doubt:
        return verdict(Outcome.UNDECIDED, f"is {told}, inside {band}, but {doubt}; quality decides")
    return verdict(Outcome.PASS, f"is {told}, inside {band}")


def _doubt(band: AcceptanceBand, value: Decimal, guard: Guard) -> str:
    """Why a value inside its band may not pass, or an empty text."""
    if guard.doubt:
        return guard.doubt
    for limit, width, inside in ((band.at_least, guard.low, 1), (band.at_most, guard.high, -1)):
        if limit is not None and (width is None or not (value - limit.base) * inside >= width):
            return f"too near to {limit} to be sure ({guard.rule})"
    return ""


def shown(reading: Reading, band: AcceptanceBand | None) -> Reading:
    """The reading as people read it: in a unit of its band, to five digits; the record keeps every digit.

    Digits are only dropped where that does not move the number across or onto a limit.
    """
    if reading.value is None or not reading.value.is_finite() or reading.unit not in UNITS:
        return reading
    dimension, factor = UNITS[reading.unit]
    limits = [] if band is None else [q for q in (band.at_least, band.at_most) if q and q.dimension == dimension]
    base = reading.value * factor
    unit = _unit_for(base, [limit.unit for limit in limits] or [reading.unit])
    exact = (base / UNITS[unit][1]) if unit != reading.unit else reading.value
    short = _five_digits(exact)
    if any(_side(short * UNITS[unit][1], limit) != _side(base, limit) for limit in limits):
        short = exact
    return Reading(reading.name, short, unit, reading.raw, reading.special, reading.time, reading.instrument)


def _unit_for(base: Decimal, units: list[str]) -> str:
    """The largest of the units in which the number is at least one, else the smallest."""
    rising = sorted(units, key=lambda unit: UNITS[unit][1])
    fitting = [unit for unit in rising if abs(base) >= UNITS[unit][1]]
    return fitting[-1] if fitting else rising[0]


def _five_digits(value: Decimal) -> Decimal:
    exponent = value.as_tuple().exponent
    places = 4 - value.adjusted() if value else 4
    if not isinstance(exponent, int) or -exponent <= places or value.adjusted() > 20:
        return value
    return value.quantize(Decimal(1).scaleb(-max(0, places)))


def _side(base: Decimal, limit: Quantity) -> int:
    return (base > limit.base) - (base < limit.base)


_WORST_FIRST = (Outcome.FAIL, Outcome.FAULT, Outcome.STOPPED, Outcome.UNDECIDED)


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """The outcome of the whole: fail > fault > stopped > undecided > pass.

    ``pass`` only if there is at least one outcome and every one is ``pass``; a step not reached, with nothing worse
    beside it, leaves the whole ``fault``.
    """
    found = list(outcomes)
    for outcome in _WORST_FIRST:
        if outcome in found:
            return outcome
    return Outcome.PASS if found and all(o is Outcome.PASS for o in found) else Outcome.FAULT

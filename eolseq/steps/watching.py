"""Looking at a source while it works: when a look counts, what was highest and lowest, and what survives a stop.

An instrument answers its readings first and its condition after, so a look belongs to the hold only if the look
before it already showed the hold: then all of its readings were taken at full voltage or current.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple

from eolseq.bands.band import ABOVE_RANGE, NO_ANSWER, AcceptanceBand, Reading
from eolseq.errors import EolseqError, StationFault
from eolseq.steps.base import SAMPLE_EVERY, Applied, Bench, Evidence, Powered, Residual, Taken, Trip

if TYPE_CHECKING:
    from eolseq.instruments.roles import Answer
    from eolseq.quantity import Quantity

LONGEST_GAP = 0.25   # seconds between two looks; a computer that stalls longer has not watched
_BY_NUMBER = itemgetter(0)
START_WITHIN = 0.5   # seconds from ON until the source must show that it has begun
END_WITHIN = 1.0     # seconds beyond its own times after which a source must have ended


@dataclass(eq=False, repr=False)
class Gathered:
    """What a step has found out so far."""

    readings: list[Taken] = field(default_factory=list)
    applied: list[Applied] = field(default_factory=list)
    trip: Trip | None = None
    so_far: Callable[[], Taken | None] = field(default=lambda: None)
    """What an unfinished reading already shows beyond doubt, should the step be stopped before it is taken."""

    def take(self, reading: Reading, band: AcceptanceBand, *, if_open: str = "", where: str = "",
             zero: Quantity | None = None) -> None:
        """Add a reading with the band it is judged by, and the zero that was taken off it."""
        self.readings.append(Taken(reading, band, if_open, where, zero))

    def take_residual(self, source: Powered, residual: Residual) -> None:
        """Add the unit's own volts after OFF. After a trip the door may have had none to ask for."""
        if self.trip is None or source.after_off is not None:
            self.take(named(source.after_off, "residual voltage", "V"), residual.band)

    def evidence(self) -> Evidence:
        """Everything, for the engine to judge."""
        return Evidence(tuple(self.readings), tuple(self.applied), self.trip)


@contextmanager
def gathering() -> Iterator[Gathered]:
    """Gather evidence; if the step is stopped, what was already taken travels with the error as ``evidence``.

    So a bad reading is not washed out by a stop that comes after it.
    """
    found = Gathered()
    try:
        yield found
    except EolseqError as error:
        unfinished = found.so_far()
        taken = (*found.readings, unfinished) if unfinished else tuple(found.readings)
        error.evidence = Evidence(taken, (), found.trip)
        raise


class Look(NamedTuple):
    """One look at a source: its answer, the phase it was in, whether it counts as hold, and the program's time."""

    answer: Answer
    phase: str
    counts: bool
    since_on: float


def looks(bench: Bench, source: Powered, seconds: float) -> Iterator[Look]:
    """Look at a source that times itself until it has ended or tripped.

    ``seconds`` is how long its own profile takes. StationFault when it goes on for much longer.
    """
    begun = bench.clock.monotonic()
    busy, before = False, ""
    while True:
        now = bench.clock.monotonic()
        answer = source.sample()
        phase = _phase(answer, busy or now - begun > START_WITHIN)
        busy = busy or phase in ("rising", "holding", "falling")
        yield Look(answer, phase, phase == before == "holding", now - begun)
        if phase in ("tripped", "ended"):
            return
        if now - begun > seconds + END_WITHIN:
            raise StationFault("The instrument did not end its test in its own time.",
                               "Have maintenance check the instrument; its timing cannot be trusted.")
        before = phase
        wait_for_next(bench, source, now)


def wait_for_next(bench: Bench, source: Powered, last: float) -> None:
    """Wait until the next look is due, counted from the time (monotonic seconds) of the last one."""
    if last + SAMPLE_EVERY > bench.clock.monotonic():
        source.pause(SAMPLE_EVERY, last)


def _phase(answer: Answer, begun: bool) -> str:
    for flag in ("tripped", "rising", "holding", "falling"):
        if flag in answer.flags:
            return flag
    return "ended" if begun else "starting"


class Hold:
    """The looks that lie within a hold, and what was highest and lowest in them."""

    def __init__(self) -> None:
        self.counted: list[Look] = []
        self.seen: list[Look] = []
        self._gap = 0.0
        self._missed = False

    @classmethod
    def over(cls, holds: list[Hold]) -> Hold:
        """Several holds as one, such as one for each bond point."""
        whole = cls()
        for hold in holds:
            whole.counted += hold.counted
            whole._gap = max(whole._gap, hold._gap)
            whole._missed = whole._missed or not hold.counted
        return whole

    def add(self, look: Look) -> None:
        """Add a look; looks in other phases only serve to see that nobody slept."""
        if self.seen and "holding" in (look.phase, self.seen[-1].phase):
            self._gap = max(self._gap, look.since_on - self.seen[-1].since_on)
        self.seen.append(look)
        if look.counts:
            self.counted.append(look)

    def highest(self, reading: str, unit: str) -> Reading:
        """The highest of the readings that have a number or are above range; one without a number if none has."""
        return highest(self._all(reading), unit)

    def lowest(self, reading: str, unit: str) -> Reading:
        """The lowest of the readings; one without a number if any was missed."""
        return lowest(self._all(reading), unit)

    def last(self, reading: str, unit: str) -> Reading:
        """The reading at the end of the hold."""
        return self._all(reading)[-1] if self.counted else Reading(reading, None, unit, special=NO_ANSWER)

    def applied(self, name: str, reading: str, band: AcceptanceBand, unit: str) -> Applied:
        """What was put on the unit; without a number if the program did not look often enough."""
        samples = self._all(reading)
        if self._missed or self._gap > LONGEST_GAP:
            samples = [*samples, Reading(name, None, unit, special=NO_ANSWER)]
        return applied(name, samples, band, unit)

    def _all(self, reading: str) -> list[Reading]:
        missed = Reading(reading, None, "", special=NO_ANSWER)
        return [look.answer.readings.get(reading, missed) for look in self.counted]


def applied(name: str, samples: list[Reading], band: AcceptanceBand, unit: str) -> Applied:
    """The lowest and the highest of what was put on the unit, under one name."""
    low, high = lowest(samples, unit), highest(samples, unit)
    return Applied(name, named(low, name, unit), named(high, name, unit), len(samples), band)


def highest(samples: list[Reading], unit: str) -> Reading:
    """The highest of the readings that have a number or are above range; one without a number if none has."""
    above = [each for each in samples if each.special == ABOVE_RANGE]
    numbers = _numbers(samples)
    if above or not numbers:
        return (above or samples or [Reading("", None, unit, special=NO_ANSWER)])[0]
    return max(numbers, key=_BY_NUMBER)[1]


def lowest(samples: list[Reading], unit: str) -> Reading:
    """The lowest of the readings; the first without a number if there is one, above range apart."""
    numbers = _numbers(samples)
    missing = [each for each in samples if each.base is None and each.special != ABOVE_RANGE] \
        if len(numbers) < len(samples) else []
    if missing or not numbers:
        return (missing or samples or [Reading("", None, unit, special=NO_ANSWER)])[0]
    return min(numbers, key=_BY_NUMBER)[1]


def _numbers(samples: list[Reading]) -> list[tuple[Decimal, Reading]]:
    """The readings that have a number, each with it in base units."""
    return [(base, each) for each in samples if (base := each.base) is not None]


def named(reading: Reading | None, name: str, unit: str) -> Reading:
    """The same reading under a name for people; one without a number if there is none."""
    if reading is None:
        return Reading(name, None, unit, special=NO_ANSWER)
    _, value, own_unit, raw, special, time, instrument = reading
    return Reading(name, value, own_unit or unit, raw, special, time, instrument)

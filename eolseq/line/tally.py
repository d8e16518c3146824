"""The count of a shift: passed, rejected by step, the others, and the pace against the line's takt. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from eolseq.bands.band import Outcome
from eolseq.clock import Clock
from eolseq.engine.run import RunResult
from eolseq.line.shift_events import Tally
from eolseq.station.plant_time import UTC_TIME, PlantTime, Rest

_REJECTS = (Outcome.FAIL, Outcome.UNDECIDED)
_AHEAD = timedelta(days=1)  # for which a screen is told of breaks to come


class Count:
    """Counts the units of one shift, and its seconds without the breaks in which nothing was tested."""

    def __init__(self, clock: Clock, takt: float | None, plant: PlantTime = UTC_TIME) -> None:
        self._clock, self._began = clock, clock.monotonic()
        self._takt, self._plant = takt, plant
        self._rest = Rest(plant)
        self._rest.until(clock.now(), testing=False)
        self._testing = False
        self.passed = self.others = 0
        self.rejects: Counter[str] = Counter()

    @property
    def rejected(self) -> int:
        """How many units failed or were undecided."""
        return self.rejects.total()

    @contextmanager
    def testing(self) -> Iterator[None]:
        """A unit is under test while the block runs; that time counts, whatever the hour."""
        self._rest.until(self._clock.now(), testing=False)
        self._testing = True
        try:
            yield
        finally:
            self._rest.until(self._clock.now(), testing=True)
            self._testing = False

    def take(self, result: RunResult) -> None:
        """One more unit's test is over; a unit that was refused was not tested."""
        if result.outcome is Outcome.REFUSED:
            return
        if result.outcome in _REJECTS:
            self.rejects[next(step.name for step, verdict in result.steps if verdict.outcome is result.outcome)] += 1
        elif result.released:
            self.passed += 1
        else:
            self.others += 1

    def now(self) -> Tally:
        """The count at this moment."""
        now = self._clock.now()
        self._rest.until(now, testing=self._testing)
        seconds = self._clock.monotonic() - self._began - self._rest.taken
        expected = None if self._takt is None else int(seconds // self._takt)
        ahead = () if self._testing else tuple(
            ((each.begins - now).total_seconds(), (each.ends - now).total_seconds())
            for each in self._plant.rests(now, now + _AHEAD))
        return Tally(seconds, self.passed, tuple(self.rejects.most_common()), self.others, expected, ahead)

"""Hour by hour of the plant's clocks: what was tested, what passed, and how much of the hour was there for it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from eolseq.station.plant_time import UTC_TIME, PlantTime

HOUR = timedelta(hours=1)


class Hour(NamedTuple):
    """An hour of a line: when it began (UTC) and what the plant's clocks showed; runs that ended in it, passes of them.

    ``available``: its seconds in which a shift was on, without breaks in which nothing was under test.
    """

    begins: datetime
    local: str
    tested: int
    passed: int
    available: float


@dataclass(slots=True)
class Hours:
    """Gathers runs and time by the hour."""

    plant: PlantTime = UTC_TIME
    _found: dict[datetime, tuple[int, int, float]] = field(default_factory=dict)

    def ended(self, at: datetime, *, passed: bool) -> None:
        """A run ended."""
        self._add(self.plant.hour(at), 1, int(passed), 0.0)

    def worked(self, first: datetime, then: datetime, *, testing: bool) -> None:
        """A shift was on between two moments; something was under test then or nothing was."""
        while first < then:
            hour = self.plant.hour(first)
            ends = min(then, hour + HOUR)
            rest = 0.0 if testing else self.plant.rest(first, ends)
            self._add(hour, 0, 0, (ends - first).total_seconds() - rest)
            first = ends

    def _add(self, hour: datetime, tested: int, passed: int, seconds: float) -> None:
        before = self._found.get(hour, (0, 0, 0.0))
        self._found[hour] = before[0] + tested, before[1] + passed, before[2] + seconds

    def result(self) -> list[Hour]:
        """Every hour in which there was something, in order."""
        return [Hour(hour, self.plant.clock(hour), *counts) for hour, counts in sorted(self._found.items())]

"""The time in which a line could test: while a shift is on, without breaks, but with what was tested in them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from eolseq.review.hours import Hours
from eolseq.review.window import Moment, seconds
from eolseq.station.plant_time import UTC_TIME, PlantTime, Rest


class Available(NamedTuple):
    """Seconds, up to a moment (UTC): that a shift was on, without breaks; breaks taken out; breaks that were worked in.

    ``testing``: at that moment something was under test.
    """

    seconds: float
    taken: float
    tested: float
    until: datetime | None
    testing: bool


@dataclass(slots=True)
class Worked:
    """Follows shifts and runs of a window; every method wants the moment of its entry, in the order of the log."""

    plant: PlantTime = UTC_TIME
    hours: Hours = field(init=False)
    _rest: Rest = field(init=False)
    _seconds: float = 0.0
    _last: Moment | None = None
    _bays: set[str] = field(default_factory=set)
    _testing: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._rest, self.hours = Rest(self.plant), Hours(self.plant)

    @property
    def taken(self) -> float:
        """Seconds of breaks so far in which nothing was under test."""
        return self._rest.taken

    def begins(self, run: int, at: Moment) -> None:
        """A run begins."""
        self._until(at)
        self._testing.add(run)

    def ended(self, run: int, at: Moment, *, passed: bool) -> None:
        """It ends."""
        self._until(at)
        self.hours.ended(at.time, passed=passed)
        self._testing.discard(run)

    def cut_off(self, at: Moment) -> None:
        """The program had gone some time before; nobody knows since when nothing was under test, or a shift on."""
        self._testing.clear()
        self._rest.until(at.time, testing=False)
        self._bays.clear()
        self._last = at

    def shift(self, event: str, bay: str, at: Moment) -> None:
        """A shift begins or ends at a bay; one that begins where one is on tells that the program had gone."""
        if event == "begin" and bay in self._bays:
            self.cut_off(at)
        self._until(at)
        if event == "begin":
            self._bays.add(bay)
        else:
            self._bays.discard(bay)

    def _until(self, at: Moment) -> None:
        before = self._rest.taken
        self._rest.until(at.time, testing=bool(self._testing))
        if self._last is not None and self._bays:
            self._seconds += max(0.0, seconds(self._last, at) - (self._rest.taken - before))
            self.hours.worked(self._last.time, at.time, testing=bool(self._testing))
        self._last = at

    def result(self) -> Available:
        """The times so far."""
        last = None if self._last is None else self._last.time
        return Available(self._seconds, self._rest.taken, self._rest.tested, last, bool(self._testing))

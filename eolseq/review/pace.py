"""How long a unit takes, and how far apart units begin, beside the line's takt. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from eolseq.review.window import LONGEST, Moment, seconds

RECENT = 10
"""So many of the last times say how the line goes now."""


class Times(NamedTuple):
    """Seconds: how many there are, the median, and the times that one in ten is below and above; None when none."""

    number: int
    middle: float | None
    short: float | None
    long: float | None


class Recent(NamedTuple):
    """How many times between begins there were lately, and their mean in seconds; None where there were none."""

    number: int
    mean: float | None


class Pace(NamedTuple):
    """Begin to end of judged runs (of all, by bay), begin to begin over the whole line, and how many of those in takt.

    ``takt`` is in seconds, None where the station file states none; ``in_takt`` counts the times not above it.
    Breaks in which nothing was tested are in none of these times but ``with_breaks``, which is begin to begin as well.
    ``recent``: begin to begin, of the last RECENT alone, as a mean: bays that are loaded one after the other begin in
    bursts, of which a median would say that the line is several times as fast as it is. ``whole``: the mean of all.
    """

    cycle: Times
    by_bay: dict[str, Times]
    between: Times
    takt: float | None
    in_takt: int
    recent: Recent
    whole: Recent
    with_breaks: Times = Times(0, None, None, None)


@dataclass(slots=True)
class Paces:
    """Gathers the times of a window. The end of a shift, or LONGEST, ends a time between begins without a figure."""

    takt: float | None
    _cycles: dict[str, list[float]] = field(default_factory=dict)
    _between: list[float] = field(default_factory=list)
    _whole: list[float] = field(default_factory=list)
    _last: tuple[Moment, float] | None = None

    def begins(self, at: Moment, rested: float = 0.0) -> None:
        """A unit begins, at any bay; until then so many seconds of breaks have gone by without a test."""
        if self._last is not None:
            before, then = self._last
            whole = seconds(before, at)
            gap = max(0.0, whole - (rested - then))
            if gap <= LONGEST:
                self._between.append(gap)
                self._whole.append(whole)
        self._last = at, rested

    def ended(self, bay: str, began: Moment, at: Moment) -> None:
        """A judged run ended at a bay."""
        self._cycles.setdefault(bay, []).append(seconds(began, at))

    def pause(self) -> None:
        """Work ended, or a run that is not counted lies between."""
        self._last = None

    def result(self) -> Pace:
        """The times."""
        every = [each for cycles in self._cycles.values() for each in cycles]
        return Pace(_times(every), {bay: _times(self._cycles[bay]) for bay in sorted(self._cycles)},
                    _times(self._between), self.takt,
                    0 if self.takt is None else sum(each <= self.takt for each in self._between),
                    _recent(self._between[-RECENT:]), _recent(self._between), _times(self._whole))


def _recent(values: list[float]) -> Recent:
    return Recent(len(values), sum(values) / len(values) if values else None)


def _times(values: list[float]) -> Times:
    if not values:
        return Times(0, None, None, None)
    ordered, tenth = sorted(values), len(values) // 10
    return Times(len(values), median(ordered), ordered[tenth], ordered[-1 - tenth])

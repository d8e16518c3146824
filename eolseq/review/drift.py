"""Whether the mean of a reading moves inside its band, before any unit fails of it. Pure.

The last N passing readings of a series are held against the N before them by Welch's t test (B. L. Welch, Biometrika
34 (1947) 28), and all series of one review together by Holm's rule: when nothing drifts, at most one review in a
hundred says that something does. A series is one reading of one step of one model at one bay with one band, from
first judged runs only, so that no unit counts twice.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from eolseq.review.chance import held_against, means_by_chance

SPAN = 50
"""N at most: as many readings before and after."""
SMALL = 0.02
"""Of the band's width: a mean that moves less is shown, but nobody is asked to look."""
LEAST = 15
"""N at least; with fewer nothing is said."""


class Series(NamedTuple):
    """What is read: model, step, reading, bay, unit of measure, and both limits as the record has them."""

    model: str
    step: str
    reading: str
    bay: str
    unit: str
    at_least: str | None
    at_most: str | None

    @property
    def width(self) -> float | None:
        """The width of the band in the unit of measure; of a band with one limit that limit; None without any."""
        low, high = (_number(each) for each in (self.at_least, self.at_most))
        if low is not None and high is not None:
            return high - low or None
        only = high if high is not None else low
        return abs(only) or None if only is not None else None


class Drift(NamedTuple):
    """A series, N, the means before and after, how far apart in shares of the band, by what chance; ``told``."""

    series: Series
    number: int
    before: float
    after: float
    share: float
    chance: float
    told: bool


@dataclass(slots=True)
class Drifts:
    """Keeps the latest readings of every series."""

    _kept: dict[Series, deque[float]] = field(default_factory=dict)

    def take(self, end: Mapping[str, Any], model: str) -> None:
        """The first judged run of a unit of a model."""
        bay = str(end["bay"])
        for step in end["steps"]:
            for each in step["readings"]:
                if each["outcome"] == "pass" and (value := _number(each["value"])) is not None:
                    series = Series(model, step["name"], each["name"], bay, each["unit"], each["at_least"],
                                    each["at_most"])
                    kept = self._kept.get(series)
                    if kept is None:
                        kept = self._kept[series] = deque(maxlen=2 * SPAN)
                    kept.append(value)

    def result(self) -> list[Drift]:
        """Every series that has readings enough, those that drift first, then by how far."""
        found = [_drift(series, list(kept), width) for series, kept in self._kept.items()
                 if len(kept) >= 2 * LEAST and (width := series.width) is not None]
        told = held_against(each.chance for each in found)
        marked = [each._replace(told=mark and abs(each.share) >= SMALL) for each, mark in zip(found, told, strict=True)]
        return sorted(marked, key=lambda each: (not each.told, -abs(each.share), each.series[:4]))


def _drift(series: Series, values: list[float], width: float) -> Drift:
    count = len(values) // 2
    before, after = values[-2 * count:-count], values[-count:]
    means = math.fsum(before) / count, math.fsum(after) / count
    return Drift(series, count, *means, (means[1] - means[0]) / width, means_by_chance(before, after), False)


def _number(text: str | None) -> float | None:
    """A number of the record, for statistics only; None where there is none, or it has a unit of its own."""
    try:
        number = float(text) if text is not None else math.nan
    except ValueError:
        return None
    return number if math.isfinite(number) else None

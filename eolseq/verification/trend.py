"""The readings of the good reference unit from challenge to challenge: lowest, highest, last, and how far they drifted.

The good unit stays the same, so that whatever drifts in its readings is the station, or a unit that needs a look. The
trend begins anew with a changed sequence, and after an unlock: whoever unlocked has found out why. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple

CHART_WIDTH = 41
"""Columns from one end of the band to the other."""

PASSES = "passes"
"""What a challenge expects of the good unit."""


class Shown(NamedTuple):
    """One good unit's run in a challenge: the last entry of the run, and the entry of the challenge, None before it."""

    run: int
    challenge: int | None


@dataclass(frozen=True)
class Trend:
    """One reading of the good unit over the challenges: its band's limits and its values, oldest first, in one unit."""

    step: str
    reading: str
    unit: str
    low: Decimal | None
    high: Decimal | None
    values: tuple[Decimal, ...]

    @property
    def width(self) -> Decimal | None:
        """The width of the band; with one limit alone that limit, and None where that is nothing."""
        if self.low is not None and self.high is not None:
            return self.high - self.low or None
        limit = self.high if self.high is not None else self.low
        return abs(limit) or None if limit is not None else None

    @property
    def drift(self) -> Decimal | None:
        """How far the last value lies from the first, as a part of the band's width; None where there is no width."""
        return None if self.width is None else (self.values[-1] - self.values[0]) / self.width


def shown_of(documents: Iterable[Any], name: str, digest: str) -> list[Shown]:
    """The good unit's runs that count: in challenges with this very sequence since the last unlock, oldest first."""
    found: list[Shown] = []
    for each in documents:
        if each.kind == "unlock":
            found = []
        elif each.kind == "challenge":
            used = each.payload["sequence"]
            found += [Shown(one["run"], each.index) for one in each.payload["shown"]
                      if (used["name"], used["digest"]) == (name, digest) and one["expected"] == PASSES
                      and one["run"] is not None]
    return found


def trends(ends: Sequence[Mapping[str, Any]]) -> list[Trend]:
    """The trend of every reading that all of these runs' last entries have, oldest first; in the newest one's order."""
    if not ends:
        return []
    seen = [_readings(each) for each in ends]
    found = []
    for key, newest in seen[-1].items():
        row = [each[key] for each in seen if key in each and each[key]["unit"] == newest["unit"]]
        if newest["value"] is None:
            continue
        found.append(Trend(*key, newest["unit"], _number(newest["at_least"]), _number(newest["at_most"]),
                           tuple(Decimal(each["value"]) for each in row if each["value"] is not None)))
    return found


def _readings(end: Mapping[str, Any]) -> dict[tuple[str, str], Mapping[str, Any]]:
    return {(step["name"], each["name"]): each for step in end["steps"] for each in step["readings"]}


def _number(text: str | None) -> Decimal | None:
    """A limit in the reading's unit; None where there is none, or it has another unit."""
    try:
        return None if text is None else Decimal(text)
    except ArithmeticError:
        return None


def drifted(found: Iterable[Trend], most: Decimal) -> Trend | None:
    """The reading that drifted most, if it did so by more than this part of its band."""
    over = [(abs(each.drift), each) for each in found if each.drift is not None and abs(each.drift) > most]
    return max(over, key=lambda each: each[0])[1] if over else None


def words(trend: Trend) -> str:
    """Lowest, highest and last value, and the drift, for people."""
    drift = "" if trend.drift is None else f", drift {trend.drift * 100:+.1f} % of the band"
    return f"{min(trend.values):f} to {max(trend.values):f}, last {trend.values[-1]:f} {trend.unit}{drift}"


def chart(trend: Trend) -> str:
    """Where the values lie in the band: ``-`` from lowest to highest, ``o`` the first one, ``*`` the last one."""
    low = trend.low if trend.low is not None else min(Decimal(0), *trend.values)
    high = trend.high if trend.high is not None else max(*trend.values, low + (trend.width or 1)) * 2
    row = ["."] * CHART_WIDTH
    for at in range(_column(min(trend.values), low, high), _column(max(trend.values), low, high) + 1):
        row[at] = "-"
    row[_column(trend.values[0], low, high)] = "o"
    row[_column(trend.values[-1], low, high)] = "*"
    return f"{'[' if trend.low is not None else ' '}{''.join(row)}{']' if trend.high is not None else ' '}"


def _column(value: Decimal, low: Decimal, high: Decimal) -> int:
    if high <= low:
        return CHART_WIDTH // 2
    return max(0, min(CHART_WIDTH - 1, int((value - low) / (high - low) * (CHART_WIDTH - 1) + Decimal("0.5"))))

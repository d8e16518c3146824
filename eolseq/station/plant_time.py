"""The plant's own time: its zone, and the breaks of a day. Entries of the log stay in UTC; people read them like this.

A break begins at its local time and lasts as long as it says, so that a clock that is set in it neither lengthens nor
shortens it. A local time that comes twice in a night is meant the first time; one that a night does not have is as long
after the change as it would have been without it (PEP 495, fold 0).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

DAY = timedelta(days=1)


class Break(NamedTuple):
    """A break of every day: from a local time on, for so long."""

    begins: time
    lasts: timedelta

    @property
    def words(self) -> str:
        """As it stands in a station file."""
        ends = (datetime.combine(date(2000, 1, 1), self.begins) + self.lasts).time()
        return f"{self.begins:%H:%M}-{ends:%H:%M}"


class Span(NamedTuple):
    """From one moment to a later one, both in UTC."""

    begins: datetime
    ends: datetime


@dataclass(frozen=True)
class PlantTime:
    """A zone by its IANA name, and the breaks of a day; UTC and no breaks where a station file states nothing."""

    zone: str = "UTC"
    breaks: tuple[Break, ...] = ()

    def local(self, moment: datetime) -> datetime:
        """A moment as the plant's clocks show it."""
        return moment.astimezone(zone_of(self.zone))

    def name(self, moment: datetime) -> str:
        """What the zone is called at a moment: BST, or UTC+05 where it has no name of its own."""
        name = self.local(moment).tzname() or "UTC"
        return name if name[0].isalpha() else f"UTC{name}"

    def clock(self, moment: datetime, *, seconds: bool = False) -> str:
        """The time of day with the zone's name."""
        return f"{self.local(moment):{'%H:%M:%S' if seconds else '%H:%M'}} {self.name(moment)}"

    def stamp(self, moment: datetime) -> str:
        """Date and time of day with the zone's name."""
        return f"{self.local(moment):%Y-%m-%d %H:%M} {self.name(moment)}"

    def hour(self, moment: datetime) -> datetime:
        """When the hour that a moment is in began on the plant's clocks, in UTC."""
        local = self.local(moment)
        return moment - timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)

    def day(self, moment: datetime) -> str:
        """The local date of a moment, as ISO 8601 writes it."""
        return f"{self.local(moment):%Y-%m-%d}"

    def begins(self, text: str) -> datetime:
        """When a day, month or year (2026-01-31, 2026-01 or 2026) begins here, in UTC."""
        return self._midnight(date.fromisoformat(f"{text}-01-01"[:10]))

    def ends(self, text: str) -> datetime:
        """When a day, month or year is over here, in UTC."""
        first = date.fromisoformat(f"{text}-01-01"[:10])
        longer = {4: 366, 7: 31}.get(len(text), 1)
        last = first + timedelta(days=longer)
        return self._midnight(last.replace(day=1) if longer > 1 else last)

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, time(), zone_of(self.zone)).astimezone(UTC)

    def rests(self, first: datetime, then: datetime) -> list[Span]:
        """The breaks, and parts of breaks, between two moments; no moment is in two of them."""
        if not self.breaks or then <= first:
            return []
        return [Span(max(begins, first), min(ends, then)) for begins, ends in self._merged(first, then)
                if ends > first and begins < then]

    def rest(self, first: datetime, then: datetime) -> float:
        """Seconds of breaks between two moments."""
        return sum((each.ends - each.begins).total_seconds() for each in self.rests(first, then))

    def _merged(self, first: datetime, then: datetime) -> Iterator[Span]:
        day, last = self.local(first).date() - DAY, self.local(then).date()
        spans: list[Span] = []
        while day <= last:
            spans += _spans(self.zone, self.breaks, day)
            day += DAY
        yield from joined(spans)


UTC_TIME = PlantTime()


def joined(spans: Iterable[Span]) -> Iterator[Span]:
    """The same moments in spans that do not touch, in order."""
    stands: Span | None = None
    for each in sorted(spans):
        if stands is not None and each.begins <= stands.ends:
            stands = Span(stands.begins, max(stands.ends, each.ends))
            continue
        if stands is not None:
            yield stands
        stands = each
    if stands is not None:
        yield stands


@lru_cache(maxsize=16)
def zone_of(name: str) -> tzinfo:
    """A zone by its IANA name; KeyError when this computer does not know it."""
    if name == "UTC":
        return UTC
    from zoneinfo import ZoneInfo  # not needed by most commands

    try:
        return ZoneInfo(name)
    except (ValueError, OSError) as error:  # a name such as ../x, or a folder of the tables such as Europe
        raise KeyError(name) from error


@lru_cache(maxsize=64)
def _spans(zone: str, breaks: tuple[Break, ...], day: date) -> tuple[Span, ...]:
    """The breaks that begin on a local day."""
    begins = [(datetime.combine(day, each.begins, zone_of(zone)).astimezone(UTC), each.lasts) for each in breaks]
    return tuple(Span(begin, begin + lasts) for begin, lasts in begins)


def overlapping(breaks: Iterable[Break]) -> bool:
    """Whether two of the breaks of a day have a moment in common."""
    middle = datetime(2000, 1, 1)
    spans = [Span(middle + back + timedelta(hours=each.begins.hour, minutes=each.begins.minute),
                  middle + back + timedelta(hours=each.begins.hour, minutes=each.begins.minute) + each.lasts)
             for each in breaks for back in (-DAY, timedelta(), DAY)]
    return any(then.begins < first.ends for first, then in pairwise(sorted(spans)))


@dataclass(slots=True)
class Rest:
    """Adds up the breaks in which nothing was tested, and those in which something was; in seconds.

    ``until`` is told each moment at which a test begins or ends, before it does.
    """

    plant: PlantTime
    taken: float = 0.0
    tested: float = 0.0
    _last: datetime | None = field(default=None)

    def until(self, moment: datetime, *, testing: bool) -> None:
        """Up to a moment, in UTC, since the last one something was under test or nothing was."""
        if self.plant.breaks and self._last is not None:
            rest = self.plant.rest(self._last, moment)
            self.taken += 0.0 if testing else rest
            self.tested += rest if testing else 0.0
        self._last = moment

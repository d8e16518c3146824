"""Which runs are looked at: those begun between two dates or two entries, and how they are told apart. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

from eolseq.serials import reserved
from eolseq.station.plant_time import UTC_TIME, PlantTime

LONGEST = 4 * 3600.0
"""Seconds. A longer time between two units is a pause or the end of work, and is in no figure of pace or lost time."""


SHIFT = "the last shift"
"""The words for a window that is one."""
AN_EARLIER = "the shift of entry"
"""The words, before the entry's number, for one that is not the last."""


@dataclass(frozen=True, slots=True)
class Window:
    """Dates (2026-01-31, 2026-01 or 2026; both count), or the entries from ``first`` up to and with ``last``.

    Dates are UTC, but where ``begins`` and ``ends`` have their moments in UTC (ISO 8601; the last one is no longer in
    it). ``latest``: no later shift is in the log.
    """

    since: str | None = None
    until: str | None = None
    first: int | None = None
    last: int | None = None
    latest: bool = True
    begins: str | None = None
    ends: str | None = None

    def has(self, index: int, time: str) -> bool:
        """Whether an entry of this index and time (ISO 8601, UTC) lies in it."""
        return self.before_end(index, time) and time >= (self.begins or self.since or "") and \
            (self.first is None or index >= self.first)

    def before_end(self, index: int, time: str) -> bool:
        """Whether an entry lies in it or before it: what came earlier tells what is usual."""
        ends = self.ends or (None if self.until is None else self.until + "~")
        return (ends is None or time < ends) and (self.last is None or index <= self.last)

    @property
    def words(self) -> str:
        """The window for people."""
        if self.first is not None:
            return SHIFT if self.latest else f"{AN_EARLIER} {self.first}"
        if self.since == self.until and self.since is not None:
            return self.since
        ends = [f"{word} {date}" for word, date in (("from", self.since), ("up to", self.until)) if date]
        return " ".join(["the time", *ends]) if ends else "the whole log"


def of_dates(since: str | None, until: str | None, plant: PlantTime) -> Window:
    """The window between two dates of a plant's own time; both count, and None is no limit."""
    if plant.zone == UTC_TIME.zone:
        return Window(since, until)
    return Window(since, until, begins=since and f"{plant.begins(since):{_SORTED}}",
                  ends=until and f"{plant.ends(until):{_SORTED}}")


_SORTED = "%Y-%m-%dT%H:%M:%S"  # sorts among the times of entries, which go on with a point


class Moment(NamedTuple):
    """When an entry was written: wall clock, and the monotonic time (seconds) of a boot of the computer."""

    time: datetime
    boot: str
    mono: float


def moment(payload: Mapping[str, Any]) -> Moment:
    """When an entry was written."""
    return Moment(datetime.fromisoformat(payload["time"]), payload["boot"], float(payload["mono"]))


def seconds(first: Moment, then: Moment) -> float:
    """From one moment to a later one: monotonic within a boot, since a wall clock may be set; never below nothing."""
    if first.boot == then.boot:
        return max(0.0, then.mono - first.mono)
    return max(0.0, (then.time - first.time).total_seconds())


def left_out(begin: Mapping[str, Any], *, simulated: bool) -> str:
    """Why a run is not counted; empty when it is. ``simulated``: the log is of a simulated station and says so."""
    if reserved(str(begin["serial"])):
        return "on reference units or known loads"
    if begin["mode"] != "real" and not simulated:
        return "simulated"
    return "in trial" if begin["trial"] != "no" else ""


def shifts(marks: Iterable[tuple[int, str, str]]) -> list[Window]:
    """The windows of all shifts, from marks (index, event, bay) in order; the last one is open while it is on.

    A shift at several bays is one: it begins with the first bay that began while no other was at work. One that was
    cut off reaches to the next.
    """
    working: set[str] = set()
    found: list[Window] = []
    for index, event, bay in marks:
        if event == "begin":
            if not working or bay in working:  # a mark of the same bay again: the one before was cut off
                if found and found[-1].last is None:
                    found[-1] = replace(found[-1], last=index - 1)
                working = set()
                found.append(Window(first=index))
            working.add(bay)
            found[-1] = replace(found[-1], last=None)
        elif found:
            working.discard(bay)
            found[-1] = replace(found[-1], last=None if working else index)
    return [*(replace(each, latest=False) for each in found[:-1]), *found[-1:]]


def last_shift(marks: Iterable[tuple[int, str, str]]) -> Window | None:
    """The window of the last shift; None when there was none."""
    return next(reversed(shifts(marks)), None)

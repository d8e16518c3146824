"""Stops of the line: why, how often, and the time from each to the next unit's begin. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from eolseq.review.window import LONGEST, Moment, seconds
from eolseq.station.plant_time import UTC_TIME, PlantTime

_NUMBER = re.compile(r"(?<![\w-])[0-9]+(\.[0-9]+)?")  # not the 6 of DH-6
_SENTENCE = re.compile(r"(.+?[.!])(\s|$)", re.S)


class Stop(NamedTuple):
    """A reason for stops at a bay: how often, seconds lost in all, and how many were followed by no unit in that work.

    ``bay`` is empty where it is the whole station's. ``breaks``: seconds of breaks beside what was lost.
    """

    reason: str
    number: int
    lost: float
    unfollowed: int
    bay: str = ""
    breaks: float = 0.0


class _Wait(NamedTuple):
    """Seconds from a stop to the next unit without breaks, and of breaks; None where nobody can tell."""

    lost: float | None
    breaks: float = 0.0


_UNKNOWN = _Wait(None)


@dataclass(slots=True)
class Stops:
    """Times every stop until its bay's next begin. A shift's end, or LONGEST, ends the wait without a figure."""

    plant: PlantTime = UTC_TIME
    _waiting: dict[str, tuple[str, Moment]] = field(default_factory=dict)
    _found: dict[tuple[str, str], list[_Wait]] = field(default_factory=dict)

    def stopped(self, bay: str, reason: str, at: Moment) -> None:
        """A run at a bay ended without a word on its unit, at a moment."""
        self.ended(bay)
        self._waiting[bay] = reason, at

    def out_of_use(self, bay: str, reason: str, at: Moment) -> None:
        """A bay is out of use from a moment on; where it stands still already, what stopped it is the reason."""
        self._waiting.setdefault(bay, (reason, at))

    def begins(self, bay: str, at: Moment) -> None:
        """The next run begins at a bay."""
        if bay in self._waiting:
            reason, since = self._waiting.pop(bay)
            whole = seconds(since, at)
            breaks = min(whole, self.plant.rest(since.time, at.time))
            lost = whole - breaks
            self._found.setdefault((bay, reason), []).append(_Wait(lost, breaks) if lost <= LONGEST else _UNKNOWN)

    def ended(self, bay: str) -> None:
        """Work at a bay ended; a stop before that has cost what nobody can tell."""
        if bay in self._waiting:
            self._found.setdefault((bay, self._waiting.pop(bay)[0]), []).append(_UNKNOWN)

    def result(self) -> list[Stop]:
        """Every bay's reasons, most time lost first; what is still waited for counts as not followed, for now."""
        found = {key: list(each) for key, each in self._found.items()}
        for bay, (reason, _) in self._waiting.items():
            found.setdefault((bay, reason), []).append(_UNKNOWN)
        stops = [Stop(reason, len(each), sum(wait.lost for wait in each if wait.lost is not None),
                      each.count(_UNKNOWN), bay, sum(wait.breaks for wait in each))
                 for (bay, reason), each in found.items()]
        return sorted(stops, key=lambda each: (-each.lost, -each.number, each.bay, each.reason))


def by_bay(stops: Iterable[Stop]) -> list[Stop]:
    """The same added up for each bay, without a reason; most time lost first."""
    found: dict[str, Stop] = {}
    for each in stops:
        before = found.get(each.bay, Stop("", 0, 0.0, 0, each.bay))
        found[each.bay] = Stop("", before.number + each.number, before.lost + each.lost,
                               before.unfollowed + each.unfollowed, each.bay, before.breaks + each.breaks)
    return sorted(found.values(), key=lambda each: (-each.lost, -each.number, each.bay))


def reason_of(sentence: str, serial: str = "") -> str:
    """The reason in a sentence of the record: its first sentence, with # for numbers and the unit's serial.

    So the same reasons count together.
    """
    text = sentence.strip().replace(serial, "#") if serial else sentence.strip()
    found = _SENTENCE.match(text + " ")
    return _NUMBER.sub("#", found[1] if found is not None else text)[:100] or "no reason recorded"

"""What the line does at this moment, as far as its log says: each bay's state and since when; what is down. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, NamedTuple

from eolseq.review.review import Review, why
from eolseq.review.stops import reason_of
from eolseq.station.plant_time import UTC_TIME, PlantTime

KINDS = frozenset({"begin", "end", "abandon", "shift", "lock", "unlock", "out_of_use"})
"""The kinds of entries that this is worked out from."""


class State(StrEnum):
    """What a bay does."""

    TESTING = "testing"
    WAITING = "waiting"
    DOWN = "down"
    OVER = "shift over"


class BayNow(NamedTuple):
    """A bay, what it does, since when (UTC), and the unit under test or the reason why it is down."""

    bay: str
    state: State
    since: datetime
    words: str = ""


class LockedNow(NamedTuple):
    """The station is locked: since when (UTC), why, and what to do."""

    since: datetime
    reason: str
    do: str


class Present(NamedTuple):
    """The line at a moment; ``began`` and ``ended`` (UTC) are those of the shift, None where there is no such mark."""

    bays: tuple[BayNow, ...]
    locked: LockedNow | None
    began: datetime | None
    ended: datetime | None


class Glance(NamedTuple):
    """All that a lead sees at once: the figures of the shift, the line now, and the time of the last entry (UTC)."""

    review: Review
    present: Present
    last: datetime | None
    plant: PlantTime = UTC_TIME

    def ahead(self, now: datetime) -> int | None:
        """How many units more than the takt asks for were tested since the shift began; None where that is not known.

        Counted as the technician's screen counts: every run that has ended. Breaks in which nothing was tested ask for
        nothing.
        """
        began, takt = self.present.began, self.review.pace.takt
        if began is None or takt is None:
            return None
        until = self.present.ended or now
        gone = (until - began).total_seconds() - self.rested(until)
        return sum(self.review.outcomes.values()) - int(max(0.0, gone) // takt)

    def rested(self, now: datetime) -> float:
        """Seconds of breaks since the shift began in which nothing was tested."""
        so_far = self.review.available
        more = 0.0 if so_far.until is None or so_far.testing else self.plant.rest(so_far.until, now)
        return so_far.taken + more

    def break_now(self, now: datetime) -> datetime | None:
        """When the break that is on ends, in UTC; None where none is."""
        spans = self.plant.rests(now, now + timedelta(days=1))
        return spans[0].ends if spans and spans[0].begins == now else None


@dataclass(slots=True)
class Presence:
    """Follows the line; ``take`` wants the entries of KINDS in the order of the log."""

    _bays: dict[str, BayNow] = field(default_factory=dict)
    _runs: dict[int, str] = field(default_factory=dict)
    _out: dict[str, BayNow] = field(default_factory=dict)
    _locked: LockedNow | None = None
    _working: set[str] = field(default_factory=set)
    _began: datetime | None = None
    _ended: datetime | None = None

    def take(self, index: int, payload: Mapping[str, Any]) -> None:
        """One entry."""
        at, kind = datetime.fromisoformat(payload["time"]), payload["kind"]
        if kind == "lock":
            self._locked = LockedNow(at, payload["reason"], payload["do"])
        elif kind == "unlock":
            self._locked = None
        elif kind == "shift":
            self._shift(payload["event"], str(payload["bay"]), at)
        elif kind == "out_of_use":  # it may come before the shift begins at its neighbours
            bay = str(payload["bay"])
            self._out[bay] = BayNow(bay, State.DOWN, at, f"out of use: {payload['reason']}")
        elif kind == "begin":
            self._runs[index] = bay = str(payload["bay"])
            self._out.pop(bay, None)
            self._bays[bay] = BayNow(bay, State.TESTING, at, str(payload["serial"]))
        else:
            self._over(payload, at)

    def _shift(self, event: str, bay: str, at: datetime) -> None:
        if event == "begin":
            if not self._working or bay in self._working:
                self._bays.clear()  # those of a shift before, which may have been cut off
                self._working, self._began = set(), at
            self._working.add(bay)
            self._out.pop(bay, None)
            self._ended = None
            self._bays[bay] = BayNow(bay, State.WAITING, at)
        else:
            self._working.discard(bay)
            self._ended = None if self._working else at
            self._bays[bay] = BayNow(bay, State.OVER, at)
            if not self._working:
                self._out.clear()

    def _over(self, payload: Mapping[str, Any], at: datetime) -> None:
        """A run has ended. One that says nothing of its unit leaves its bay down until the next begins there."""
        bay = self._runs.pop(payload["run"], None)
        if bay is None:
            return
        outcome = str(payload.get("outcome", "abandoned"))
        if outcome in ("stopped", "fault", "abandoned"):
            words = why(payload, outcome) if outcome != "abandoned" else f"abandoned: {reason_of(payload['reason'])}"
            since = self._bays[bay].since if outcome == "abandoned" and bay in self._bays else at
            self._bays[bay] = BayNow(bay, State.DOWN, since, words)
        else:
            self._bays[bay] = BayNow(bay, State.WAITING, at)

    def result(self) -> Present:
        """The line as it is after the entries so far."""
        bays = {**self._bays, **self._out}
        return Present(tuple(bays[bay] for bay in sorted(bays)), self._locked, self._began, self._ended)

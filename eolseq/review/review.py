"""A log looked through once for everything that a lead watches. Pure: entries come in, a ``Review`` goes out.

What is counted: runs of the log's own mode (real ones; simulated ones only in the log of a simulated station, which
every view of it says), no trials, no reference units. What was left out is counted too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from eolseq.review.chance import Share
from eolseq.review.counted import JUDGED, Again, Counts, Failure, Retested, Unlike, Yield
from eolseq.review.drift import Drift, Drifts
from eolseq.review.hours import Hour
from eolseq.review.pace import Pace, Paces
from eolseq.review.silence import Silence, Silences
from eolseq.review.stops import Stop, Stops, by_bay, reason_of
from eolseq.review.window import Moment, Window, left_out, moment
from eolseq.review.worked import Available, Worked
from eolseq.station.plant_time import UTC_TIME, PlantTime

KINDS = frozenset({"begin", "end", "abandon", "rework", "shift", "lock", "unlock", "remark", "challenge",
                   "void", "out_of_use"})
"""The kinds of entries that a review is worked out from."""


class LogFacts(NamedTuple):
    """The log that was reviewed: path, origin, entries, Merkle root over them (hex), and whether it is simulated."""

    path: str
    origin: str
    size: int
    root: str
    simulated: bool


class Begun(NamedTuple):
    """When the first and the last counted run of the window began (ISO 8601, UTC)."""

    first: str
    last: str


class Refusal(NamedTuple):
    """A reason for which so many runs were refused before they began."""

    reason: str
    number: int


class Challenged(NamedTuple):
    """The last challenge up to the end of the window: outcome, time (ISO 8601, UTC) and entry."""

    outcome: str
    time: str
    entry: int


class Local(NamedTuple):
    """The plant's zone and breaks, and the same times as elsewhere as its clocks showed them (ISO 8601 with offset)."""

    zone: str = UTC_TIME.zone
    breaks: tuple[str, ...] = ()
    began: Begun | None = None
    challenge: str | None = None


@dataclass(frozen=True)
class Review:
    """What the records say of the line in a window; shares are 0 to 1, times in seconds."""

    log: LogFacts
    window: str
    began: Begun | None
    outcomes: Mapping[str, int]
    left_out: Mapping[str, int]
    still_open: int
    refused: tuple[Refusal, ...]
    first_pass: Share
    by_model: tuple[Yield, ...]
    by_bay: tuple[Yield, ...]
    failures: tuple[Failure, ...]
    retests: tuple[Retested, ...]
    no_fault_found: tuple[Again, ...]
    stops: tuple[Stop, ...]
    locks: tuple[Stop, ...]
    unlike: tuple[Unlike, ...]
    drifts: tuple[Drift, ...]
    silences: tuple[Silence, ...]
    challenge: Challenged | None
    pace: Pace
    taken_back: int
    stops_by_bay: tuple[Stop, ...]
    local: Local
    available: Available
    hours: tuple[Hour, ...]

    @property
    def plant(self) -> PlantTime:
        """The zone in which its times are said."""
        return PlantTime(self.local.zone)

    @property
    def asked(self) -> int | None:
        """How many units the takt asks for in the time that was available; None where that is not known."""
        takt, available = self.pace.takt, self.available.seconds
        return None if takt is None or not available else int(available // takt)


@dataclass(slots=True)
class _Open:
    bay: str
    began: Moment
    inside: bool
    model: str


@dataclass
class Reviewer:
    """Takes the entries of KINDS in the order of the log, from its first one on."""

    log: LogFacts
    window: Window
    takt: float | None = None
    plant: PlantTime = UTC_TIME
    _open: dict[int, _Open] = field(default_factory=dict)
    _outcomes: Counter[str] = field(default_factory=Counter)
    _left_out: Counter[str] = field(default_factory=Counter)
    _refused: Counter[str] = field(default_factory=Counter)
    _begun: Begun | None = None
    _challenge: Challenged | None = None
    _taken_back: int = 0
    _counts: Counts = field(default_factory=Counts)
    _drifts: Drifts = field(default_factory=Drifts)
    _silences: Silences = field(default_factory=Silences)

    def __post_init__(self) -> None:
        self._paces, self._worked = Paces(self.takt), Worked(self.plant)
        self._stops, self._locks = Stops(self.plant), Stops(self.plant)
        self._takes: dict[str, Callable[[int, Mapping[str, Any]], None]] = {
            "begin": self._begin, "end": self._end, "abandon": self._abandon, "shift": self._shift,
            "lock": self._lock, "unlock": self._unlock, "rework": self._counts.rework, "remark": self._remark,
            "challenge": self._challenged, "void": self._void, "out_of_use": self._out_of_use}

    def take(self, index: int, payload: Mapping[str, Any]) -> None:
        """One entry; those after the window change nothing but the ends of what began in it."""
        kind, time = payload["kind"], payload["time"]
        if self.window.before_end(index, time) or kind not in ("challenge", "rework", "remark", "lock", "void",
                                                                     "out_of_use"):
            self._takes[kind](index, payload)

    def _begin(self, index: int, payload: Mapping[str, Any]) -> None:
        inside = self.window.has(index, payload["time"])
        why = left_out(payload, simulated=self.log.simulated)
        if why:
            self._left_out[why] += inside
            return
        if not self.window.before_end(index, payload["time"]):
            self._stops.begins(str(payload["bay"]), moment(payload))
            return
        self._open[index] = opened = _Open(str(payload["bay"]), moment(payload), inside, _model(payload))
        if inside:
            self._begun = Begun(self._begun.first if self._begun else payload["time"], payload["time"])
            self._stops.begins(opened.bay, opened.began)
            self._worked.begins(index, opened.began)
            self._paces.begins(opened.began, self._worked.taken)

    def _end(self, index: int, payload: Mapping[str, Any]) -> None:
        run = self._open.pop(payload["run"], None)
        if run is None:
            return
        first, outcome = self._counts.take(index, payload, run.model, inside=run.inside), payload["outcome"]
        self._outcomes[outcome] += run.inside
        if outcome in JUDGED:
            self._silences.take(payload, first=first)
        if first:
            self._drifts.take(payload, run.model)
        if run.inside:
            at = moment(payload)
            if self.window.before_end(index, payload["time"]):
                self._worked.ended(payload["run"], at, passed=outcome == "pass")
            if outcome in JUDGED:
                self._paces.ended(run.bay, run.began, at)
            else:
                self._stops.stopped(run.bay, why(payload, outcome), at)

    def _abandon(self, index: int, payload: Mapping[str, Any]) -> None:
        """The program or the power went; nobody knows when, so the time is counted from the run's begin."""
        run = self._open.pop(payload["run"], None)
        if run is not None and run.inside:
            self._outcomes["abandoned"] += 1
            if self.window.before_end(index, payload["time"]):
                self._worked.cut_off(moment(payload))
            self._stops.stopped(run.bay, "abandoned: the program or the power went.", run.began)

    def _shift(self, index: int, payload: Mapping[str, Any]) -> None:
        if self.window.has(index, payload["time"]):
            self._worked.shift(payload["event"], str(payload["bay"]), moment(payload))
        if payload["event"] == "end":
            self._stops.ended(str(payload["bay"]))
        elif self.window.has(index, payload["time"]):
            self._paces.pause()

    def _lock(self, index: int, payload: Mapping[str, Any]) -> None:
        if self.window.has(index, payload["time"]):
            self._locks.stopped("", reason_of(payload["reason"]), moment(payload))

    def _unlock(self, _: int, payload: Mapping[str, Any]) -> None:
        self._locks.begins("", moment(payload))

    def _out_of_use(self, index: int, payload: Mapping[str, Any]) -> None:
        if self.window.has(index, payload["time"]):
            self._stops.out_of_use(str(payload["bay"]), f"out of use: {reason_of(payload['reason'])}", moment(payload))

    def _remark(self, index: int, payload: Mapping[str, Any]) -> None:
        if payload["serial"] is not None and self.window.has(index, payload["time"]):
            self._refused[reason_of(payload["reason"], str(payload["serial"]))] += 1

    def _void(self, index: int, payload: Mapping[str, Any]) -> None:
        """A pass was taken back for what was done later; its verdict was true when given, and stays in the yield."""
        self._taken_back += self.window.has(index, payload["time"])

    def _challenged(self, index: int, payload: Mapping[str, Any]) -> None:
        self._challenge = Challenged(payload["outcome"], payload["time"], index)

    def result(self) -> Review:
        """Everything, worked out."""
        counts, stops = self._counts, self._stops.result()
        return Review(
            log=self.log, window=self.window.words, began=self._begun, outcomes=dict((+self._outcomes).most_common()),
            left_out=dict(+self._left_out),
            still_open=sum(each.inside for each in self._open.values()),
            refused=tuple(Refusal(*each) for each in self._refused.most_common()), first_pass=counts.first_pass(),
            by_model=tuple(counts.by_model()), by_bay=tuple(counts.by_bay()), failures=tuple(counts.failures()),
            retests=tuple(counts.retests()), no_fault_found=tuple(counts.no_fault_found()),
            stops=tuple(stops), locks=tuple(self._locks.result()), unlike=tuple(counts.unlike()),
            drifts=tuple(self._drifts.result()), silences=tuple(self._silences.result()), challenge=self._challenge,
            pace=self._paces.result(), taken_back=self._taken_back, stops_by_bay=tuple(by_bay(stops)),
            local=self._local(), available=self._worked.result(), hours=tuple(self._worked.hours.result()))

    def _local(self) -> Local:
        def here(time: str) -> str:
            return self.plant.local(datetime.fromisoformat(time)).isoformat(timespec="seconds")
        began, last = self._begun, self._challenge
        return Local(self.plant.zone, tuple(each.words for each in self.plant.breaks),
                     None if began is None else Begun(here(began.first), here(began.last)),
                     None if last is None else here(last.time))


def review(entries: Iterable[tuple[int, Mapping[str, Any]]], log: LogFacts, window: Window,
           takt: float | None = None, plant: PlantTime = UTC_TIME) -> Review:
    """Look through the entries of KINDS; ``takt`` in seconds, None where the station states none."""
    reviewer = Reviewer(log, window, takt, plant)
    for index, payload in entries:
        reviewer.take(index, payload)
    return reviewer.result()


def _model(begin: Mapping[str, Any]) -> str:
    """The models of a run's sequence; of an entry from before these were written, the sequence's name."""
    return ", ".join(begin.get("models") or ()) or str(begin["sequence"]["name"])


def why(end: Mapping[str, Any], outcome: str) -> str:
    """Why a run was stopped or a fault: its step's own sentence, which has the step's name not before it."""
    said = next((step["sentence"] for step in end["steps"] if step["outcome"] == outcome), end["sentence"])
    return f"{outcome}: {reason_of(said, str(end['serial']))}"

"""What a run writes to the log, and when: every entry durable before what follows it.

An error of the log never changes what happened to the unit; it is kept, told, and lets nothing more be energised.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Protocol

from eolseq import __version__
from eolseq.bands.band import Outcome
from eolseq.bands.decision import Rule
from eolseq.bands.zero import FixtureZero
from eolseq.engine.cautions import STANDARD
from eolseq.engine.entries import Used, applied, measured, settings_text, step_done
from eolseq.engine.judging import Verdict
from eolseq.errors import EolseqError, RecordFault, StationFault
from eolseq.guard.power import Door, LockedRed
from eolseq.guard.watcher import Watcher
from eolseq.instruments.roles import Instrument
from eolseq.records import entries
from eolseq.sequence.model import Sequence
from eolseq.station.bays import Lease, free_for_all
from eolseq.steps.base import Step


class RunLog(Protocol):
    """What a run needs of the log."""

    @property
    def size(self) -> int:
        """How many entries there are."""

    def append(self, entry: Any, durable: bool = True) -> int:
        """Write an entry and give its index, durable."""

    def checkpoint(self) -> object:
        """Sign the present state beside the log."""

    def attempts(self, serial: str) -> list[entries.EarlierAttempt]:
        """The earlier attempts on a unit."""

    def withstand_applications(self, serial: str) -> int:
        """How often withstand voltage was put on a unit, in all its attempts."""


@dataclass(frozen=True)
class Bay:
    """Everything of the station that a run works with, opened and proved off."""

    name: str
    station: str
    station_digest: str
    simulated: bool
    pages: Mapping[str, str]
    instruments: Mapping[str, Instrument]
    used: Mapping[str, Used]
    channels: Mapping[str, int]
    watcher: Watcher
    door: Door
    decision: Rule | None = None
    zeros: Mapping[str, FixtureZero] = field(default_factory=dict)
    lease: Lease = free_for_all
    counters: Callable[[], Mapping[str, int]] = dict
    """How many tests each instrument that keeps a count says it has made; StationFault when one does not say."""


class RunRecord:
    """The entries of one run. ``fault`` is the first error of the log after voltage may have been on, or None."""

    def __init__(self, log: RunLog, bay: Bay, sequence: Sequence, approval: int | None, trial: bool) -> None:
        self.log = log
        self.fault: RecordFault | None = None
        self.earlier: list[entries.EarlierAttempt] = []
        self.rests_on: tuple[int, ...] = ()  # entries of earlier checks
        self._bay = bay
        self._sequence = sequence
        self._approval = approval
        self._trial = trial
        self._operator = ""
        self._begin = 0

    def identify(self, serial: str) -> int:
        """Look up the earlier attempts on a unit; gives the number of this one."""
        self.earlier = self.log.attempts(serial)
        return len(self.earlier) + 1

    def begin(self, serial: str, operator: str) -> None:
        """The attempt begins; RecordFault if that cannot be made durable, StationFault if a count cannot be read."""
        self._operator = operator
        used, counts = self._bay.used.values(), self._bay.counters()
        self._begin = self.log.append(entries.Begin(
            instruments=tuple(entries.InstrumentNamed(u.name, u.model, u.serial, counts.get(u.name)) for u in used),
            station=self._bay.station, station_digest=self._bay.station_digest, pages=self._bay.pages,
            earlier_checks=self.rests_on, models=self._sequence.unit.models, **self._common(serial)))

    def energise(self, step: Step, source: str, settings: Mapping[str, Any]) -> None:
        """Voltage is about to be put on; RecordFault if that cannot be made durable."""
        self.log.append(entries.Energise(run=self._begin, step=step.name, kind_of_step=step.kind, source=source,
                                         settings=settings_text(settings)))

    def readings(self, step: Step, verdict: Verdict) -> None:
        """Voltage is off; every reading becomes durable before the next step, all together by the last one's write."""
        last = len(verdict.readings) - 1
        try:
            for number, judged in enumerate(verdict.readings):
                ranges = tuple(applied(each) for each in verdict.applied) if number == 0 else ()
                self.log.append(entries.reading(self._begin, step.name, step.kind, measured(judged, self._bay.used),
                                                ranges), durable=number == last)
        except RecordFault as error:
            self.fault = error

    def lock(self, error: LockedRed) -> None:
        """The station takes itself out of use; where there are several bays, the reason says at which one."""
        where = "" if self._bay.lease is free_for_all else f"At {self._bay.name}: "
        try:
            self.log.append(entries.Lock(reason=f"{where}{error.what}", do=error.do))
        except RecordFault as fault:
            self.fault = fault

    def remark(self, serial: str, error: EolseqError) -> None:
        """Why a run was refused. If the log is the reason, what is shown and the exit code say so."""
        with suppress(RecordFault):
            self.log.append(entries.Remark(serial=serial, reason=str(error), bay=self._bay.name))

    def end(self, serial: str, outcome: Outcome, sentence: str, steps: tuple[tuple[Step, Verdict], ...]) -> int | None:
        """The run has ended; the index of its last entry, or None if that could not be made durable."""
        used, counts = self._bay.used, dict[str, int]()
        with suppress(StationFault):  # what happened to the unit stands; the next run's gate misses the count
            counts = dict(self._bay.counters())
        end = entries.End(
            run=self._begin, outcome=str(outcome), sentence=sentence,
            steps=tuple(step_done(step, verdict, used) for step, verdict in steps),
            instruments=tuple(entries.InstrumentStanding(u.name, u.role, u.identity, u.model, u.serial,
                                                         u.calibrated_until, counter=counts.get(u.name))
                              for u in used.values()),
            **self._common(serial))
        try:
            index = self.log.append(end)
            self.log.checkpoint()
        except RecordFault as error:
            self.fault = self.fault or error
            return None
        return index

    def _common(self, serial: str) -> dict[str, Any]:
        """What both the first and the last entry of a run say."""
        sequence = self._sequence
        return {
            "serial": serial, "attempt": len(self.earlier) + 1, "mode": "simulated" if self._bay.simulated else "real",
            "trial": "yes" if self._trial else "no", "bay": self._bay.name, "earlier_count": len(self.earlier),
            "earlier": tuple(self.earlier[-entries.EARLIER_KEPT:]),
            "withstand_applications": self.log.withstand_applications(serial), "operator": self._operator,
            "cautions": (*STANDARD, *sequence.cautions), "approval": self._approval, "software": __version__,
            "sequence": entries.SequenceUsed(sequence.name, str(sequence.path), sequence.digest)}

"""Logs of an invented line at work, made run by run in virtual time; demo data of Aldervale Thermal, nothing measured."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from eolseq.clock import VirtualClock
from eolseq.records import entries, shift_entries
from eolseq.records.bay_entries import BayOutOfUse
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.review.review import KINDS, LogFacts, Review, review
from eolseq.review.window import Window
from eolseq.station.plant_time import UTC_TIME, PlantTime
from tests.records.samples import SEQUENCE, begin, end, measured, open_log

MORNING = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
CYCLE, BETWEEN = 20.0, 10.0  # s


class Did(NamedTuple):
    """One run: how it ended, on which unit, where; at which step, with what sentence, reading what."""

    outcome: str
    serial: str = ""
    bay: str = "bay-1"
    model: str = "duct heater 6 kW"
    step: str = "withstand"
    kind: str = "dielectric_withstand"
    sentence: str = "As wanted."
    value: str = "0.000420"
    operator: str = "op-1"
    mode: str = "real"
    trial: str = "no"
    cycle: float = CYCLE
    after: float = BETWEEN


class Line:
    """A log with its clock; ``did`` writes a run from begin to end and lets time pass."""

    def __init__(self, base: Path, role: str = "station", start: datetime = MORNING) -> None:
        self.clock = VirtualClock(start)
        self.base = base
        self.log: Log = open_log(base, clock=self.clock, role=role)
        self._units = 0

    def did(self, run: Did) -> int:
        """A run; the index of what ended it, or of its begin when it is left open."""
        self._units += not run.serial
        serial = run.serial or f"DH6-{self._units:08}"
        sequence = replace(SEQUENCE, name=run.model)
        mark = {"mode": run.mode, "trial": run.trial, "bay": run.bay, "operator": run.operator, "sequence": sequence}
        index = self.log.append(replace(begin(self.log, serial), **mark))
        if run.outcome == "open":
            return index
        self.clock.sleep(run.cycle)
        if run.outcome == "abandoned":
            last = self.log.append(entries.Abandon(run=index, serial=serial, reason="power cut", energised="no"))
        else:
            last = self.log.append(replace(end(self.log, index, serial, run.outcome), steps=(self._step(run),), **mark))
        self.clock.sleep(run.after)
        return last

    def _step(self, run: Did) -> entries.StepDone:
        readings = () if run.outcome in ("stopped", "fault") else (measured(run.value, run.outcome),)
        return entries.StepDone(run.step, run.kind, run.outcome, run.sentence, readings)

    def all(self, runs: Iterable[Did]) -> Line:
        """Run after run."""
        for each in runs:
            self.did(each)
        return self

    def shift(self, event: str, bay: str = "bay-1") -> int:
        """A shift begins or ends at a bay."""
        return self.log.append(shift_entries.ShiftMark(event=event, bay=bay, station_digest="cd" * 32, software="test"))  # type: ignore[arg-type]

    def out_of_use(self, bay: str, reason: str) -> int:
        """A bay is left out of use."""
        return self.log.append(BayOutOfUse(bay=bay, reason=reason, do="Call maintenance.", station_digest="cd" * 32))

    def review(self, window: Window | None = None, takt: float | None = None, plant: PlantTime = UTC_TIME) -> Review:
        """What the log so far says, read from its file."""
        self.log.checkpoint()
        found = Records.open(self.base / "records")
        facts = LogFacts(str(found.path), found.origin, found.size, found.root.hex(), found.simulated)
        return review(found.payloads(KINDS), facts, window or Window(), takt, plant)


def reviewed(base: Path, runs: Iterable[Did], tell: Callable[[Line], object] = lambda line: None, *,
             role: str = "station", takt: float | None = None) -> Review:
    """The review of a log of these runs, and of whatever ``tell`` writes after them."""
    line = Line(base, role).all(runs)
    tell(line)
    with line.log:
        return line.review(takt=takt)

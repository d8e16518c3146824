"""What the entries of a log say together: whether runs, attempts, clock and counters fit, entry after entry.

It is given genuine payloads only, in their order, and never trusts one to be complete.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

from eolseq.errors import RecordFault
from eolseq.records.approvals import SEQUENCE, Standing
from eolseq.records.earlier_meaning import EARLIER_KINDS, EarlierMeaning
from eolseq.records.entries import KINDS
from eolseq.records.keys import STATION
from eolseq.records.label_meaning import LABEL_KINDS, LabelsMeaning
from eolseq.records.report import AuditReport
from eolseq.records.runs import DOCUMENTS, WITHSTAND, Carried
from eolseq.records.units import UNIT_KINDS, UnitsMeaning
from eolseq.serials import OF_THE_PROGRAM

CLOCK_STEP = 60.0
"""Seconds by which wall clock and monotonic clock may part between two entries of one boot before it is a note."""

NEEDED = ("kind", "time", "boot", "mono", "run", "serial", "outcome", "attempt", "withstand_applications",
          "instruments", "kind_of_step", "energised", "reason", "behind", "by", "trial", "approval", "sequence",
          "earlier_checks", "check", "result")
"""The fields of an entry that are looked at here; those of DOCUMENTS are looked at whole."""

NEEDED_OF_MOST = ("kind", "time", "boot", "mono", "run", "kind_of_step")
"""The fields that are looked at in a reading and an energise, of which there are most."""


class _Unit(NamedTuple):
    """A unit's last attempt so far: how many there were, how it ended, how often withstand voltage was put on."""

    attempts: int
    outcome: str
    applications: int


class _Open(NamedTuple):
    serial: str
    energised: bool


class Meaning:
    """Follows the entries of one log and reports what does not fit, and what an auditor wants to know.

    ``whole`` turns False once lines are missing or changed: what then lacks its other half is no finding of its own.
    """

    def __init__(self, report: AuditReport) -> None:
        self.report = report
        self.whole = True
        self._open: dict[int, _Open] = {}
        self._units: dict[str, _Unit] = {}
        self._counters: dict[tuple[str, str], tuple[int, int]] = {}  # the count, and how often it was energised then
        self._sources: Counter[str] = Counter()  # how often each source was energised, by its name
        self._last_time = ""
        self._last_clock: tuple[str, datetime, float] | None = None
        self._standing: Standing | None = None
        self._between = UnitsMeaning(report)
        self._labels = LabelsMeaning(report)
        self._earlier = EarlierMeaning(report)

    def take(self, line: int, index: int, payload: Mapping[str, Any], leaf: bytes) -> None:
        """Take in one entry at a line (from 1) and index (from 0); ``leaf`` is asked of DOCUMENTS only."""
        kind = payload["kind"]
        self._clock(line, index, payload)
        if kind not in KINDS:
            self.report.kinds["unknown"] += 1
            self.report.note(line, index, "unknown kind", f"This version does not know entries of kind {kind}.")
            return
        self.report.kinds[kind] += 1
        try:
            if kind in ("energise", "reading", "end", "abandon"):
                self._part_of_run(line, index, kind, payload)
            elif kind == "begin":
                self._begin(line, index, payload)
            elif kind == "lock":
                self.report.note(line, index, "station locked", str(payload["reason"]))
            elif kind in DOCUMENTS:
                self._document(line, index, Carried(index, leaf, kind, payload))
            if kind in UNIT_KINDS:
                self._between.take(line, index, payload, leaf, whole=self.whole)
            if kind in LABEL_KINDS:
                self._labels.take(line, index, payload, whole=self.whole)
            if kind in EARLIER_KINDS:
                self._earlier.take(line, index, payload, whole=self.whole)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            self.report.find(line, index, "incomplete entry",
                             f"A field of the {kind} entry is missing or wrong: {error}.")

    def finish(self) -> None:
        """What can be said once every entry has been seen."""
        for run, (serial, energised) in self._open.items():
            self.report.note(run + 1, run, "open run", f"The run on unit {serial} has no end; {_voltage(energised)}.")

    def _begin(self, line: int, index: int, payload: Mapping[str, Any]) -> None:
        serial = str(payload["serial"])
        before = self._units.get(serial, _Unit(0, "", 0))
        self._open[index] = _Open(serial, False)
        if payload["attempt"] != before.attempts + 1 and self.whole:
            self.report.find(line, index, "attempt miscounted", f"The run on unit {serial} says it is attempt "
                             f"{payload['attempt']}; the log holds {before.attempts} before it.")
        if before.attempts:
            self.report.note(line, index, "repeated attempt",
                             f"Unit {serial}, attempt {before.attempts + 1}; the one before: {before.outcome}.")
        self._units[serial] = before._replace(attempts=before.attempts + 1, outcome="open")
        self._applications(line, index, serial, payload)
        self._counters_at(line, index, payload, ended=False)
        self._approved(line, index, payload)

    def _approved(self, line: int, index: int, payload: Mapping[str, Any]) -> None:
        """On a real station, what is no trial must name an approval of the very sequence that it runs.

        A verification, a zero or a message by hand has no file behind it, and its serial can never be released.
        """
        if payload["serial"] in OF_THE_PROGRAM and payload.get("approval") is None:
            return
        if self.report.role != STATION or payload.get("trial") != "no" or self._standing is None or not self.whole:
            return
        digest = payload["sequence"]["digest"]
        if not any((each.index, each.of, each.digest) == (payload.get("approval"), SEQUENCE, digest)
                   for each in self._standing.approvals):
            self.report.find(line, index, "run not approved", "The run says it is no trial, but names no approval of "
                             f"its sequence ({digest[:16]}).")

    def _part_of_run(self, line: int, index: int, kind: str, payload: Mapping[str, Any]) -> None:
        run = payload["run"]
        if run not in self._open:
            if self.whole:  # else its begin may be the line that is missing
                self.report.find(line, index, "no open run", f"The {kind} entry is of run {run}, which is not open.")
            return
        serial, energised = self._open[run]
        if kind == "energise":
            unit = self._units[serial]
            self._open[run] = _Open(serial, True)
            self._sources[str(payload.get("source"))] += 1
            applied = payload.get("kind_of_step") == WITHSTAND
            self._units[serial] = unit._replace(applications=unit.applications + applied)
        elif kind != "reading":
            self._close(line, index, kind, payload, serial, energised)
            del self._open[run]

    def _close(self, line: int, index: int, kind: str, payload: Mapping[str, Any], serial: str,
               energised: bool) -> None:
        report, outcome = self.report, str(payload["outcome"]) if kind == "end" else "abandoned"
        if payload["serial"] != serial:
            report.find(line, index, "wrong unit", f"The {kind} entry names another unit than its begin, {serial}.")
        report.outcomes[outcome] += 1
        self._units[serial] = self._units[serial]._replace(outcome=outcome)
        if kind == "abandon":
            voltage = _voltage(energised or payload["energised"] == "yes")
            report.note(line, index, "abandoned run", f"The run on unit {serial} was cut off; {voltage}.")
            return
        self._applications(line, index, serial, payload)
        self._counters_at(line, index, payload, ended=True)

    def _applications(self, line: int, index: int, serial: str, payload: Mapping[str, Any]) -> None:
        said, counted = payload.get("withstand_applications"), self._units[serial].applications
        if said is not None and said != counted and self.whole:
            self.report.find(line, index, "applications miscounted", f"It says that withstand voltage was put on unit "
                             f"{serial} {said} times so far; the log shows {counted}.")

    def _counters_at(self, line: int, index: int, payload: Mapping[str, Any], *, ended: bool) -> None:
        """An instrument that counts its tests must begin a run where the log left it.

        What was energised since, by a neighbour's run or one that was cut off, may have moved it.
        """
        for each in payload.get("instruments") or ():
            counter = each.get("counter")
            if counter is None:
                continue
            instrument = (str(each["model"]), str(each["serial"]))
            energised = self._sources[str(each["name"])]
            known, before = self._counters.get(instrument, (None, 0))
            if known is not None and (counter < known or (counter > known + energised - before and not ended)):
                what = f"{counter - known} tests were made outside this log" if counter > known else "it went back"
                self.report.note(line, index, "counter jumped", f"The test counter of {each['name']} ({instrument[0]} "
                                 f"{instrument[1]}) was {known} and is {counter}: {what}.")
            self._counters[instrument] = (int(counter), energised)

    def _clock(self, line: int, index: int, payload: Mapping[str, Any]) -> None:
        time, report = payload["time"], self.report
        if payload["kind"] == "clock":
            by = f" {payload['by']} says that it is right." if payload.get("by") else ""
            report.note(line, index, "clock mark", f"The clock lay {payload.get('behind')} s behind.{by}")
        elif time < self._last_time:
            report.note(line, index, "clock went back", f"From {self._last_time} to {time}.")
        self._last_time = time
        try:
            now = (str(payload["boot"]), datetime.fromisoformat(time), float(payload["mono"]))
        except (KeyError, TypeError, ValueError):
            report.note(line, index, "no clock", "The entry's time, boot or monotonic time cannot be read.")
            return
        last, self._last_clock = self._last_clock, now
        if last is not None and last[0] == now[0]:
            step = _seconds(last[1], now[1]) - (now[2] - last[2])
            if step > CLOCK_STEP:
                report.note(line, index, "clock stepped",
                            f"The wall clock went {step:.0f} s further than the time that passed.")

    def _document(self, line: int, index: int, entry: Carried) -> None:
        try:
            if self._standing is None:
                self._standing = Standing([entry])
            else:
                self._standing.take(entry)
        except RecordFault as error:
            self.report.find(line, index, "document not valid", f"What the {entry.kind} entry carries may not stand "
                             f"there: {error.what}")


def _seconds(earlier: datetime, later: datetime) -> float:
    if (earlier.tzinfo is None) != (later.tzinfo is None):
        return 0.0  # a time of no zone cannot be held against one of a zone
    return (later - earlier).total_seconds()


def _voltage(energised: bool) -> str:
    return "voltage may have been on" if energised else "voltage was not on"

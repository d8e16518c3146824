"""The independent book-keeper of a soak: what must be in the log by the scenario, and what a plain reader finds there.

Nothing of the program reads the log here: lines are JSON, payloads are JSON in base64, and that is all it takes. What is
settled is forgotten but for a few numbers of its unit, so that what grows in a long soak is not the book-keeper.
"""

from __future__ import annotations

import json
import sys
from base64 import b64decode
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.soak.plan import FALSE, Visit
from tests.soak.plant import Sheet

STOPS, ATTEMPTS = 2, 3  # as the station file has them
ENDED = ("pass", "fail", "undecided", "stopped")
NO_RESULT = ("stopped", "fault", "abandoned")


@dataclass
class Entry:
    """One scan of a unit in the books: what was expected, and what the person was told (empty: nothing any more)."""

    visit: Visit
    may_run: bool
    told: str = ""
    sentence: str = ""
    energised: bool = False
    number: int = 0
    cut: bool = False  # the program ended before anything was told

    @property
    def allowed(self) -> set[str]:
        """The outcomes that the scenario allows; ``refused`` and ``abandoned`` among them."""
        return (_allowed(self.visit) | ({"abandoned", ""} if self.cut else set())) if self.may_run else {"refused"}


def _allowed(visit: Visit) -> set[str]:
    mishap, usual = visit.mishap, {"pass"} if visit.sound else {"fail"}
    kind = mishap.kind if mishap is not None else ""
    if kind in ("", "printer before", "printer after", "codes", "clock a little"):
        return usual
    if kind in ("full at begin", "clock back"):
        return {"refused"}
    if kind in ("kill", "torn"):
        return usual | {"abandoned", ""}
    if kind == "full":
        return usual | {"fault", "abandoned", "refused", ""}
    if kind in ("guard", "stop"):
        return usual | {"stopped", "refused", "fault"}
    if kind in ("bay", "mains") or (mishap is not None and mishap.name in FALSE):
        return {"pass", "fail", "undecided", "fault", "refused", "stopped"} if visit.sound else \
            {"fail", "undecided", "fault", "refused", "stopped"}
    return usual | {"fault", "refused", "stopped"}


@dataclass(slots=True)
class OfUnit:
    """What the books know of a unit: by the scenario, and (from ``begun`` on) by the log."""

    attempts: int = 0
    stops: int = 0
    needs_rework: bool = False
    out: bool = False  # it has a label
    begun: int = 0     # runs
    passed: int = -1   # the entry that ended its last run as a pass; -1 when it ended otherwise or not yet
    ever_passed: bool = False
    read_back: int = 0
    fate: str = ""     # of its label, as far as it came

    @property
    def may_run(self) -> bool:
        """Whether the station must test it when it is scanned."""
        return not (self.out or self.needs_rework or self.stops >= STOPS or self.attempts >= ATTEMPTS)

    def take(self, outcome: str) -> None:
        """A run on it was begun, and ended so."""
        self.attempts += 1
        if outcome == "pass":
            self.out, self.needs_rework, self.stops = True, False, 0
        elif outcome in ("fail", "undecided"):
            self.needs_rework = True
        elif outcome in NO_RESULT:
            self.stops += 1


@dataclass(slots=True)
class RunSeen:
    """A run as the log has it."""

    index: int
    serial: str
    outcome: str = "open"
    end: int = -1
    energised: bool = False


class Books:
    """Everything that was scanned, in order, and every surprise."""

    def __init__(self, log: Path, *, line: bool = True) -> None:
        self.log = log
        self.line = line  # whether the station asks for rework and prints labels
        self.units: dict[str, OfUnit] = {}
        self.entries: list[Entry] = []       # of this life
        self.surprises: list[str] = []
        self.outcomes: Counter[str] = Counter()
        self.mishaps: Counter[str] = Counter()
        self.conditions: Counter[str] = Counter()
        self.models: Counter[str] = Counter()
        self.wanting: Counter[str] = Counter()  # scans of units whose earlier checks did not do
        self.kinds: Counter[str] = Counter()
        self.scans = self.settled = self.debris = self.size = 0
        self.runs: dict[int, RunSeen] = {}   # that are open, or were closed in this life
        self.prints: dict[str, str] = {}     # by digest, the unit of each label of this life
        self.remarks: Counter[str] = Counter()
        self.labels = self.tickets = 0       # pieces of paper
        self._offset = 0
        self._fresh: list[RunSeen] = []      # runs begun in this life and not matched with a scan
        self._open: list[tuple[Entry, RunSeen]] = []

    # -- what the scenario says -----------------------------------------------------------------------------------

    @property
    def locked(self) -> bool:
        """Whether the log has a lock that no unlock followed; to open a long one for nothing takes as long as a life."""
        return self.kinds["lock"] != self.kinds["unlock"]

    def scanned(self, visit: Visit) -> Entry:
        """A unit is scanned, and the station waits for one."""
        unit = self.units.setdefault(visit.serial, OfUnit())
        self.scans += 1
        entry = Entry(visit, (unit.may_run or not self.line) and visit.admitted, number=self.scans)
        self.entries.append(entry)
        if visit.mishap is not None:
            self.mishaps[visit.mishap.kind if visit.mishap.kind not in ("fault", "bay") else
                         f"{visit.mishap.instrument or 'bay'}:{visit.mishap.name}"] += 1
        self.conditions[visit.condition or "as it is"] += 1
        self.models[visit.serial.split("-")[0]] += 1
        if not visit.admitted:
            self.wanting[visit.earlier] += 1
        return entry

    def reworked(self, serial: str) -> None:
        """A technician says that a unit was reworked."""
        self.units[serial].needs_rework = False

    def told(self, entry: Entry, outcome: str, sentence: str, energised: bool) -> None:
        """What the person was told of the unit."""
        entry.told, entry.sentence, entry.energised = outcome, sentence, energised
        if outcome in ENDED:  # a fault may have come before the run began: then the log has none
            self.units[entry.visit.serial].take(outcome)
        if outcome not in entry.allowed:
            self._wrong(entry, f"told {outcome} ({sentence[:160]}), expected {sorted(entry.allowed)}")

    # -- what the log says ----------------------------------------------------------------------------------------

    def settle(self, sheets: Iterable[Sheet] = (), *, killed: bool) -> None:
        """A life is over: read what the log has since, and hold the scans and the paper that came out to it."""
        self._read_on()
        self._hold_paper(sheets)
        entries, self.entries = self.entries, []
        for entry in entries:
            entry.cut = killed and not entry.told
        before, self._open = self._open, []
        for entry, run in before:
            self._closed(entry, run)
        for place, entry in enumerate(entries):
            later = any(each.visit.serial == entry.visit.serial for each in entries[place + 1:])
            run = None if entry.told == "refused" and later else self._first_of(entry.visit.serial)
            self._hold(entry, run, last=entry.cut or entry is entries[-1])
        if self._fresh:
            self.surprises.append(f"runs that nobody scanned for: {self._fresh}")
            self._fresh = []
        self.runs = {index: run for index, run in self.runs.items() if run.outcome == "open"}
        self.remarks += Counter()  # drops what is at nought

    def _first_of(self, serial: str) -> RunSeen | None:
        """The next run on a unit that no scan has been matched with."""
        found = next((run for run in self._fresh if run.serial == serial), None)
        if found is not None:
            self._fresh.remove(found)
        return found

    def _hold(self, entry: Entry, run: RunSeen | None, *, last: bool) -> None:
        self.settled += 1
        serial = entry.visit.serial
        if run is None:
            self.outcomes[entry.told or "gone before it began"] += 1
            if entry.energised:
                self._wrong(entry, "an output was on, and the log has no run")
            if entry.told not in ("refused", "fault", ""):
                self._wrong(entry, f"told {entry.told}, and the log has no run")
            if entry.told == "refused" and self.remarks[serial] < 1:
                self._wrong(entry, f"refused without a remark: {entry.sentence}")
            if not entry.told and not last:
                self._wrong(entry, "scanned, and nothing came of it")
        elif not entry.may_run:
            self._wrong(entry, f"tested (entry {run.index}), and it must have been refused")
            self.units[serial].take(run.outcome)
        elif run.outcome == "open":
            if not last and not (entry.visit.mishap and entry.visit.mishap.kind == "full"):
                self._wrong(entry, "its run is open though others followed")
            self._open.append((entry, run))
        else:
            self._closed(entry, run)
        if entry.told in ("refused", "fault") and run is None:
            self.remarks[serial] -= 1

    def _closed(self, entry: Entry, run: RunSeen) -> None:
        """A run that is closed must have come to what the person was told, or to what the scenario allows."""
        self.outcomes[run.outcome] += 1
        if entry.told not in ENDED:
            self.units[entry.visit.serial].take(run.outcome)
        if run.outcome not in entry.allowed:
            self._wrong(entry, f"the log says {run.outcome}, expected {sorted(entry.allowed)}")
        kind = entry.visit.mishap.kind if entry.visit.mishap else ""
        if entry.told and entry.told != run.outcome and kind != "full":
            self._wrong(entry, f"told {entry.told}, the log says {run.outcome}")
        if run.outcome == "pass" and not entry.visit.sound:
            self._wrong(entry, "A DEFECTIVE UNIT PASSED")
        if entry.energised and not run.energised:
            self._wrong(entry, "an output was on, and the log has no energise")

    def _wrong(self, entry: Entry, what: str) -> None:
        self.surprises.append(f"scan {entry.number}, {entry.visit}: {what}")

    def _read_on(self) -> None:
        if not self.log.is_file():
            return
        with self.log.open("rb") as stream:
            stream.seek(self._offset)
            data = stream.read()
        whole = data.rfind(b"\n") + 1
        self._offset += whole
        for line in data[:whole].splitlines():
            self._line(line)

    def _line(self, line: bytes) -> None:
        try:
            payload = json.loads(b64decode(json.loads(line)["payload"]))
        except ValueError:
            self.debris += 1
            return
        if payload["index"] != self.size:
            self.surprises.append(f"entry {payload['index']} stands where {self.size} belongs")
        self.size += 1
        kind = payload["kind"]
        self.kinds[kind] += 1
        serial = payload.get("serial")
        if kind == "begin":
            run = RunSeen(payload["index"], serial)
            self.runs[run.index] = run
            if not _reference(payload):
                unit = self.units.setdefault(serial, OfUnit())
                unit.begun, unit.passed = unit.begun + 1, -1
                self._fresh.append(run)
                if payload["attempt"] != unit.begun:
                    self.surprises.append(f"entry {run.index}: attempt {payload['attempt']} of {serial}")
        elif kind == "energise":
            self.runs[payload["run"]].energised = True
        elif kind in ("end", "abandon"):
            self._ends(payload)
        elif kind == "remark" and serial:
            self.remarks[serial] += 1
        elif kind == "label":
            self._label(payload)

    def _ends(self, payload: dict[str, Any]) -> None:
        run = self.runs.get(payload["run"])
        if run is None or run.outcome != "open":
            self.surprises.append(f"entry {payload['index']} closes run {payload['run']} again")
            return
        run.outcome, run.end = payload.get("outcome", "abandoned"), payload["index"]
        unit = self.units.get(run.serial)
        if unit is not None and run.outcome == "pass":
            unit.passed, unit.ever_passed = run.end, True

    def _label(self, payload: dict[str, Any]) -> None:
        serial, event = payload["serial"], sys.intern(payload["event"])
        unit = self.units.setdefault(serial, OfUnit())
        unit.fate = event
        unit.read_back += event == "read back"
        if unit.read_back > 1:
            self.surprises.append(f"{serial} has two labels read back (entry {payload['index']})")
        if not unit.ever_passed:
            self.surprises.append(f"{serial} never passed, and has a label that is {event}")
        if event != "print":
            return
        self.prints[payload["digest"]] = serial
        if unit.passed < 0 or unit.passed != payload["end"]:
            self.surprises.append(f"A LABEL WITHOUT A PASS: entry {payload['index']} of {serial}")

    def _hold_paper(self, sheets: Iterable[Sheet]) -> None:
        """Every label that came out in this life has its entry, which was written before it."""
        for sheet in sheets:
            self.labels, self.tickets = self.labels + sheet.label, self.tickets + (not sheet.label)
            if sheet.label and self.prints.get(sheet.digest) != sheet.serial:
                self.surprises.append(f"paper without its entry: {sheet}")
        self.prints.clear()

    # -- the end --------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Everything is over: no run is open, and every unit that passed has its label on it."""
        still = [run for run in self.runs.values() if run.outcome == "open"]
        if still:
            self.surprises.append(f"runs still open: {still}")
        for serial, unit in self.units.items():
            if self.line and unit.ever_passed and unit.fate != "read back":
                self.surprises.append(f"{serial} passed and its label is not on it: {unit.fate or 'none'}")


def _reference(payload: dict[str, Any]) -> bool:
    """Whether a run is the station's own, under a reserved serial."""
    serial = str(payload["serial"])
    return not serial.startswith(("DH6-", "DH3-", "DH9-", "DHC6-"))


"""What the log says of one unit now: the one place that gates, labels, screens and look-ups ask.

::

    state = state_of(log, serial)                 # log: records.log.Log or records.reader.Records
    state = state_of(log, serial, rules)          # rules: station.rework, for ``may_run`` and LOCKED

    state.standing    a Standing: NEW, RUNNING, PASSED, VOIDED, LATE_FAIL, FAILED, UNDECIDED, INCOMPLETE, REWORKED,
                      RELEASED, LOCKED
    state.index       the entry that says so; None when there is none
    state.passed      the Run that passed and still counts, else None. ``state.passed.closed_by`` is its ``end``. None
                      as soon as anything later speaks against it: another run, a rework, a void, a fail of an earlier
                      check that came in late and was not made good
    state.released    the entry of quality's release that still counts, else None (never together with ``passed``)
    state.labels      the unit's ``label`` entries, oldest first; those since the pass by ``state.labels_since_pass``
    state.may_run     whether it may be tested; if not, ``state.refusal`` says why and what to do
    state.sentence    one sentence for people

Pure but for what it asks of the log, which finds runs and such entries by serial: some tens of microseconds a unit,
however long the log is. A trial never passes a unit; one that does not pass speaks against it as any other run. A unit
under a reserved serial never passes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from eolseq.errors import Refused
from eolseq.quantity import counted
from eolseq.records.judged import standing_of
from eolseq.records.runs import AboutUnit, Carried, Run
from eolseq.serials import reserved
from eolseq.station.line_fields import NO_REWORK, ReworkRules


class Standing(StrEnum):
    """Where a unit stands, in words."""

    NEW = "never tested"
    RUNNING = "under test"
    PASSED = "passed"
    VOIDED = "its pass is void"
    LATE_FAIL = "passed, but a fail of an earlier check came in after that"
    FAILED = "failed"
    UNDECIDED = "undecided"
    INCOMPLETE = "without a result that counts"
    REWORKED = "reworked"
    RELEASED = "released by quality"
    LOCKED = "locked to the lead"


@dataclass(frozen=True)
class UnitState:
    """Where a unit stands; see the top of this file."""

    serial: str
    standing: Standing
    index: int | None
    attempts: int
    last: Run | None
    passed: Run | None = None
    released: int | None = None
    needs_rework: Run | None = None
    repeat: str | None = None
    stops: int = 0
    labels: tuple[AboutUnit, ...] = ()
    refusal: Refused | None = None

    @property
    def may_run(self) -> bool:
        """Whether the unit may be tested now, as far as its own past goes."""
        return self.refusal is None

    @property
    def labels_since_pass(self) -> tuple[AboutUnit, ...]:
        """The labels written since the pass that counts; none without such a pass."""
        end = None if self.passed is None else self.passed.closed_by
        return () if end is None else tuple(each for each in self.labels if each.index > end)

    @property
    def sentence(self) -> str:
        """Where the unit stands, for people: ``DH6-00000001 failed (entry 12), attempt 2.``"""
        where = "" if self.index is None else f" (entry {self.index})"
        attempt = f", attempt {self.attempts}" if self.attempts else ""
        return f"{self.serial}: {self.standing}{where}{attempt}."


class UnitLog(Protocol):
    """What is asked of a log, open for writing or only read."""

    @property
    def simulated(self) -> bool:
        """Whether it is a simulated station's."""

    @property
    def documents(self) -> Sequence[Carried]:
        """The entries that carry what people signed."""

    def runs(self, serial: str) -> list[Run]:
        """The runs on a unit."""

    def about(self, serial: str) -> tuple[AboutUnit, ...]:
        """The entries about a unit outside its runs."""


def state_of(log: UnitLog, serial: str, rules: ReworkRules = NO_REWORK) -> UnitState:
    """Where a unit stands by its log; what people must sign counts only if signed, but for a simulated station."""
    about = log.about(serial)
    signed = any(each.kind == "release" or (each.kind == "rework" and each.payload["lead"] == "yes") for each in about)
    return unit_state(serial, log.runs(serial), about, rules, _trust(log) if signed else _nobody)


def _nobody(_: int) -> bool:
    return False


def _trust(log: UnitLog) -> Callable[[int], bool]:
    """Whether the lead's or quality's word in an entry counts; made once for all entries of a unit."""
    if log.simulated:
        return lambda _: True
    return standing_of(log).holds


def unit_state(serial: str, runs: Sequence[Run], about: Iterable[AboutUnit], rules: ReworkRules,
               trusted: Callable[[int], bool]) -> UnitState:
    """Where a unit stands by its runs and the entries about it, each in the order of the log."""
    past = _Past()
    events: list[tuple[int, Run | AboutUnit]] = [(run.index if run.closed_by is None else run.closed_by, run)
                                                 for run in runs]
    events += [(each.index, each) for each in about]
    for index, event in sorted(events, key=lambda each: each[0]):
        if isinstance(event, Run):
            past.take_run(index, event)
        else:
            past.take_entry(event, trusted)
    if reserved(serial):
        past.passed = past.released = None
    return past.state(serial, rules)


class _Past:
    """What has been seen of a unit so far."""

    def __init__(self) -> None:
        self.standing = Standing.NEW
        self.index: int | None = None
        self.passed: Run | None = None
        self.released: int | None = None
        self.needs: Run | None = None
        self.repeat: str | None = None
        self.last: Run | None = None
        self.attempts = self.stops = 0
        self.lead = False  # whether the lead has spoken since the last run
        self.labels: list[AboutUnit] = []
        self.checks: list[AboutUnit] = []  # earlier checks, decoded only if they came in after a run that passed

    def _now(self, standing: Standing, index: int) -> None:
        self.standing, self.index = standing, index

    def take_run(self, index: int, run: Run) -> None:
        """A run, where it ended; one that is open, where it began."""
        if run.trial == "yes" and run.outcome == "pass":
            self.attempts, self.last, self.lead = self.attempts + 1, run, False
            if self.standing is Standing.NEW:
                self._now(Standing.INCOMPLETE, index)
            return
        self.attempts, self.last, self.lead = self.attempts + 1, run, False
        self.passed = self.released = None
        if run.outcome == "open":
            self._now(Standing.RUNNING, index)
        elif run.outcome == "pass":
            self.passed, self.needs, self.repeat, self.stops = run, None, None, 0
            self._now(Standing.PASSED, index)
        elif run.outcome in ("fail", "undecided"):
            self.needs = run
            self._now(Standing.FAILED if run.outcome == "fail" else Standing.UNDECIDED, index)
        else:  # stopped, fault, abandoned, and whatever a later version may add
            self.stops += 1
            self._now(Standing.INCOMPLETE, index)

    def take_entry(self, entry: AboutUnit, trusted: Callable[[int], bool]) -> None:
        """An entry about the unit."""
        if entry.kind == "rework":
            self._rework(entry, trusted)
        elif entry.kind == "release":
            undecided = self.standing is Standing.UNDECIDED and self.last is not None
            if undecided and self.last is not None and entry.payload["run"] == self.last.closed_by \
                    and self.last.trial != "yes" and trusted(entry.index):
                self.released, self.needs = entry.index, None
                self._now(Standing.RELEASED, entry.index)
        elif entry.kind == "void":
            if self.passed is not None or self.released is not None:
                self._now(Standing.VOIDED, entry.index)
            self.passed = self.released = None
        elif entry.kind == "label":
            self.labels.append(entry)
        elif entry.kind == "earlier_check":
            self.checks.append(entry)

    def _rework(self, entry: AboutUnit, trusted: Callable[[int], bool]) -> None:
        """A rework; the lead's word also frees a unit that is locked to the lead."""
        if entry.payload["lead"] == "yes" and trusted(entry.index):
            self.lead, self.stops = True, 0
        if self.needs is not None:
            self.repeat = entry.payload["sequence"]
        self.needs = self.passed = self.released = None
        self._now(Standing.REWORKED, entry.index)

    def state(self, serial: str, rules: ReworkRules) -> UnitState:
        """What all this comes to under the station's rules."""
        against = self._late_fail()
        if against is not None:
            self.passed = self.released = None
            self._now(Standing.LATE_FAIL, against)
        refusal = self._refusal(serial, rules)
        locked = self._lock(rules) and self.passed is None and self.released is None
        standing = Standing.LOCKED if locked and self.standing is not Standing.RUNNING else self.standing
        return UnitState(serial, standing, self.index, self.attempts, self.last, self.passed, self.released, self.needs,
                         self.repeat, self.stops, tuple(self.labels), refusal)

    def _late_fail(self) -> int | None:
        """The entry of an earlier check's fail that came in after the latest run began, while what it gave counts."""
        run = None if self.passed is None and self.released is None else self.passed or self.last
        late = [each for each in self.checks if run is not None and each.index > run.index]
        against: dict[str, AboutUnit] = {}
        for each in late:
            said, failed = each.payload, against.get(each.payload["check"])
            if said["result"] != "pass":
                if failed is None or _made(each) >= _made(failed):
                    against[said["check"]] = each
            elif failed is not None and _made(each) > _made(failed):
                del against[said["check"]]
        return next((each.index for each in against.values()), None)

    def _lock(self, rules: ReworkRules) -> str:
        """Why only the lead can let the unit be tested again; empty when it is not so."""
        if self.lead:
            return ""
        if rules.stops is not None and self.stops >= rules.stops:
            were = "was" if self.stops == 1 else "were"
            return f"{counted(self.stops, 'run')} on it {were} stopped, faulty or cut off"
        if rules.attempts is not None and self.attempts >= rules.attempts:
            return f"it was tested {counted(self.attempts, 'time')}, and {rules.attempts} are allowed here"
        return ""

    def _refusal(self, serial: str, rules: ReworkRules) -> Refused | None:
        lock = self._lock(rules)
        if self.standing is Standing.RUNNING:
            return Refused(f"Unit {serial} is under test (entry {self.index}).", "Wait for the end of that run.")
        if lock:
            return Refused(f"Unit {serial} is locked to the lead: {lock}.",
                           "Set it aside and see the lead, who finds the cause and signs: eolseq rework, with --lead.")
        if rules.needed and self.needs is not None:
            may_go = " Quality may release a heater or motor reading: eolseq release." \
                if self.needs.outcome == "undecided" else ""
            return Refused(f"Unit {serial} {_ENDED[self.needs.outcome]} in its last full run (entry "
                           f"{self.needs.closed_by}).",
                           f"Set it aside. Its rework is entered first: eolseq rework.{may_go}")
        return None


def _made(entry: AboutUnit) -> datetime:
    return datetime.fromisoformat(entry.payload["made"])


_ENDED = {"fail": "failed", "undecided": "was undecided"}

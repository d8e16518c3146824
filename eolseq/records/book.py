"""What a log says of runs, units and the station's lock, taken in line by line: cheap enough for every start.

What is over is kept outside of the program's memory (``kept.py``), so that an open log takes no more of it after a year
than on its first day; open runs, the lock and the fixtures at the bays are objects here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from sys import intern
from typing import Any

from eolseq.errors import NotGenuine, RecordFault, Refused
from eolseq.records.carried import CarriedEntries
from eolseq.records.entries import EarlierAttempt
from eolseq.records.kept import Kept, Row
from eolseq.records.places import Places
from eolseq.records.runs import (
    DOCUMENTS,
    LABEL_FIELDS,
    OF_UNIT,
    WITHSTAND,
    AboutUnit,
    Glance,
    LabelSeen,
    LockState,
    OpenRun,
    Run,
    same_fixture,
)
from eolseq.serials import reserved

_RUN = ("SELECT idx, serial, attempt, mode, trial, bay, began, leaf, outcome, ended, closed_by, energised, applied "
        "FROM runs ")
_ABOUT = 'SELECT idx, kind, time, place, size, leaf, event, "end", copy, of FROM about WHERE serial = ? ORDER BY idx'
_AT_BAY = "unit AND (?2 = '' OR bay = ?2)"
_UNITS = 32  # of so many units that were asked for last, what is kept is at hand too: one is asked for many times


class RunBook:
    """All runs, which are open, what was said of units, and the lock, as they stand after the lines noted so far.

    ``path`` is the log, of which a payload is read again when it is asked for. ``latest`` is the latest time (UTC, ISO
    8601) that an entry says, since a person last said that the clock is right.
    """

    def __init__(self, path: Path) -> None:
        self._kept, self._places = Kept(), Places(path)
        self._documents = 0
        self._over: dict[str, list[Run]] = {}  # by serial, of the last units: the runs that are over
        self._told: dict[str, list[AboutUnit]] = {}  # and what was said of the unit
        self.open: dict[int, Run] = {}
        self.lock: LockState | None = None
        self.mounted: dict[str, str] = {}  # by bay, where there are several, the fixture that was last found there
        self.latest = ""

    @property
    def fault(self) -> str:
        """Why nothing can be asked any more; empty while everything can."""
        return self._kept.fault

    def note(self, index: int, leaf: bytes, seen: Glance, place: int = 0, size: int = 0) -> None:
        """Take in one entry, a line of so many bytes at a byte of the file; NotGenuine when it does not fit.

        RecordFault when it cannot be kept.
        """
        try:
            with self._kept.lock:  # who asks from another task finds a run open or over, never neither
                self._note(index, leaf, seen.kind, seen.time, seen.fields)
                if seen.kind in OF_UNIT:
                    self._said(_about_row(index, leaf, seen, place, size))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise NotGenuine(f"Entry {index} ({seen.kind}) does not fit the entries before it ({error!r}).",
                             "Run: eolseq audit on the log, and show its findings to quality.") from error
        if seen.kind in DOCUMENTS:
            self._kept.add("documents", (self._documents + 1, index, seen.kind, place, size, leaf))
            self._documents += 1

    def settle(self) -> None:
        """Let nothing that was noted wait to be kept; RecordFault when it cannot be."""
        self._kept.settle()

    # -- what may be written ------------------------------------------------------------------------------------

    def refuse_misfit(self, kind: str, fields: Mapping[str, Any]) -> None:
        """RecordFault when an entry about to be written does not fit those before it; nothing is noted."""
        wrong = ""
        if kind == "begin":
            earlier = len(self.runs(fields["serial"]))
            if (fields["attempt"], fields["earlier_count"]) != (earlier + 1, earlier):
                wrong = f"the unit has {earlier} earlier attempts in this log"
            wrong = wrong or self._miscounted(fields)
        elif kind in ("reading", "energise", "end", "abandon"):
            run = self.open.get(fields["run"])
            if run is None:
                wrong = f"run {fields['run']} is not open"
            elif fields.get("serial", run.serial) != run.serial:
                wrong = f"run {run.index} is of unit {run.serial}"
            elif kind == "end":
                wrong = self._miscounted(fields)
        elif kind == "label" and fields["event"] == "print":
            wrong = self._no_pass(fields)
        if wrong:
            raise RecordFault(f"An entry of kind {kind} cannot be written: {wrong}.",
                              "Nothing was written. This is a mistake in the program; report it.")

    def refuse_overtaken(self, serial: str, rests_on: Collection[int]) -> None:
        """Refused when a result came in after the one that a run rests on, as its unit was on the way to its test."""
        about = [each for each in self.about(serial) if each.kind == "earlier_check"] if rests_on else []
        known = {each.payload["check"]: each.index for each in about if each.index in rests_on}
        for each in about:
            check = each.payload["check"]
            if each.index > known.get(check, each.index):
                raise Refused(f"A result of {check} on unit {serial} came in (entry {each.index}) while it was on "
                              "the way to its test.", "Scan it again: that result is then looked at.")

    def refuse_same_fixture(self, serial: str, bay: str) -> None:
        """Refused when the fixture last found at this bay is the one on which another bay tests a unit now.

        The gate of fixtures asks this too, but two bays may read one plug before either begins. What is no unit has no
        such gate, so what was found last at its bay says nothing.
        """
        here = None if reserved(serial) else self.mounted.get(bay)
        if here is None:
            return
        for run in self.open.values():
            if run.bay != bay and self.mounted.get(run.bay) == here and not reserved(run.serial):
                raise same_fixture(bay, here, run.bay)

    # -- questions ----------------------------------------------------------------------------------------------

    def runs(self, serial: str) -> list[Run]:
        """The runs on a unit, oldest first."""
        with self._kept.lock:
            self._kept.refuse_if_broken()
            over = self._over.get(serial)
            if over is None:
                over = [_run(row) for row in self._kept.ask(f"{_RUN} WHERE serial = ?", (serial,))]
                _remember(self._over, serial, over)
            return sorted([*over, *(run for run in self.open.values() if run.serial == serial)], key=_index)

    def run(self, index: int) -> Run | None:
        """The run that an entry began; None when it began none."""
        with self._kept.lock:
            run = self.open.get(index)
            return run or next(map(_run, self._kept.ask(f"{_RUN} WHERE idx = ?", (index,))), None)

    def last_run(self, serial: str) -> Run | None:
        """The last run on a unit, open or not; None when there is none."""
        runs = self.runs(serial)
        return runs[-1] if runs else None

    def every_run(self) -> Iterator[Run]:
        """All runs, oldest first, read as they are wanted."""
        with self._kept.lock:
            still = sorted(self.open.values(), key=_index)
        for row in self._kept.pages(f"{_RUN} WHERE 1", -1):
            while still and still[0].index < row[0]:
                yield still.pop(0)
            if not still or still[0].index != row[0]:
                yield _run(row)
        yield from still

    def last_on_a_unit(self, bay: str = "") -> Run | None:
        """The last run that was begun on a unit, no reference unit, at a bay or in all; None when there was none."""
        asked = f"{_RUN} WHERE idx > ?1 AND {_AT_BAY} ORDER BY idx DESC LIMIT 1"
        with self._kept.lock:
            found = [run for run in self.open.values() if _on_a_unit(run, bay)]
            found += map(_run, self._kept.ask(asked, (-1, bay)))
        return max(found, key=_index, default=None)

    def runs_since(self, index: int, bay: str = "") -> int:
        """How many runs on units, not on reference units, were begun after an entry: at a bay, or in all."""
        with self._kept.lock:
            found = self._kept.ask(f"SELECT count(*) FROM runs WHERE idx > ?1 AND {_AT_BAY}", (index, bay))
            return int(found[0][0]) + sum(run.index > index and _on_a_unit(run, bay) for run in self.open.values())

    def first_unit_since(self, index: int, bay: str = "") -> datetime | None:
        """When the first run on a unit after an entry was begun, at a bay or in all; reference units are none."""
        asked = f"SELECT idx, began FROM runs WHERE idx > ?1 AND {_AT_BAY} ORDER BY idx LIMIT 1"
        with self._kept.lock:
            found: list[Row] = [(run.index, run.began) for run in self.open.values()
                                if run.index > index and _on_a_unit(run, bay)]
            found += self._kept.ask(asked, (index, bay))
        return datetime.fromisoformat(min(found)[1]) if found else None

    def about(self, serial: str) -> tuple[AboutUnit, ...]:
        """The entries about a unit outside its runs, oldest first."""
        with self._kept.lock:
            self._kept.refuse_if_broken()
            told = self._told.get(serial)
            if told is None:
                told = [self._about(row) for row in self._kept.ask(_ABOUT, (serial,))]
                _remember(self._told, serial, told)
            return tuple(told)

    def labels(self, serial: str) -> tuple[LabelSeen, ...]:
        """Every entry about labels of a unit, oldest first."""
        return tuple(LabelSeen(each.index, *(each.payload[name] for name in LABEL_FIELDS))
                     for each in self.about(serial) if each.kind == "label")

    def attempts(self, serial: str) -> list[EarlierAttempt]:
        """Every run on a unit so far, oldest first."""
        return [run.as_earlier() for run in self.runs(serial)]

    def withstand_applications(self, serial: str) -> int:
        """How often withstand voltage was put on a unit in all its attempts so far."""
        return sum(run.withstand_applications for run in self.runs(serial))

    def open_runs(self) -> list[OpenRun]:
        """The runs that were begun and neither ended nor abandoned, oldest first."""
        with self._kept.lock:
            return [OpenRun(run.index, run.serial, run.attempt, run.bay, run.mode, run.energised)
                    for run in self.open.values()]

    @property
    def documents(self) -> CarriedEntries:
        """The entries of DOCUMENTS noted so far, oldest first."""
        return CarriedEntries(self._kept, self._places, self._documents)

    # -- inside -------------------------------------------------------------------------------------------------

    def _about(self, row: Row) -> AboutUnit:
        index, kind, time, place, size, leaf, *label = row
        payload = dict(zip(LABEL_FIELDS, label, strict=True)) if kind == "label" \
            else partial(self._places.payload, place, size, leaf)
        return AboutUnit(index, kind, time, payload)

    def _said(self, row: Row) -> None:
        self._kept.add("about", row)
        told = self._told.get(row[1])
        if told is not None:
            told.append(self._about((row[0], *row[2:])))

    def _miscounted(self, fields: Mapping[str, Any]) -> str:
        applied = self.withstand_applications(fields["serial"])
        if fields["withstand_applications"] == applied:
            return ""
        return f"withstand voltage was put on the unit {applied} times in this log"

    def _no_pass(self, fields: Mapping[str, Any]) -> str:
        """Why a label may not be printed: it stands on the last run of its unit, which ended as a pass and no trial."""
        last, labels = self.last_run(fields["serial"]), self.labels(fields["serial"])
        if last is None or (last.closed_by, last.outcome, last.trial) != (fields["end"], "pass", "no"):
            return f"the last run on unit {fields['serial']} is no pass that entry {fields['end']} ended"
        copies = sum(each.event == "print" and each.of == fields["of"] for each in labels)
        return "" if fields["copy"] == copies + 1 else f"{copies} labels were printed for it in this log"

    def _note(self, index: int, leaf: bytes, kind: str, time: str, fields: Mapping[str, Any]) -> None:
        if time > self.latest or (kind == "clock" and fields.get("by")):
            self.latest = time
        if kind == "begin":
            self.open[index] = Run(index, _text(fields["serial"]), int(fields["attempt"]), intern(fields["mode"]),
                                   intern(fields["trial"]), intern(fields["bay"]), time, leaf)
        elif kind == "energise":
            run = self.open[fields["run"]]
            run.energised = True
            run.withstand_applications += fields["kind_of_step"] == WITHSTAND
        elif kind in ("end", "abandon"):
            self._close(index, leaf, time, fields, fields["outcome"] if kind == "end" else "abandoned")
        elif kind == "lock":
            self.lock = LockState(index, str(fields["reason"]), str(fields["do"]), time)
        elif kind == "unlock":
            self.lock = None
        elif kind == "fixture" and fields["what"] == "mounted" and fields.get("bay"):
            self.mounted[fields["bay"]] = fields["fixture"]

    def _close(self, index: int, leaf: bytes, time: str, fields: Mapping[str, Any], outcome: str) -> None:
        run = self.open[fields["run"]]
        if run.serial != fields["serial"]:
            raise ValueError(f"it closes the run of {run.serial!r}")
        self._kept.add("runs", (run.index, run.serial, run.attempt, run.mode, run.trial, run.bay, run.began, leaf,
                                intern(outcome), time, index, run.energised, run.withstand_applications,
                                not reserved(run.serial)))
        run.outcome, run.ended, run.closed_by, run.leaf = outcome, time, index, leaf
        over = self._over.get(run.serial)
        if over is not None:
            over.append(run)
        del self.open[run.index]


def _remember(units: dict[str, Any], serial: str, what: Any) -> None:
    """Keep what was found of a unit at hand, and forget the unit that has been at hand for longest."""
    while len(units) >= _UNITS:
        del units[next(iter(units))]
    units[serial] = what


def _about_row(index: int, leaf: bytes, seen: Glance, place: int, size: int) -> Row:
    serial = _text(seen.fields["serial"])
    if seen.kind != "label":
        return index, serial, seen.kind, seen.time, place, size, leaf, None, None, None, None
    event, end, copy, of = (seen.fields[name] for name in LABEL_FIELDS)
    return index, serial, seen.kind, seen.time, None, None, None, _text(event), int(end), int(copy), _text(of)


def _text(value: Any) -> str:
    """A text that is one; TypeError otherwise, ValueError for one that no line can carry."""
    if type(value) is not str:
        raise TypeError(f"{value!r} is no text")
    value.encode()
    return value


def _run(row: Row) -> Run:
    run = Run(*row)
    run.energised = bool(run.energised)
    return run


def _index(run: Run) -> int:
    return run.index


def _on_a_unit(run: Run, bay: str) -> bool:
    return not reserved(run.serial) and bay in ("", run.bay)

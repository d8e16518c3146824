"""What a log says about runs and the station's lock, kept while lines go by: cheap enough for every start."""

from __future__ import annotations

import re
from binascii import a2b_base64
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile
from json import loads
from sys import intern
from typing import Any, NamedTuple

from eolseq.errors import NotGenuine, RecordFault, Refused
from eolseq.records.entries import EarlierAttempt
from eolseq.records.envelope import ENTRY_TYPE, read_payload, take_apart
from eolseq.serials import reserved

_PAYLOAD_AT = len('{"payloadType":"') + len(ENTRY_TYPE) + len('","payload":"')
_BEHIND_PAYLOAD = len('","signatures":[{"keyid":"') + 16 + len('","sig":"') + 88 + len('"}]}')
_HEAD_BYTES = 372  # the fixed fields (about 260 bytes), run, outcome and a serial; the origin comes on top
_TEXT = rb'("[^"\\]*(?:\\.[^"\\]*)*")'
_TIME_AFTER = 90  # bytes of the head that come before the time for certain, the origin not counted
_HEAD = re.compile(rb'"time":"([^"]*)","boot":"[^"]*","mono":"[^"]*","kind":"([a-z_]+)",')
_FIELDS: dict[str, tuple[re.Pattern[bytes], tuple[str, ...]]] = {
    "begin": (re.compile(rb'"serial":%b,"attempt":([0-9]+),"mode":%b,"trial":%b,"bay":%b,' % ((_TEXT,) * 4)),
               ("serial", "attempt", "mode", "trial", "bay")),
    "energise": (re.compile(rb'"run":([0-9]+),"step":"[^"\\]*(?:\\.[^"\\]*)*","kind_of_step":%b,' % _TEXT),
                 ("run", "kind_of_step")),
    "end": (re.compile(rb'"run":([0-9]+),"serial":%b,"outcome":%b,' % (_TEXT, _TEXT)), ("run", "serial", "outcome")),
    "abandon": (re.compile(rb'"run":([0-9]+),"serial":%b,' % _TEXT), ("run", "serial")),
    "label": (re.compile(rb'"serial":%b,"event":%b,"end":([0-9]+),"copy":([0-9]+),"of":%b,' % ((_TEXT,) * 3)),
              ("serial", "event", "end", "copy", "of")),
    **{kind: (re.compile(rb'"serial":%b,' % _TEXT), ("serial",)) for kind in ("void", "earlier_check")},
}
_NOTHING: tuple[re.Pattern[bytes], tuple[str, ...]] = (re.compile(b"(?!)"), ())
DOCUMENTS = frozenset({"genesis", "keys", "approval", "verification", "challenge", "unlock", "people", "rework",
                       "release", "fixture"})
"""Entries that say who may sign, test or release what, what is approved, how the station was checked; kept whole."""
OF_UNIT = frozenset({"rework", "release", "void", "label", "earlier_check"})
"""Entries about one unit outside its runs; their first field is its serial, by which they are kept."""
KEPT_WHOLE = DOCUMENTS | OF_UNIT
WATCHED = frozenset({"begin", "energise", "end", "abandon", "lock", "unlock", "clock", "recovery"}) | KEPT_WHOLE
_WATCHED = {kind.encode(): kind for kind in WATCHED}
WITHSTAND = "dielectric_withstand"
"""The kind of step that puts withstand voltage on a unit; each time counts, since each ages the insulation."""


class Glance(NamedTuple):
    """The few fields of an entry that this module needs; ``line`` holds the others of an entry of OF_UNIT."""

    kind: str
    time: str
    fields: Mapping[str, Any]
    line: bytes = b""


@dataclass(frozen=True, slots=True)
class Carried:
    """An entry of DOCUMENTS: its index, leaf hash (32 bytes), kind and payload."""

    index: int
    leaf: bytes
    kind: str
    payload: Mapping[str, Any]


LABEL_FIELDS = ("event", "end", "copy", "of")
"""What is kept of a label's entry; its texts would fill the memory of a station in a year."""


class AboutUnit:
    """An entry of OF_UNIT: its index, kind and time; its payload is decoded when it is first asked for.

    Of a label the values of LABEL_FIELDS are kept alone, bare: a station has several such entries for each unit.
    """

    __slots__ = ("_line", "_payload", "index", "kind", "time")

    def __init__(self, index: int, kind: str, time: str, payload: Mapping[str, Any], line: bytes = b"") -> None:
        self.index, self.kind, self.time, self._line = index, kind, time, line
        self._payload: Mapping[str, Any] | tuple[str, int, int, str] = payload
        if kind == "label":
            event, end, copy, of = (payload[name] for name in LABEL_FIELDS)
            self._payload = (intern(event), end, copy, intern(of))

    @property
    def payload(self) -> Mapping[str, Any]:
        """The fields of the entry."""
        if self._line:
            self._payload, self._line = read_payload(take_apart(self._line).payload), b""
        kept = self._payload
        return dict(zip(LABEL_FIELDS, kept, strict=True)) if isinstance(kept, tuple) else kept


@dataclass(slots=True)
class Run:
    """One run as the log has it; ``outcome`` is ``open`` until it is ended or abandoned."""

    index: int
    serial: str
    attempt: int
    mode: str
    trial: str
    bay: str
    began: str
    leaf: bytes
    outcome: str = "open"
    ended: str | None = None
    closed_by: int | None = None
    energised: bool = False
    withstand_applications: int = 0

    def as_earlier(self) -> EarlierAttempt:
        """The run as a later attempt on the same unit repeats it."""
        return EarlierAttempt(self.index if self.closed_by is None else self.closed_by, self.outcome, self.leaf.hex())


@dataclass(frozen=True, slots=True)
class LabelSeen:
    """An entry about a label: its index, what happened, the end of the run it stands on, which copy, of what."""

    index: int
    event: str
    end: int
    copy: int
    of: str


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run that was begun and neither ended nor abandoned; ``energised`` when voltage may have been on."""

    index: int
    serial: str
    attempt: int
    bay: str
    mode: str
    energised: bool


@dataclass(frozen=True, slots=True)
class LockState:
    """A lock that no unlock has followed: its entry's index, why, what to do, and since when (UTC)."""

    index: int
    reason: str
    do: str
    time: str


def head_window(origin_length: int) -> tuple[int, int]:
    """Where in a line the head of its payload lies, from somewhere in its root on; what is before is not needed."""
    return (_PAYLOAD_AT + (_TIME_AFTER + origin_length) // 3 * 4,
            _PAYLOAD_AT + (_HEAD_BYTES + origin_length + 2) // 3 * 4)


def glance(line: bytes, window: tuple[int, int]) -> Glance | None:
    """The watched fields of a line whose genuineness is shown elsewhere; None when its kind is of no concern here.

    Only the head of the payload is decoded: lines are written by this program in a fixed order of fields, and the
    signed root over them says that they still are as written. ``window`` is that of the log's origin.
    """
    head = _head(line, window)
    found = _HEAD.search(head)
    if found is not None:
        kind = _WATCHED.get(found[2])
        if kind is None:
            return None
        pattern, names = _FIELDS.get(kind, _NOTHING)
        values = pattern.match(head, found.end())
        if values is not None:
            return Glance(kind, found[1].decode(), dict(zip(names, _values(values), strict=True)),
                          line if kind in OF_UNIT and kind != "label" else b"")
    payload = read_payload(take_apart(line).payload)  # a long serial, or a kind whose fields are not at its head
    return Glance(payload["kind"], payload["time"], payload) if payload["kind"] in WATCHED else None


def kind_of(line: bytes, origin_length: int) -> str:
    """The kind that a line says it is of, without a look at its signature; empty when its head says nothing."""
    found = _HEAD.search(_head(line, head_window(origin_length)))
    return "" if found is None else found[2].decode()


def _head(line: bytes, window: tuple[int, int]) -> bytes:
    start, reach = window
    end = len(line) - _BEHIND_PAYLOAD
    return a2b_base64(line[start:reach if reach < end else end])


def _values(found: re.Match[bytes]) -> list[Any]:
    """The texts and counts that pieces of JSON stand for."""
    texts = found.groups()
    if b"\\" in found[0]:
        return [loads(text) for text in texts]
    return [text[1:-1].decode() if text[0] == 34 else int(text) for text in texts]


def same_fixture(bay: str, fixture: str, other: str) -> Refused:
    """Why nothing is tested at a bay: its plug is that of the fixture on which another bay tests a unit."""
    return Refused(f"The coded plug at {bay} is that of fixture {fixture}, and {other} tests a unit on it.",
                   "Two fixtures have the same plug, or relays are crossed: have maintenance check both.")


class RunBook:
    """All runs by index and by serial, which are open, and the lock, as they stand after the lines noted so far.

    ``latest`` is the latest time (UTC, ISO 8601) that an entry says, since a person last said that the clock is right.
    """

    def __init__(self) -> None:
        self.runs: dict[int, Run] = {}
        self.by_serial: dict[str, tuple[Run, ...]] = {}
        self.about: dict[str, tuple[AboutUnit, ...]] = {}
        self.open: dict[int, Run] = {}
        self.lock: LockState | None = None
        self.documents: list[Carried] = []
        self.mounted: dict[str, str] = {}  # by bay, where there are several, the fixture that was last found there
        self.latest = ""

    def note(self, index: int, leaf: bytes, seen: Glance) -> None:
        """Take in one entry; NotGenuine when it does not fit those before it."""
        try:
            self._note(index, leaf, seen.kind, seen.time, seen.fields)
            if seen.kind in OF_UNIT:
                serial = seen.fields["serial"]
                runs = self.by_serial.get(serial)
                serial = runs[0].serial if runs else serial  # one text for a unit, not one for each entry
                about = AboutUnit(index, seen.kind, seen.time, seen.fields, seen.line)
                self.about[serial] = (*self.about.get(serial, ()), about)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise NotGenuine(f"Entry {index} ({seen.kind}) does not fit the entries before it ({error!r}).",
                             "Run: eolseq audit on the log, and show its findings to quality.") from error

    def refuse_misfit(self, kind: str, fields: Mapping[str, Any]) -> None:
        """RecordFault when an entry about to be written does not fit those before it; nothing is noted."""
        wrong = ""
        if kind == "begin":
            earlier = len(self.by_serial.get(fields["serial"], ()))
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
        about = [each for each in self.about.get(serial, ()) if each.kind == "earlier_check"] if rests_on else []
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

    def labels(self, serial: str) -> tuple[LabelSeen, ...]:
        """Every entry about labels of a unit, oldest first."""
        return tuple(LabelSeen(each.index, *(each.payload[name] for name in LABEL_FIELDS))
                     for each in self.about.get(serial, ()) if each.kind == "label")

    def attempts(self, serial: str) -> list[EarlierAttempt]:
        """Every run on a unit so far, oldest first."""
        return [run.as_earlier() for run in self.by_serial.get(serial, ())]

    def first_unit_since(self, index: int, bay: str = "") -> datetime | None:
        """When the first run on a unit after an entry was begun, at a bay or in all; reference units are none."""
        first: Run | None = None
        for run in takewhile(lambda run: run.index > index, reversed(self.runs.values())):
            first = first if reserved(run.serial) or bay not in ("", run.bay) else run
        return None if first is None else datetime.fromisoformat(first.began)

    def withstand_applications(self, serial: str) -> int:
        """How often withstand voltage was put on a unit in all its attempts so far."""
        return sum(run.withstand_applications for run in self.by_serial.get(serial, ()))

    def open_runs(self) -> list[OpenRun]:
        """The runs that were begun and neither ended nor abandoned, oldest first."""
        return [OpenRun(run.index, run.serial, run.attempt, run.bay, run.mode, run.energised)
                for run in self.open.values()]

    def _miscounted(self, fields: Mapping[str, Any]) -> str:
        applied = self.withstand_applications(fields["serial"])
        if fields["withstand_applications"] == applied:
            return ""
        return f"withstand voltage was put on the unit {applied} times in this log"

    def _no_pass(self, fields: Mapping[str, Any]) -> str:
        """Why a label may not be printed: it stands on the last run of its unit, which ended as a pass and no trial."""
        runs, labels = self.by_serial.get(fields["serial"], ()), self.labels(fields["serial"])
        last = runs[-1] if runs else None
        if last is None or (last.closed_by, last.outcome, last.trial) != (fields["end"], "pass", "no"):
            return f"the last run on unit {fields['serial']} is no pass that entry {fields['end']} ended"
        copies = sum(each.event == "print" and each.of == fields["of"] for each in labels)
        return "" if fields["copy"] == copies + 1 else f"{copies} labels were printed for it in this log"

    def _note(self, index: int, leaf: bytes, kind: str, time: str, fields: Mapping[str, Any]) -> None:
        if time > self.latest or (kind == "clock" and fields.get("by")):
            self.latest = time
        if kind == "begin":
            earlier = self.by_serial.get(fields["serial"], ())
            run = Run(index, earlier[0].serial if earlier else fields["serial"], int(fields["attempt"]),
                      intern(fields["mode"]), intern(fields["trial"]), intern(fields["bay"]), time, leaf)
            self.runs[index] = self.open[index] = run
            self.by_serial[run.serial] = (*earlier, run)
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
        if kind in DOCUMENTS:
            self.documents.append(Carried(index, leaf, kind, fields))

    def _close(self, index: int, leaf: bytes, time: str, fields: Mapping[str, Any], outcome: str) -> None:
        run = self.open[fields["run"]]
        if run.serial != fields["serial"]:
            raise ValueError(f"it closes the run of {run.serial!r}")
        del self.open[run.index]
        run.outcome, run.ended, run.closed_by, run.leaf = intern(outcome), time, index, leaf

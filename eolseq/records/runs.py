"""What a log says about runs and the station's lock, kept while lines go by: cheap enough for every start."""

from __future__ import annotations

import re
from binascii import a2b_base64
from collections.abc import Mapping
from dataclasses import dataclass
from json import loads
from typing import Any, NamedTuple

from eolseq.errors import NotGenuine, RecordFault
from eolseq.records.entries import EarlierAttempt
from eolseq.records.envelope import ENTRY_TYPE, read_payload, take_apart

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
}
_NOTHING: tuple[re.Pattern[bytes], tuple[str, ...]] = (re.compile(b"(?!)"), ())
DOCUMENTS = frozenset({"genesis", "keys", "approval", "verification", "challenge", "unlock"})
"""Entries that say who may sign what, what is approved, and how the station was checked; kept whole."""
WATCHED = frozenset({"begin", "energise", "end", "abandon", "lock", "unlock", "clock", "recovery"}) | DOCUMENTS
WITHSTAND = "dielectric_withstand"
"""The kind of step that puts withstand voltage on a unit; each time counts, since each ages the insulation."""


class Glance(NamedTuple):
    """The few fields of an entry that this module needs."""

    kind: str
    time: str
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Carried:
    """An entry of DOCUMENTS: its index, leaf hash (32 bytes), kind and payload."""

    index: int
    leaf: bytes
    kind: str
    payload: Mapping[str, Any]


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


def glance(line: bytes, origin_length: int) -> Glance | None:
    """The watched fields of a line whose genuineness is shown elsewhere; None when its kind is of no concern here.

    Only the head of the payload is decoded: lines are written by this program in a fixed order of fields, and the
    signed root over them says that they still are as written.
    """
    head = _head(line, origin_length)
    found = _HEAD.search(head)
    if found is not None:
        kind = found[2].decode()
        if kind not in WATCHED:
            return None
        pattern, names = _FIELDS.get(kind, _NOTHING)
        values = pattern.match(head, found.end())
        if values is not None:
            return Glance(kind, found[1].decode(), dict(zip(names, map(_value, values.groups()), strict=True)))
    payload = read_payload(take_apart(line).payload)  # a long serial, or a kind whose fields are not at its head
    return Glance(payload["kind"], payload["time"], payload) if payload["kind"] in WATCHED else None


def kind_of(line: bytes, origin_length: int) -> str:
    """The kind that a line says it is of, without a look at its signature; empty when its head says nothing."""
    found = _HEAD.search(_head(line, origin_length))
    return "" if found is None else found[2].decode()


def _head(line: bytes, origin_length: int) -> bytes:
    """The head of a payload from somewhere in its root on; what is before says nothing that is needed here."""
    start = _PAYLOAD_AT + (_TIME_AFTER + origin_length) // 3 * 4
    reach = _PAYLOAD_AT + (_HEAD_BYTES + origin_length + 2) // 3 * 4
    return a2b_base64(line[start:min(reach, len(line) - _BEHIND_PAYLOAD)])


def _value(text: bytes) -> Any:
    """The text or count that a piece of JSON stands for."""
    if b"\\" in text:
        return loads(text)
    return text[1:-1].decode() if text[0] == 34 else int(text)


class RunBook:
    """All runs by index and by serial, which are open, and the lock, as they stand after the lines noted so far.

    ``latest`` is the latest time (UTC, ISO 8601) that an entry says, since a person last said that the clock is right.
    """

    def __init__(self) -> None:
        self.runs: dict[int, Run] = {}
        self.by_serial: dict[str, list[Run]] = {}
        self.open: dict[int, Run] = {}
        self.lock: LockState | None = None
        self.documents: list[Carried] = []
        self.latest = ""

    def note(self, index: int, leaf: bytes, seen: Glance) -> None:
        """Take in one entry; NotGenuine when it does not fit those before it."""
        try:
            self._note(index, leaf, seen.kind, seen.time, seen.fields)
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
        if wrong:
            raise RecordFault(f"An entry of kind {kind} cannot be written: {wrong}.",
                              "Nothing was written. This is a mistake in the program; report it.")

    def attempts(self, serial: str) -> list[EarlierAttempt]:
        """Every run on a unit so far, oldest first."""
        return [run.as_earlier() for run in self.by_serial.get(serial, ())]

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

    def _note(self, index: int, leaf: bytes, kind: str, time: str, fields: Mapping[str, Any]) -> None:
        if time > self.latest or (kind == "clock" and fields.get("by")):
            self.latest = time
        if kind == "begin":
            run = Run(index, fields["serial"], int(fields["attempt"]), fields["mode"], fields["trial"], fields["bay"],
                      time, leaf)
            self.runs[index] = self.open[index] = run
            self.by_serial.setdefault(run.serial, []).append(run)
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
        if kind in DOCUMENTS:
            self.documents.append(Carried(index, leaf, kind, fields))

    def _close(self, index: int, leaf: bytes, time: str, fields: Mapping[str, Any], outcome: str) -> None:
        run = self.open[fields["run"]]
        if run.serial != fields["serial"]:
            raise ValueError(f"it closes the run of {run.serial!r}")
        del self.open[run.index]
        run.outcome, run.ended, run.closed_by, run.leaf = outcome, time, index, leaf

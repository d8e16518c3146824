"""Runs, labels and other entries as a log tells of them, and the few fields of a line that say so at a glance."""

from __future__ import annotations

import re
from binascii import a2b_base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

from eolseq.errors import Refused
from eolseq.records.entries import EarlierAttempt
from eolseq.records.envelope import ENTRY_TYPE, read_payload, take_apart

_PAYLOAD_AT = len('{"payloadType":"') + len(ENTRY_TYPE) + len('","payload":"')
_BEHIND_PAYLOAD = len('","signatures":[{"keyid":"') + 16 + len('","sig":"') + 88 + len('"}]}')
_HEAD_BYTES = 372  # the fixed fields (about 260 bytes), run, outcome and a serial; the origin comes on top
_TIME_AFTER = 90  # bytes of the head that come before the time for certain, the origin not counted
# Within a text a quotation mark has a backslash before it, so these are the names of fields.
_TIME, _KIND = b'"time":"', b'"kind":"'
_PLAIN = rb'"([^"\\]*)"'  # a text with a backslash in it is left to those who read the whole payload
_FIELDS: dict[str, tuple[re.Pattern[bytes], Callable[..., dict[str, Any]]]] = {
    "begin": (re.compile(rb'"serial":%b,"attempt":([0-9]+),"mode":%b,"trial":%b,"bay":%b,' % ((_PLAIN,) * 4)),
               lambda serial, attempt, mode, trial, bay: {"serial": serial.decode(), "attempt": int(attempt),
                                                          "mode": mode.decode(), "trial": trial.decode(),
                                                          "bay": bay.decode()}),
    "energise": (re.compile(rb'"run":([0-9]+),"step":"[^"\\]*","kind_of_step":%b,' % _PLAIN),
                 lambda run, kind: {"run": int(run), "kind_of_step": kind.decode()}),
    "end": (re.compile(rb'"run":([0-9]+),"serial":%b,"outcome":%b,' % (_PLAIN, _PLAIN)),
            lambda run, serial, outcome: {"run": int(run), "serial": serial.decode(), "outcome": outcome.decode()}),
    "abandon": (re.compile(rb'"run":([0-9]+),"serial":%b,' % _PLAIN),
                lambda run, serial: {"run": int(run), "serial": serial.decode()}),
    "label": (re.compile(rb'"serial":%b,"event":%b,"end":([0-9]+),"copy":([0-9]+),"of":%b,' % ((_PLAIN,) * 3)),
              lambda serial, event, end, copy, of: {"serial": serial.decode(), "event": event.decode(),
                                                    "end": int(end), "copy": int(copy), "of": of.decode()}),
    **{kind: (re.compile(rb'"serial":%b,' % _PLAIN), lambda serial: {"serial": serial.decode()})
       for kind in ("void", "earlier_check")},
}
DOCUMENTS = frozenset({"genesis", "keys", "approval", "verification", "challenge", "unlock", "people", "rework",
                       "release", "fixture"})
"""Entries that say who may sign, test or release what, what is approved, how the station was checked."""
OF_UNIT = frozenset({"rework", "release", "void", "label", "earlier_check"})
"""Entries about one unit outside its runs; their first field is its serial, by which they are found."""
KEPT_WHOLE = DOCUMENTS | OF_UNIT
"""Entries of which the whole payload is read when it is asked for."""
WATCHED = frozenset({"begin", "energise", "end", "abandon", "lock", "unlock", "clock", "recovery"}) | KEPT_WHOLE
_WATCHED = {kind.encode(): kind for kind in WATCHED}
WITHSTAND = "dielectric_withstand"
"""The kind of step that puts withstand voltage on a unit; each time counts, since each ages the insulation."""


class Glance(NamedTuple):
    """The few fields of an entry that a book of runs needs."""

    kind: str
    time: str
    fields: Mapping[str, Any]


Payload = Mapping[str, Any] | Callable[[], Mapping[str, Any]]
"""The fields of an entry, or how they are read when they are first asked for."""


class _Entry:
    """An entry of which the payload is read when it is first asked for."""

    __slots__ = ("_payload", "index", "kind")

    def __init__(self, index: int, kind: str, payload: Payload) -> None:
        self.index, self.kind, self._payload = index, kind, payload

    @property
    def payload(self) -> Mapping[str, Any]:
        """The fields of the entry; RecordFault when its line is not what it was as the log was opened."""
        if callable(self._payload):
            self._payload = self._payload()
        return self._payload


class Carried(_Entry):
    """An entry of DOCUMENTS: its index, leaf hash (32 bytes), kind and payload."""

    __slots__ = ("leaf",)

    def __init__(self, index: int, leaf: bytes, kind: str, payload: Payload) -> None:
        super().__init__(index, kind, payload)
        self.leaf = leaf


LABEL_FIELDS = ("event", "end", "copy", "of")
"""What is kept of a label's entry."""


class AboutUnit(_Entry):
    """An entry of OF_UNIT: its index, kind, time and payload; of a label's payload LABEL_FIELDS alone."""

    __slots__ = ("time",)

    def __init__(self, index: int, kind: str, time: str, payload: Payload) -> None:
        super().__init__(index, kind, payload)
        self.time = time


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


@lru_cache(8)
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
    at = head.find(_KIND) + len(_KIND)
    if at >= len(_KIND):
        ends = head.find(34, at)
        kind = _WATCHED.get(head[at:ends])
        if kind is None:
            return None
        known = _FIELDS.get(kind)
        found = known[0].match(head, ends + 2) if known is not None else None
        time = head.find(_TIME) + len(_TIME)
        if known is not None and found is not None and time >= len(_TIME):
            return Glance(kind, head[time:head.find(34, time)].decode(), known[1](*found.groups()))
    payload = read_payload(take_apart(line).payload)  # a long or odd serial, or a kind of few
    return Glance(payload["kind"], payload["time"], payload) if payload["kind"] in WATCHED else None


def kind_of(line: bytes, origin_length: int) -> str:
    """The kind that a line says it is of, without a look at its signature; empty when its head says nothing."""
    head = _head(line, head_window(origin_length))
    at = head.find(_KIND) + len(_KIND)
    return "" if at < len(_KIND) else head[at:head.find(34, at)].decode()


def _head(line: bytes, window: tuple[int, int]) -> bytes:
    start, reach = window
    end = len(line) - _BEHIND_PAYLOAD
    return a2b_base64(line[start:reach if reach < end else end])


def same_fixture(bay: str, fixture: str, other: str) -> Refused:
    """Why nothing is tested at a bay: its plug is that of the fixture on which another bay tests a unit."""
    return Refused(f"The coded plug at {bay} is that of fixture {fixture}, and {other} tests a unit on it.",
                   "Two fixtures have the same plug, or relays are crossed: have maintenance check both.")

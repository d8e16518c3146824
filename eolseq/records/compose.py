"""From an entry to the signed line that goes into the log, and nothing that an auditor would not read back the same."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC
from functools import cache
from operator import attrgetter
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import NotGenuine, RecordFault
from eolseq.records.entries import Entry
from eolseq.records.envelope import LONGEST_LINE, read_payload, seal_entry
from eolseq.records.keys import SigningKey

_LIKE_A_FLOAT = re.compile(r"[:,\[]-?[0-9]+[.eE]")


def utc_text(clock: Clock) -> str:
    """The wall clock's time as the log writes it: UTC, ISO 8601, microseconds; such texts sort by time."""
    now = clock.now()
    if now.tzinfo is not UTC:
        now = now.astimezone(UTC)
    return now.isoformat(timespec="microseconds")[:-6] + "Z"


class Composer:
    """Makes the lines of one log, signed by its station."""

    def __init__(self, origin: str, key: SigningKey, clock: Clock, boot: str) -> None:
        self._begins = f'{{"v":1,"origin":{_ENCODER.encode(origin)},"index":'
        self._boot = _ENCODER.encode(boot)
        self._key, self._clock = key, clock

    def payload(self, entry: Entry, values: Mapping[str, Any], index: int, root: bytes, time: str) -> bytes:
        """The payload of an entry with these values of its fields; RecordFault when it cannot be one."""
        head = (f'{self._begins}{index},"root":"{root.hex()}","time":"{time}","boot":{self._boot},'
                f'"mono":"{self._clock.monotonic():.6f}","kind":"{entry.kind}"')
        try:
            body = _json(values)
            text = (f"{head},{body[1:]}" if values else head + "}").encode()
            if _LIKE_A_FLOAT.search(body):  # in a text, or a float: look at it as an auditor will
                read_payload(text)
        except (TypeError, ValueError, NotGenuine) as error:
            raise RecordFault(
                f"An entry of kind {entry.kind} cannot be written: {error}",
                "Nothing was written. This is a mistake in the program or in a file; report it.") from error
        return text

    def line(self, kind: str, payload: bytes) -> bytes:
        """The signed line without its newline; RecordFault when it is too long for one."""
        line = seal_entry(payload, self._key)
        if len(line) > LONGEST_LINE:
            raise RecordFault(f"An entry of kind {kind} needs {len(line)} bytes; {LONGEST_LINE} is the most.",
                              "Nothing was written. Shorten the sequence or its texts.")
        return line


def values_of(entry: object) -> dict[str, Any]:
    """The fields of an entry by name, in their order."""
    kind: Any = type(entry)
    names, take = _fields(kind)
    values = take(entry)
    if dict in map(type, values):
        _refuse_keys(values)
    return dict(zip(names, values, strict=True))


def _plain(value: object) -> object:
    kind: Any = type(value)
    if is_dataclass(kind):
        return values_of(value)
    if not isinstance(value, Mapping):
        raise TypeError(f"{kind.__name__} is not text, a count or null")
    _refuse_keys((dict(value),))
    return dict(value)


def _refuse_keys(values: Iterable[object]) -> None:
    """JSON would turn 1 and "1" into one and the same key."""
    for value in values:
        if type(value) is dict and not all(type(key) is str for key in value):
            raise RecordFault("An entry cannot be written: a name in it is not text.",
                              "Nothing was written. This is a mistake in the program; report it.")


@cache
def _fields(kind: Any) -> tuple[tuple[str, ...], Callable[[object], tuple[Any, ...]]]:
    """The names of a kind's fields, and what takes their values from an entry all at once."""
    names = tuple(each.name for each in fields(kind))
    if len(names) == 1:
        return names, lambda entry: (getattr(entry, names[0]),)
    return names, attrgetter(*names)


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)


def _json(value: object) -> str:
    """The JSON text of a value by the encoder's quick half, made once rather than for every text."""
    return "".join(_QUICK(value, 0)) if _QUICK is not None else _ENCODER.encode(value)


def _quick() -> Callable[[object, int], tuple[str, ...]] | None:
    make: Any = getattr(json.encoder, "c_make_encoder", None)
    escape: Any = getattr(json.encoder, "encode_basestring", None)
    if make is None or escape is None:
        return None  # an interpreter without it
    quick: Callable[[object, int], tuple[str, ...]] = make(None, _plain, escape, None, ":", ",", False, False, False)
    return quick


_QUICK = _quick()

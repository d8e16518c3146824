"""From an entry to the signed line that goes into the log, and nothing that an auditor would not read back the same."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import NotGenuine, RecordFault
from eolseq.records.entries import Entry
from eolseq.records.envelope import LONGEST_LINE, read_payload, seal
from eolseq.records.keys import SigningKey

_LIKE_A_FLOAT = re.compile(r"[:,\[]-?[0-9]+[.eE]")


def utc_text(clock: Clock) -> str:
    """The wall clock's time as the log writes it: UTC, ISO 8601, microseconds; such texts sort by time."""
    return clock.now().astimezone(UTC).isoformat(timespec="microseconds").removesuffix("+00:00") + "Z"


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
            body = _ENCODER.encode(values)
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
        line = seal(payload, self._key)
        if len(line) > LONGEST_LINE:
            raise RecordFault(f"An entry of kind {kind} needs {len(line)} bytes; {LONGEST_LINE} is the most.",
                              "Nothing was written. Shorten the sequence or its texts.")
        return line


def values_of(entry: Entry) -> dict[str, Any]:
    """The fields of an entry by name, in their order."""
    values = {name: getattr(entry, name) for name in _names(entry)}
    for value in values.values():
        if type(value) is dict:
            _refuse_keys(value)
    return values


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _checked(getattr(value, name)) for name in _names(value)}
    if isinstance(value, Mapping):
        return _checked(dict(value))
    raise TypeError(f"{type(value).__name__} is not text, a count or null")


def _checked(value: object) -> object:
    if type(value) is dict:
        _refuse_keys(value)
    return value


def _refuse_keys(value: dict[Any, Any]) -> None:
    """JSON would turn 1 and "1" into one and the same key."""
    if not all(type(key) is str for key in value):
        raise RecordFault("An entry cannot be written: a name in it is not text.",
                          "Nothing was written. This is a mistake in the program; report it.")


def _names(value: object) -> tuple[str, ...]:
    kind: Any = type(value)
    names = _FIELD_NAMES.get(kind)
    if names is None:
        names = _FIELD_NAMES[kind] = tuple(each.name for each in fields(kind))
    return names


_FIELD_NAMES: dict[type, tuple[str, ...]] = {}
_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)

"""Whose log it is, and whether a line of it is what it should be: signed, at its place, written on the lines before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, BinaryIO

from eolseq.errors import NotGenuine
from eolseq.records.envelope import LONGEST_LINE, open_entry, read_payload, take_apart
from eolseq.records.keys import STATION_ROLES, PublicKey, read_registry
from eolseq.records.merkle import EMPTY_ROOT

AUDIT_FIRST = "Run: eolseq audit on the log, keep a copy of the folder as it is, and show both to quality."


@dataclass(frozen=True, slots=True)
class Identity:
    """Whose log it is: the origin, the key that signs every line, and in which role."""

    origin: str
    key: PublicKey
    role: str

    @property
    def keys(self) -> dict[str, PublicKey]:
        """The keys that may sign a line of this log, by short name."""
        return {self.key.keyid: self.key}


def lines(stream: BinaryIO) -> Iterator[bytes]:
    """The stream's lines with their newline; a piece without one is over-long or the torn end of the file."""
    return iter(partial(stream.readline, LONGEST_LINE + 1), b"")


def read_genesis(line: bytes) -> tuple[Identity, dict[str, Any]]:
    """Whose log begins with this line (without newline), and its payload; NotGenuine when it is no first line."""
    payload = read_payload(take_apart(line).payload)
    registered = [key for key in read_registry(payload.get("registry")).values() if key.role in STATION_ROLES]
    origin = payload.get("origin")
    if len(registered) != 1 or not isinstance(origin, str) or not origin.endswith("/" + registered[0].key.keyid):
        raise NotGenuine("The first entry names no station key that fits its origin.", AUDIT_FIRST)
    identity = Identity(origin, registered[0].key, registered[0].role)
    checked = check_line(line, identity, 0, EMPTY_ROOT)
    if checked.get("kind") != "genesis":
        raise NotGenuine("The first entry is not a log's beginning.", AUDIT_FIRST)
    return identity, checked


def check_line(line: bytes, identity: Identity, index: int, root: bytes) -> dict[str, Any]:
    """The payload of a line that is signed, of this log, and stands at its index on this root; else NotGenuine."""
    payload = open_entry(line, identity.keys)
    check_place(payload, identity.origin, index, root.hex())
    return payload


def check_place(payload: dict[str, Any], origin: str, index: int, root: str) -> None:
    """NotGenuine unless a signed payload is of this log, stands at its index and was written on this root (hex)."""
    if payload.get("v") != 1 or payload.get("origin") != origin:
        raise NotGenuine("The line belongs to another log.")
    if type(payload.get("index")) is not int or payload["index"] != index:
        raise NotGenuine(f"The line says it is entry {str(payload.get('index'))[:20]}; entry {index} belongs here.")
    if payload.get("root") != root:
        raise NotGenuine(f"Entry {index} was written after other lines than those before it.")
    if not isinstance(payload.get("kind"), str) or not isinstance(payload.get("time"), str):
        raise NotGenuine(f"Entry {index} has no kind or no time.")

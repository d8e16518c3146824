"""Scars: what a crash left of an unfinished line, and how a reader steps over exactly that.

No byte is removed. The next entry, of kind ``recovery``, commits the debris: from which byte, how many, and their
SHA-256. The debris ends where the recovery's own line begins. Debris is only what no key of the station signed: a rest
that holds a signed line was damaged inside, and is never stepped over.
"""

from __future__ import annotations

from binascii import Error as Base64Error
from collections.abc import Iterator
from enum import Enum
from hashlib import sha256
from typing import Any, BinaryIO, NamedTuple

from eolseq.errors import NotGenuine
from eolseq.records.envelope import ENTRY_TYPE, LONGEST_LINE, envelope_at, open_entry
from eolseq.records.genuine import Identity, check_line, check_place, lines
from eolseq.records.runs import kind_of

LINE_BEGINS = b'{"payloadType":"' + ENTRY_TYPE.encode() + b'","payload":"'
LINE_ENDS = b'"}]}\n'


class Scar(NamedTuple):
    """Debris that an entry of kind ``recovery`` commits: its first byte, its length and its SHA-256 (hex)."""

    offset: int
    length: int
    sha256: str


class Rest(Enum):
    """What the bytes after the last line that stands are."""

    TORN = "torn"
    """The debris of a write that a crash cut off."""
    UNFINISHED = "unfinished"
    """A whole line, signed and in place, of which only the newline is missing."""
    DAMAGED = "damaged"
    """Lines that were acknowledged, of which a part was changed or lost."""


def looks_whole(line: bytes) -> bool:
    """Whether a piece of the file (with its newline) begins and ends as a line does; its inside is not looked at."""
    return line.endswith(LINE_ENDS) and line.startswith(LINE_BEGINS) and b"\0" not in line


def committed(payload: dict[str, Any]) -> Scar | None:
    """The debris that an entry commits; None when it is no recovery or a malformed one."""
    offset, length, digest = (payload.get(name) for name in ("offset", "length", "sha256"))
    if payload.get("kind") != "recovery" or type(offset) is not int or type(length) is not int:
        return None
    return Scar(offset, length, digest) if isinstance(digest, str) else None


def find_recovery(stream: BinaryIO, offset: int, identity: Identity, index: int, root: bytes,
                  ) -> tuple[Scar, bytes, dict[str, Any]] | None:
    """The debris from a byte on, and the line (without newline) and payload of the recovery at ``index`` after it.

    The stream then stands behind that line. None when no genuine recovery commits exactly the bytes before it.
    """
    stream.seek(offset)
    digest, length = sha256(), 0
    for line in lines(stream):
        if length and looks_whole(line) and _is_recovery(line, len(identity.origin.encode())):
            payload = _genuine(line[:-1], identity, index, root)
            if payload is not None and committed(payload) == (offset, length, digest.hexdigest()):
                return Scar(offset, length, digest.hexdigest()), line[:-1], payload
        digest.update(line)
        length += len(line)
    return None


def judge_rest(stream: BinaryIO, offset: int, identity: Identity, index: int, root: bytes) -> Rest:
    """What stands from a byte to the end of the file, after ``index`` good lines with this root.

    A signed line behind which there is nothing, or nothing but zeros, may be the write that a crash cut off, if it is
    in its place; any other signed line shows that an acknowledged one is hurt.
    """
    stream.seek(offset)
    found: list[tuple[int, int, dict[str, Any]]] = []
    for at, size, payload in _signed_envelopes(stream, identity):
        found.append((at, size, payload))
        if len(found) > 1 or not _in_place(payload, identity, index, root):
            return Rest.DAMAGED
    if not found:
        return Rest.TORN
    at, size, payload = found[0]
    stream.seek(offset + at + size)
    behind = stream.read(LONGEST_LINE + 1)
    if at and not _follows(stream, offset, at, payload):
        return Rest.DAMAGED
    if not behind:
        return Rest.UNFINISHED
    stream.seek(offset + at + size + len(behind))
    while behind and not behind.strip(b"\0"):
        behind = stream.read(LONGEST_LINE + 1)
    return Rest.DAMAGED if behind else Rest.TORN


def signed_inside(stream: BinaryIO, scar: Scar, identity: Identity) -> dict[str, Any] | None:
    """The payload of a signed line that stands within a scar; None when there is none, as there should be."""
    for at, _, payload in _signed_envelopes(stream, identity, scar.offset):
        return payload if at < scar.length else None
    return None


def _follows(stream: BinaryIO, offset: int, length: int, payload: dict[str, Any]) -> bool:
    """Whether an entry is the recovery of exactly the bytes before it."""
    stream.seek(offset)
    return committed(payload) == (offset, length, sha256(stream.read(length)).hexdigest())


def _signed_envelopes(stream: BinaryIO, identity: Identity, start: int | None = None,
                      ) -> Iterator[tuple[int, int, dict[str, Any]]]:
    """Every envelope with a valid signature in the rest of the stream: where it begins, its bytes, its payload."""
    if start is not None:
        stream.seek(start)
    kept, kept_at, beyond = b"", 0, -1
    for piece in lines(stream):
        buffer = kept + piece
        at = buffer.find(LINE_BEGINS)
        while at >= 0:
            envelope = envelope_at(buffer, at)
            payload = None if envelope is None or kept_at + at <= beyond else _signed(envelope, identity)
            if envelope is not None and payload is not None:
                beyond = kept_at + at
                yield kept_at + at, len(envelope), payload
            at = buffer.find(LINE_BEGINS, at + 1)
        tail = b"" if piece.endswith(b"\n") else buffer[-LONGEST_LINE:]
        kept_at, kept = kept_at + len(buffer) - len(tail), tail


def _signed(envelope: bytes, identity: Identity) -> dict[str, Any] | None:
    try:
        return open_entry(envelope, identity.keys)
    except NotGenuine:
        return None


def _genuine(line: bytes, identity: Identity, index: int, root: bytes) -> dict[str, Any] | None:
    try:
        return check_line(line, identity, index, root)
    except NotGenuine:
        return None


def _in_place(payload: dict[str, Any], identity: Identity, index: int, root: bytes) -> bool:
    try:
        check_place(payload, identity.origin, index, root.hex())
    except NotGenuine:
        return False
    return True


def _is_recovery(line: bytes, origin_length: int) -> bool:
    try:
        return kind_of(line, origin_length) == "recovery"
    except (Base64Error, ValueError):
        return False

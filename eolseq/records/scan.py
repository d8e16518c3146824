"""Reading a log at the speed of hashing, and telling a torn end from a damaged inside.

The last line's signature covers the root over all lines before it. So one signature and one pass of SHA-256 say that
every earlier line is still as it was written; checking each line's own signature is the audit's work.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO

from eolseq.errors import LogTorn, NotGenuine, RecordFault
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.envelope import LONGEST_LINE, open_entry, read_payload, take_apart
from eolseq.records.keys import STATION_ROLES, PublicKey, read_registry
from eolseq.records.merkle import EMPTY_ROOT, CompactRange, leaf_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.runs import RunBook, glance

LOG_NAME = "log.jsonl"
CHECKPOINT_NAME = "checkpoint"
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


@dataclass(slots=True)
class Scan:
    """A log read to its last whole line: its owner, tree and runs; ``tail`` counts the bytes after the last newline."""

    path: Path
    identity: Identity
    tree: CompactRange = field(default_factory=CompactRange)
    book: RunBook = field(default_factory=RunBook)
    length: int = 0
    tail: int = 0
    last_time: str = ""


def lines(stream: BinaryIO) -> Iterator[bytes]:
    """The stream's lines with their newline; a piece without one is over-long or the torn end of the file."""
    return iter(lambda: stream.readline(LONGEST_LINE + 1), b"")


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
    if payload.get("v") != 1 or payload.get("origin") != identity.origin:
        raise NotGenuine("The line belongs to another log.")
    if type(payload.get("index")) is not int or payload["index"] != index:
        raise NotGenuine(f"The line says it is entry {str(payload.get('index'))[:20]}; entry {index} belongs here.")
    if payload.get("root") != root.hex():
        raise NotGenuine(f"Entry {index} was written after other lines than those before it.")
    if not isinstance(payload.get("kind"), str) or not isinstance(payload.get("time"), str):
        raise NotGenuine(f"Entry {index} has no kind or no time.")
    return payload


def scan(path: Path) -> Scan:
    """Read a log and check it against its own last line and its checkpoint; LogTorn or RecordFault when it fails.

    A last piece without a newline is counted, not refused: it may be an append going on at this moment.
    """
    try:
        checkpoint_note = read_if_there(path.with_name(CHECKPOINT_NAME))
        with path.open("rb") as stream:
            return _scan(path, stream, checkpoint_note)
    except OSError as error:
        raise RecordFault(f"The log {path} cannot be read: {error.strerror}.", "Check the disk and folder.") from error


def _scan(path: Path, stream: BinaryIO, note: bytes | None) -> Scan:
    first = stream.readline(LONGEST_LINE + 1)
    if not first.endswith(b"\n"):
        raise RecordFault(f"{path} is not a log: it has no first entry.", AUDIT_FIRST)
    try:
        found = Scan(path, read_genesis(first[:-1])[0])
    except RecordFault as error:
        raise RecordFault(f"{path} is not a log that can be trusted: {error.what}", AUDIT_FIRST) from error
    checkpoint = _checkpoint(note, found.identity, path)
    stream.seek(0)
    try:
        past = _pass(found, stream, checkpoint.size)
    except NotGenuine as error:
        raise _verdict(found, checkpoint, error) from error
    _hold_against(found, checkpoint, past)
    return found


def _pass(found: Scan, stream: BinaryIO, want: int) -> bytes | None:
    """Hash every line, note the runs, check the last line; the root at the wanted size, None if never reached."""
    tree, book, origin_length = found.tree, found.book, len(found.identity.origin.encode())
    previous = leaf = b""
    past = None
    for number, line in enumerate(lines(stream), 1):
        if len(line) > LONGEST_LINE and line[-1] != 10:
            raise NotGenuine(f"Line {number} is over-long.")
        if line[-1] != 10:
            found.tail = len(line) + sum(len(piece) for piece in lines(stream))
            break
        if previous:
            tree.append(leaf)
            if tree.size == want:
                past = tree.root()
        previous = line[:-1]
        leaf = sha256(b"\x00" + previous).digest()
        found.length += len(line)
        try:
            seen = glance(previous, origin_length)
        except (ValueError, KeyError, TypeError) as error:
            raise NotGenuine(f"Line {number} is not an entry.") from error
        if seen is not None:
            book.note(tree.size, leaf, seen)
    found.last_time = check_line(previous, found.identity, tree.size, tree.root())["time"]
    tree.append(leaf)
    return tree.root() if tree.size == want else past


def _checkpoint(note: bytes | None, identity: Identity, path: Path) -> Checkpoint:
    """The log's checkpoint; a log that never had one can only be at its first entry."""
    if note is None:
        return Checkpoint(identity.origin, 0, EMPTY_ROOT)
    try:
        return open_checkpoint(note, NoteVerifier(identity.origin, identity.key))
    except NotGenuine as error:
        raise RecordFault(f"The checkpoint beside {path} cannot be trusted: {error.what}", AUDIT_FIRST) from error


def _hold_against(found: Scan, checkpoint: Checkpoint, past: bytes | None) -> None:
    if checkpoint.size == 0 and found.tree.size > 1:
        raise RecordFault(f"The checkpoint beside {found.path} is missing.",
                          "Put it back from the last copy; without one, move the folder aside and give it to quality.")
    if checkpoint.size > found.tree.size:
        raise RecordFault(
            f"The log {found.path} has {found.tree.size} entries, but its checkpoint says {checkpoint.size}: "
            "its end is missing.", AUDIT_FIRST)
    if checkpoint.size and past != checkpoint.root:
        raise RecordFault(f"The log {found.path} is not the one its checkpoint was made of.", AUDIT_FIRST)


def _verdict(found: Scan, checkpoint: Checkpoint, error: NotGenuine) -> RecordFault:
    """Torn at the end, or damaged inside: look at every line's signature, which only a failed log costs."""
    with found.path.open("rb") as stream:
        size, offset, kept = _valid_prefix(found.identity, stream)
        stream.seek(offset)
        signed = any(_is_signed(line, found.identity) for line in lines(stream))
    rest = found.path.stat().st_size - offset
    if signed or size < checkpoint.size or not rest:
        return RecordFault(f"The log {found.path} is damaged at line {size + 1} (byte {offset}): {kept or error.what}",
                           AUDIT_FIRST)
    return torn(found.path, size, offset, rest)


def torn(path: Path, size: int, offset: int, rest: int) -> LogTorn:
    """The refusal of a log whose last line a crash left unfinished."""
    return LogTorn(f"The log {path} ends in {rest} bytes that a crash left after entry {size - 1}, at byte {offset}.",
                   "Nothing acknowledged is lost, and nothing may be deleted: keep the folder, and show it to quality.")


def _valid_prefix(identity: Identity, stream: BinaryIO) -> tuple[int, int, str]:
    """Number and bytes of the lines that stand, each checked in full, and what is wrong with the next."""
    tree, offset = CompactRange(), 0
    for line in lines(stream):
        try:
            if line[-1] != 10:
                raise NotGenuine("The line has no end.")
            check_line(line[:-1], identity, tree.size, tree.root())
        except NotGenuine as error:
            return tree.size, offset, error.what
        tree.append(leaf_hash(line[:-1]))
        offset += len(line)
    return tree.size, offset, ""


def _is_signed(line: bytes, identity: Identity) -> bool:
    try:
        open_entry(line.removesuffix(b"\n"), identity.keys)
    except NotGenuine:
        return False
    return line[-1] == 10


def read_if_there(path: Path) -> bytes | None:
    """The content of a file; None when there is no such file."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None

"""Reading a log at the speed of hashing, and telling a torn end from a damaged inside.

The last line's signature covers the root over all lines before it. So one signature and one pass of SHA-256 say that
every earlier line is still as it was written; checking each line's own signature is the audit's work.
"""

from __future__ import annotations

import gc
import os
from binascii import Error as Base64Error
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO

from eolseq.errors import NotGenuine, RecordFault
from eolseq.records.book import RunBook
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.envelope import LONGEST_LINE
from eolseq.records.genuine import AUDIT_FIRST, Identity, check_line, lines, read_genesis
from eolseq.records.merkle import EMPTY_ROOT, CompactRange, leaf_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.runs import glance, head_window
from eolseq.records.scars import LINE_BEGINS, LINE_ENDS, Rest, Scar, find_recovery, judge_rest

LOG_NAME = "log.jsonl"
CHECKPOINT_NAME = "checkpoint"
_READ_AT_ONCE = 1 << 18  # bytes
_LEAF = sha256(b"\x00")
_LEAVES_AT_ONCE = 4096  # leaf hashes that wait for the tree, which takes many at a time for half the work


@dataclass(slots=True)
class Scan:
    """A log read to its last line that stands: its owner, tree, runs and scars.

    ``tail`` counts the bytes after that line: debris of a crash or, when nobody holds the log's lock, an append going
    on at this moment. ``unfinished`` says that these bytes are a whole signed line but for its newline.
    ``stamp`` is which file it was, how long, and when last changed, as the reading began; ``note`` its checkpoint.
    """

    path: Path
    identity: Identity
    tree: CompactRange = field(default_factory=CompactRange)
    book: RunBook = field(init=False)
    scars: list[Scar] = field(default_factory=list)
    length: int = 0
    tail: int = 0
    unfinished: bool = False
    last_time: str = ""
    stamp: tuple[int, ...] = ()
    note: bytes | None = None

    def __post_init__(self) -> None:
        self.book = RunBook(self.path)


def scan(path: Path) -> Scan:
    """Read a log and check it against its own last line and its checkpoint; RecordFault when it was damaged."""
    try:
        for last in (False, False, True):
            note, size = read_if_there(path.with_name(CHECKPOINT_NAME)), path.stat().st_size
            try:
                with path.open("rb", _READ_AT_ONCE) as stream:
                    return _scan(path, stream, note)
            except RecordFault:
                if last or path.stat().st_size == size:
                    raise  # else a station wrote while this looked on: half a line seen is no damage
    except OSError as error:
        raise RecordFault(f"The log {path} cannot be read: {error.strerror}.", "Check the disk and folder.") from error
    raise RecordFault(f"The log {path} does not hold still.", "Look again.")


def as_read(found: Scan) -> bool:
    """Whether log and checkpoint are still the files that were read, so that a second pass would find the same.

    A change that leaves no trace in the file's times could as well come right after a second pass.
    """
    try:
        now = _stamp(found.path.stat()), read_if_there(found.path.with_name(CHECKPOINT_NAME))
    except OSError:
        return False
    return now == (found.stamp, found.note) and not found.tail and not found.book.fault


def _stamp(kept: os.stat_result) -> tuple[int, ...]:
    return kept.st_dev, kept.st_ino, kept.st_size, kept.st_mtime_ns, kept.st_ctime_ns


def _scan(path: Path, stream: BinaryIO, note: bytes | None) -> Scan:
    stamp = _stamp(os.fstat(stream.fileno()))
    first = stream.readline(LONGEST_LINE + 1)
    if not first.endswith(b"\n"):
        raise RecordFault(f"{path} is not a log: it has no first entry.", AUDIT_FIRST)
    try:
        identity = read_genesis(first[:-1])[0]
    except RecordFault as error:
        raise RecordFault(f"{path} is not a log that can be trusted: {error.what}", AUDIT_FIRST) from error
    checkpoint = _checkpoint(note, identity, path)
    collecting = gc.isenabled()
    gc.disable()  # what the pass keeps has no cycles; looking through it again and again is a tenth of the time
    try:
        found, past = _pass(Scan(path, identity), stream, checkpoint.size)
    except NotGenuine as error:
        found, past = _slow_pass(Scan(path, identity), stream, checkpoint.size, error)
    finally:
        if collecting:
            gc.enable()
    found.stamp, found.note = stamp, note
    found.book.settle()
    _judge_tail(found, stream, checkpoint)
    _hold_against(found, checkpoint, past)
    return found


def _pass(found: Scan, stream: BinaryIO, want: int) -> tuple[Scan, bytes | None]:
    """Hash every line, note the runs, check the last line; and the root at the wanted size, None if never reached."""
    tree, book, window = found.tree, found.book, head_window(len(found.identity.origin.encode()))
    previous = leaf = b""
    leaves: list[bytes] = []  # of the lines before the previous one, not yet in the tree
    past = None
    index = offset = 0
    stream.seek(0)
    for line in lines(stream):
        # What does not look whole is debris, or damage: only a recovery entry right after it tells.
        whole = line.endswith(LINE_ENDS) and line.startswith(LINE_BEGINS) and b"\0" not in line
        if not whole:
            found.last_time = _check_last(found, leaves, previous)
        if previous:
            leaves.append(leaf)
            index += 1
            if index == want or len(leaves) == _LEAVES_AT_ONCE or not whole:
                tree.extend(leaves)
                leaves.clear()
                past = tree.root() if index == want else past
        if whole:
            previous = line[:-1]
        else:
            skipped = find_recovery(stream, offset, found.identity, tree.size, tree.root())
            if skipped is None:
                found.tail = len(line)
                return found, past
            found.scars.append(skipped[0])
            offset, previous = offset + skipped[0].length, skipped[1]
        hashed = _LEAF.copy()  # what leaf_hash does, without a copy of the line
        hashed.update(previous)
        leaf = hashed.digest()
        found.length = offset = offset + len(previous) + 1
        try:
            seen = glance(previous, window)
        except (ValueError, KeyError, TypeError) as error:
            raise NotGenuine(f"Line {index + 1} is not an entry.") from error
        if seen is not None:
            if whole and seen.kind == "recovery":
                raise NotGenuine(f"Entry {index} commits debris that does not stand before it.")
            size = len(previous)
            book.note(index, leaf, seen, offset - size - 1, size)
    found.last_time = _check_last(found, leaves, previous)
    tree.append(leaf)
    return found, tree.root() if tree.size == want else past


def _check_last(found: Scan, leaves: list[bytes], line: bytes) -> str:
    """Put what is left of the leaves into the tree and check the line that follows them; the time that it says."""
    found.tree.extend(leaves)
    leaves.clear()
    time: str = check_line(line, found.identity, found.tree.size, found.tree.root())["time"]
    return time


def _slow_pass(found: Scan, stream: BinaryIO, want: int, error: NotGenuine) -> tuple[Scan, bytes | None]:
    """Check every line's signature until one does not stand: only a log in doubt costs this."""
    tree, window = found.tree, head_window(len(found.identity.origin.encode()))
    past = None
    stream.seek(0)
    for line in lines(stream):
        try:
            if line[-1] != 10:
                raise NotGenuine("The line has no end.")
            payload, good = check_line(line[:-1], found.identity, tree.size, tree.root()), line[:-1]
            if payload["kind"] == "recovery":
                raise NotGenuine("It commits debris that does not stand before it.")
        except NotGenuine:
            skipped = find_recovery(stream, found.length, found.identity, tree.size, tree.root())
            if skipped is None:
                found.tail = len(line)
                break
            scar, good, payload = skipped
            found.scars.append(scar)
            found.length += scar.length
        leaf = leaf_hash(good)
        try:
            seen = glance(good, window)
        except (Base64Error, ValueError, KeyError, TypeError):
            raise error from None
        if seen is not None:
            found.book.note(tree.size, leaf, seen, found.length, len(good))
        tree.append(leaf)
        found.last_time, found.length = payload["time"], found.length + len(good) + 1
        if tree.size == want:
            past = tree.root()
    return found, past


def _judge_tail(found: Scan, stream: BinaryIO, checkpoint: Checkpoint) -> None:
    """Measure what lies behind the last line that stands; RecordFault when it is more than the debris of a crash."""
    if not found.tail:
        return
    found.tail = os.fstat(stream.fileno()).st_size - found.length
    rest = judge_rest(stream, found.length, found.identity, found.tree.size, found.tree.root())
    if rest is Rest.DAMAGED or found.tree.size < checkpoint.size:
        raise RecordFault(f"The log {found.path} is damaged at line {found.tree.size + 1} (byte {found.length}): the "
                          "line there is not as the station signed it, and it was acknowledged.", AUDIT_FIRST)
    found.unfinished = rest is Rest.UNFINISHED


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


def read_if_there(path: Path) -> bytes | None:
    """The content of a file; None when there is no such file."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None

"""A log read on while it grows: every new line is held to its signature and its place, the old ones to their bytes.

Whoever follows takes no lock and never waits for the writer. At each look a further piece of what was read before is
hashed again, so that a log that changes behind its reader's back is noticed within as many looks as it has pieces.
"""

from __future__ import annotations

import os
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO

from eolseq.errors import NotGenuine, RecordFault, WrongUse
from eolseq.records.envelope import LONGEST_LINE
from eolseq.records.genuine import AUDIT_FIRST, check_line, lines
from eolseq.records.merkle import leaf_hash
from eolseq.records.reader import Records
from eolseq.records.scan import LOG_NAME, scan
from eolseq.records.scars import find_recovery

PIECE = 1 << 20
"""Bytes that are hashed again at a look."""

Entries = list[tuple[int, dict[str, Any]]]


class Follower:
    """Reads a log to its end when made, then what is added; ``records`` is the log as it was at first."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOG_NAME
        if not self._path.is_file():
            raise WrongUse(f"There is no log {self._path}.", "Name the station whose records you want with --station.")
        found = scan(self._path)
        self.records = Records(found)
        self._identity, self._tree, self._length = found.identity, found.tree, 0
        self._digest = sha256()
        self._again, self._done = sha256(), 0
        self._goal: tuple[int, bytes] | None = None
        self._unclear: int | None = None
        self._fault: RecordFault | None = None
        with self._path.open("rb") as stream:
            self._file = _which(stream)
            self._taken(stream, found.length)

    @property
    def size(self) -> int:
        """How many entries were read."""
        return self._tree.size

    @property
    def root(self) -> bytes:
        """The Merkle root over them."""
        return self._tree.root()

    def more(self) -> Entries:
        """What came since the last look, with its indices. RecordFault, for good, when the log is not what it was."""
        if self._fault is not None:
            raise self._fault
        try:
            with self._path.open("rb") as stream:
                return self._look(stream)
        except OSError as error:
            raise RecordFault(f"The log {self._path} cannot be read: {error.strerror}.",
                              "Check the disk and folder.") from error
        except RecordFault as fault:
            self._fault = fault
            raise

    def _look(self, stream: BinaryIO) -> Entries:
        size = os.fstat(stream.fileno()).st_size
        if _which(stream) != self._file:
            raise RecordFault(f"The log {self._path} is another file than before.", AUDIT_FIRST)
        if size < self._length:
            raise RecordFault(f"The log {self._path} became shorter: {self._length - size} bytes of signed entries are "
                              "missing.", AUDIT_FIRST)
        self._look_again(stream)
        return self._read_on(stream, size)

    def _look_again(self, stream: BinaryIO) -> None:
        """Hash a further piece of what was read before; at its end it must be what it was."""
        if self._goal is None:
            self._again, self._done, self._goal = sha256(), 0, (self._length, self._digest.digest())
        length, digest = self._goal
        stream.seek(self._done)
        piece = stream.read(min(PIECE, length - self._done))
        self._again.update(piece)
        self._done += len(piece)
        if self._done == length:
            self._goal = None
            if self._again.digest() != digest:
                raise RecordFault(f"The log {self._path} was changed: entries that were read before are not what they "
                                  "were.", AUDIT_FIRST)

    def _read_on(self, stream: BinaryIO, size: int) -> Entries:
        """Every whole line behind the last one; one that does not hold may be half a recovery, until the next look."""
        found: Entries = []
        at = self._length
        stream.seek(at)
        for line in lines(stream):
            if not line.endswith(b"\n") and len(line) <= LONGEST_LINE:
                break
            taken = self._entry(stream, at, line)
            if taken is None:
                self._refuse_lasting(at, size)
                break
            length, payload = taken
            found.append((self._tree.size - 1, payload))
            at, self._unclear = at + length, None
        self._taken(stream, at)
        return found

    def _entry(self, stream: BinaryIO, at: int, line: bytes) -> tuple[int, dict[str, Any]] | None:
        """How many bytes an entry takes with the debris before it, and its payload; None when no entry stands there."""
        index, root = self._tree.size, self._tree.root()
        try:
            good, payload, length = line[:-1], check_line(line[:-1], self._identity, index, root), len(line)
        except NotGenuine:
            recovered = find_recovery(stream, at, self._identity, index, root)
            if recovered is None:
                return None
            scar, good, payload = recovered
            length = scar.length + len(good) + 1
        self._tree.append(leaf_hash(good))
        return length, payload

    def _refuse_lasting(self, at: int, size: int) -> None:
        if self._unclear == size:
            raise RecordFault(f"The log {self._path} is damaged at byte {at}: no signed entry stands there.",
                              AUDIT_FIRST)
        self._unclear = size

    def _taken(self, stream: BinaryIO, upto: int) -> None:
        stream.seek(self._length)
        while self._length < upto and (piece := stream.read(min(PIECE, upto - self._length))):
            self._digest.update(piece)
            self._length += len(piece)


def _which(stream: BinaryIO) -> tuple[int, int]:
    """Which file it is, whatever its name."""
    kept = os.fstat(stream.fileno())
    return kept.st_dev, kept.st_ino

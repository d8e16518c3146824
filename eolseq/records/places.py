"""Lines of a log that are read again from their places in the file, each held to the hash that it had before."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from eolseq.errors import RecordFault
from eolseq.records.envelope import entry_payload, read_payload
from eolseq.records.genuine import AUDIT_FIRST
from eolseq.records.merkle import leaf_hash


class Places:
    """Reads what stands at places of a log that was opened and found genuine."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def payload(self, place: int, size: int, leaf: bytes) -> dict[str, Any]:
        """The payload of the line of so many bytes at a byte of the file; RecordFault when its hash is another."""
        line = self._read(place, size)
        if leaf_hash(line) != leaf:
            raise RecordFault(f"The log {self._path} was changed: the entry at byte {place} is not what it was.",
                              AUDIT_FIRST)
        return read_payload(entry_payload(line))

    def _read(self, place: int, size: int) -> bytes:
        try:
            descriptor = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                return os.pread(descriptor, size, place)
            finally:
                os.close(descriptor)
        except OSError as error:
            raise RecordFault(f"The log {self._path} cannot be read: {error.strerror}.",
                              "Check the disk and folder.") from error

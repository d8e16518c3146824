"""The read side: what a log says about its units, from a log that holds against its own signature.

It takes no lock, so it may look on while a station writes. Every entry given out has its own signature checked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eolseq.errors import WrongUse
from eolseq.records.envelope import open_entry
from eolseq.records.merkle import leaf_hash
from eolseq.records.runs import Carried, Run
from eolseq.records.scan import LOG_NAME, Scan, lines, scan


@dataclass(frozen=True, slots=True)
class VerifiedEntry:
    """An entry whose signature was checked: its index, leaf hash (32 bytes) and payload."""

    index: int
    leaf: bytes
    payload: dict[str, Any]


class Records:
    """The runs and entries of one log; made by ``Records.open``."""

    def __init__(self, found: Scan) -> None:
        self._found = found
        self.path = found.path
        self.origin = found.identity.origin
        self.simulated = found.identity.role.startswith("simulated")
        self.size = found.tree.size
        self.incomplete = found.tail

    @classmethod
    def open(cls, folder: Path) -> Records:
        """Read the log in a folder; WrongUse when there is none, RecordFault when it cannot be trusted.

        ``incomplete`` counts the bytes of a last line that is being written, or that a crash tore.
        """
        path = folder / LOG_NAME
        if not path.exists():
            raise WrongUse(f"There is no log {path}.", "Name the station whose records you want with --station.")
        return cls(scan(path))

    def runs(self, serial: str | None = None) -> list[Run]:
        """All runs, or those on one unit, oldest first."""
        book = self._found.book
        return list(book.runs.values()) if serial is None else list(book.by_serial.get(serial, ()))

    @property
    def documents(self) -> tuple[Carried, ...]:
        """The entries that say who may sign what and what is approved, oldest first; the first is the genesis."""
        return tuple(self._found.book.documents)

    def entry(self, index: int) -> VerifiedEntry:
        """One entry; WrongUse when the log has none of that index."""
        for entry in self.entries(index, index + 1):
            return entry
        raise WrongUse(f"The log has {self.size} entries, and none of index {index}.", "Choose a smaller index.")

    def entries(self, start: int = 0, stop: int | None = None) -> Iterator[VerifiedEntry]:
        """The entries from one index up to another (or all), in order; NotGenuine at one not signed by the station."""
        stop = self.size if stop is None else min(stop, self.size)
        keys = self._found.identity.keys
        with self.path.open("rb") as stream:
            for index, line in enumerate(lines(stream)):
                if index >= stop:
                    return
                if index >= start:
                    yield VerifiedEntry(index, leaf_hash(line[:-1]), open_entry(line[:-1], keys))

"""The read side: what a log says about its units, from a log that holds against its own signature.

It takes no lock, so it may look on while a station writes. Every entry given out has its own signature checked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from eolseq.errors import WrongUse
from eolseq.records.carried import CarriedEntries
from eolseq.records.envelope import LONGEST_LINE, entry_payload, open_entry, read_payload
from eolseq.records.merkle import leaf_hash
from eolseq.records.runs import AboutUnit, LabelSeen, LockState, Run, kind_of
from eolseq.records.scan import LOG_NAME, Scan, scan


@dataclass(frozen=True, slots=True)
class VerifiedEntry:
    """An entry whose signature was checked: its index, leaf hash (32 bytes) and payload."""

    index: int
    leaf: bytes
    payload: dict[str, Any]


class Records:
    """The runs and entries of one log; made by ``Records.open``."""

    def __init__(self, found: Scan) -> None:
        self._read: Scan | None = found
        self.path = found.path
        self.origin = found.identity.origin
        self.key = found.identity.key
        self.simulated = found.identity.role.startswith("simulated")
        self.size = found.tree.size
        self.root = found.tree.root()
        self.incomplete = found.tail

    @classmethod
    def open(cls, folder: Path) -> Records:
        """Read the log in a folder; WrongUse when there is none, RecordFault when it cannot be trusted.

        ``incomplete`` counts the bytes behind the last line: one that is being written, or what a crash left.
        """
        path = folder / LOG_NAME
        if not path.is_file():
            raise WrongUse(f"There is no log {path}.", "Name the station whose records you want with --station.")
        return cls(scan(path))

    @property
    def _found(self) -> Scan:
        if self._read is None:
            raise WrongUse(f"What was read of {self.path} was handed over.", "Read the log anew.")
        return self._read

    def handed_over(self) -> Scan:
        """What was read, for whoever opens the log for writing next; nothing is answered here from then on."""
        found, self._read = self._found, None
        return found

    def runs(self, serial: str | None = None) -> list[Run]:
        """All runs, or those on one unit, oldest first."""
        book = self._found.book
        return list(book.every_run()) if serial is None else book.runs(serial)

    def run(self, index: int) -> Run:
        """The run that an entry began; WrongUse when it began none."""
        found = self._found.book.run(index)
        if found is None:
            raise WrongUse(f"Entry {index} of the log began no run.", "Choose the entry that began one.")
        return found

    def open_runs(self) -> list[Run]:
        """The runs that were begun and neither ended nor abandoned, oldest first."""
        return list(self._found.book.open.values())

    def last_on_a_unit(self, bay: str = "") -> Run | None:
        """The last run that was begun on a unit, no reference unit, at a bay or in all; None when there was none."""
        return self._found.book.last_on_a_unit(bay)

    def runs_since(self, index: int, bay: str = "") -> int:
        """How many runs on units, not on reference units, were begun after an entry: at a bay, or in all."""
        return self._found.book.runs_since(index, bay)

    def first_unit_since(self, index: int, bay: str = "") -> datetime | None:
        """When the first run on a unit after an entry was begun, at a bay or in all; None when there was none."""
        return self._found.book.first_unit_since(index, bay)

    def locked(self) -> LockState | None:
        """The last lock that no unlock has followed; None when the station is free."""
        return self._found.book.lock

    def about(self, serial: str) -> tuple[AboutUnit, ...]:
        """The entries about a unit outside its runs, such as a rework, a label or an earlier check, oldest first."""
        return self._found.book.about(serial)

    @property
    def documents(self) -> CarriedEntries:
        """The entries that say who may sign what and what is approved, oldest first; the first is the genesis."""
        return self._found.book.documents

    def labels(self, serial: str) -> tuple[LabelSeen, ...]:
        """Every entry about labels of a unit, oldest first."""
        return self._found.book.labels(serial)

    def entry(self, index: int) -> VerifiedEntry:
        """One entry; WrongUse when the log has none of that index."""
        for entry in self.entries(index, index + 1):
            return entry
        raise WrongUse(f"The log has {self.size} entries, and none of index {index}.", "Choose a smaller index.")

    def entries(self, start: int = 0, stop: int | None = None) -> Iterator[VerifiedEntry]:
        """The entries from one index up to another (or all), in order; NotGenuine at one not signed by the station."""
        keys = self._found.identity.keys
        for index, line in self.raw(start, stop):
            yield VerifiedEntry(index, leaf_hash(line), open_entry(line, keys))

    def payloads(self, kinds: frozenset[str], start: int = 0) -> Iterator[tuple[int, dict[str, Any]]]:
        """Index and payload of the entries of some kinds, from an index on, without a look at their own signatures.

        The pass that opened the log has shown by the last signature that all lines are as they were written.
        """
        origin_length = len(self.origin.encode())
        for index, line in self.raw(start):
            if kind_of(line, origin_length) in kinds:
                yield index, read_payload(entry_payload(line))

    def leaf(self, index: int) -> bytes:
        """The leaf hash of a line, 32 bytes; WrongUse when the log has none of that index."""
        for _, line in self.raw(index, index + 1):
            return leaf_hash(line)
        raise WrongUse(f"The log has {self.size} entries, and none of index {index}.", "Choose a smaller index.")

    def leaves(self, stop: int) -> Iterator[bytes]:
        """The leaf hashes (32 bytes each) of the entries up to an index."""
        return (leaf_hash(line) for _, line in self.raw(0, stop))

    def raw(self, start: int = 0, stop: int | None = None) -> Iterator[tuple[int, bytes]]:
        """Index and line (without newline) of the entries from one index up to another (or all), scars left out."""
        stop = self.size if stop is None else min(stop, self.size)
        scars = {scar.offset: scar.length for scar in self._found.scars}
        offset = index = 0
        with self.path.open("rb") as stream:
            while index < stop:
                if offset in scars:
                    offset += scars[offset]
                    stream.seek(offset)
                line = stream.readline(LONGEST_LINE + 1)
                if index >= start:
                    yield index, line[:-1]
                offset, index = offset + len(line), index + 1

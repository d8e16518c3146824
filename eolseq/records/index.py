"""An index over the runs of a log, in SQLite: quick to ask, and nothing is lost with it.

It is made from the log and never the other way round. The file is written as a whole beside the log, with the SHA-256
of its bytes and the hash of the last line it knows in a second file. When either is missing, changed or of another
log, that is said and the index is made anew; when only lines have come, those are added.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

from eolseq.records.instruments import Bay
from eolseq.records.reader import Records

INDEX_NAME = "index.sqlite"
STAMP_NAME = "index.stamp"

_KINDS = frozenset({"begin", "energise", "reading", "end", "abandon"})
_TABLES = """
CREATE TABLE runs (run INTEGER PRIMARY KEY, serial TEXT, sequence TEXT, outcome TEXT, began TEXT);
CREATE TABLE used (run INTEGER, name TEXT, model TEXT, serial TEXT, UNIQUE (run, name, model, serial));
CREATE INDEX by_serial ON runs (serial);
CREATE INDEX by_outcome ON runs (outcome);
CREATE INDEX by_sequence ON runs (sequence);
CREATE INDEX by_date ON runs (began);
CREATE INDEX by_name ON used (name);
CREATE INDEX by_instrument ON used (serial);
"""
_ADD_RUN = "INSERT INTO runs VALUES (?, ?, ?, 'open', ?)"
_END_RUN = "UPDATE runs SET outcome = ? WHERE run = ?"
_ADD_USE = "INSERT OR IGNORE INTO used VALUES (?, ?, ?, ?)"

Say = Callable[[str], None]


class RunIndex:
    """Answers which runs there were; made by ``RunIndex.open``."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self._database = database

    @classmethod
    def open(cls, records: Records, say: Say, *, anew: bool = False) -> RunIndex:
        """The index of a log, brought up to its last line; ``say`` is told when it had to be made anew, and why."""
        path = records.path.with_name(INDEX_NAME)
        known, why = (0, "") if anew else _known(path, records)
        database = sqlite3.connect(":memory:")
        if known:
            database.deserialize(path.read_bytes())
        else:
            database.executescript(_TABLES)
        if why:
            say(f"{why}; it was made anew from the log, and nothing is lost.")
        if known < records.size:
            _add(database, records, known)
            _keep(database, path, records, say)
        return cls(database)

    def find(self, *, serial: str | None = None, instrument: str | None = None, sequence: str | None = None,
             outcome: str | None = None, since: str | None = None, until: str | None = None) -> list[int]:
        """The indices of the runs that fit all that is given, oldest first.

        An instrument is meant by the station's name for it or by its serial number; dates are UTC, ISO 8601, and both
        days count.
        """
        wanted = {"serial = ?": serial, "sequence = ?": sequence, "outcome = ?": outcome, "began >= ?": since,
                  "began < ?": None if until is None else until + "~"}
        given = {clause: value for clause, value in wanted.items() if value is not None}
        values: list[str] = list(given.values())
        if instrument is not None:
            given["run IN (SELECT run FROM used WHERE name = ? OR serial = ?)"] = instrument
            values += [instrument, instrument]
        where = " AND ".join(given) or "1"
        rows = self._database.execute(f"SELECT run FROM runs WHERE {where} ORDER BY run", values)
        return [run for (run,) in rows]

    def close(self) -> None:
        """Give up the memory."""
        self._database.close()


def _known(path: Path, records: Records) -> tuple[int, str]:
    """How many entries the index on the disk covers, or 0 and why it cannot be used."""
    try:
        data, stamp = path.read_bytes(), path.with_name(STAMP_NAME).read_text("ascii")
        digest, size, leaf = stamp.split(" ")
    except FileNotFoundError:
        return 0, "The index is missing" if records.size else ""
    except (OSError, ValueError):
        return 0, "The index cannot be read"
    if sha256(data).hexdigest() != digest:
        return 0, "The index was changed or damaged"
    count = int(size) if size.isdecimal() else 0
    if not 0 < count <= records.size or f"{records.leaf(count - 1).hex()}\n" != leaf:
        return 0, "The index is of another log"
    return count, ""


def _add(database: sqlite3.Connection, records: Records, start: int) -> None:
    """Add the runs that the entries from an index on tell of. Runs open there need what their begin said again."""
    bay = Bay()
    still_open = {run for (run,) in database.execute("SELECT run FROM runs WHERE outcome = 'open'")}
    for run in sorted(still_open):
        bay.used(run, records.entry(run).payload)
    for index, payload in records.payloads(_KINDS, start):
        _add_entry(database, bay, index, payload)
    database.commit()


def _add_entry(database: sqlite3.Connection, bay: Bay, index: int, payload: Mapping[str, Any]) -> None:
    for run, name, physical in bay.used(index, payload):
        database.execute(_ADD_USE, (run, name, physical.model, physical.serial))
    kind = payload["kind"]
    if kind == "begin":
        database.execute(_ADD_RUN, (index, payload["serial"], payload["sequence"]["name"], payload["time"]))
    elif kind in ("end", "abandon"):
        database.execute(_END_RUN, (payload["outcome"] if kind == "end" else "abandoned", payload["run"]))


def _keep(database: sqlite3.Connection, path: Path, records: Records, say: Say) -> None:
    """Write index and stamp, each whole under another name first; a folder that cannot be written to is no fault."""
    data = database.serialize()
    stamp = f"{sha256(data).hexdigest()} {records.size} {records.leaf(records.size - 1).hex()}\n"
    try:
        for name, content in ((path, data), (path.with_name(STAMP_NAME), stamp.encode("ascii"))):
            fresh = name.with_name(f"{name.name}.{os.getpid()}.new")
            with closing(fresh.open("wb")) as stream:
                stream.write(content)
            fresh.replace(name)
    except OSError as error:
        say(f"The index could not be kept ({error.strerror}); it will be made again when it is asked for.")
        with suppress(OSError):
            fresh.unlink(missing_ok=True)

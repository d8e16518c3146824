"""What an open log keeps of runs that are over and of units: outside the program's memory, which a year must not fill.

It is a database without a name that SQLite makes for this process alone: it lies in a bounded cache and, when that is
full, in a temporary file that no name leads to and that is gone with the process. It is made from the log whenever a
log is opened, and what an earlier process kept is never believed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from threading import RLock
from typing import Any
from weakref import finalize

from eolseq.errors import RecordFault

CACHE = 8 << 20
"""Bytes of the database that are kept in memory at most."""

_TOGETHER = 500  # rows that wait to be written at once, and that are read at once
_TABLES = """
CREATE TABLE runs (idx INTEGER PRIMARY KEY, serial, attempt, mode, trial, bay, began, leaf, outcome, ended, closed_by,
                   energised, applied, unit);
CREATE TABLE about (idx INTEGER PRIMARY KEY, serial, kind, time, place, size, leaf, event, "end", copy, of);
CREATE TABLE documents (number INTEGER PRIMARY KEY, idx, kind, place, size, leaf);
"""
_INDICES = ("CREATE INDEX of_serial ON runs (serial)", "CREATE INDEX of_unit ON runs (idx, bay, began) WHERE unit",
            "CREATE INDEX about_serial ON about (serial)")
# What was cut off between writing rows and forgetting that they wait is written once more, to the same effect.
_ADD = {"runs": f"INSERT OR REPLACE INTO runs VALUES ({', '.join('?' * 14)})",
        "about": f"INSERT OR REPLACE INTO about VALUES ({', '.join('?' * 11)})",
        "documents": f"INSERT OR REPLACE INTO documents VALUES ({', '.join('?' * 6)})"}
_DO = ("Free space on the disk of the folder for temporary files (SQLITE_TMPDIR or TMPDIR, else "
       "/var/tmp), then start the program again.")

Row = tuple[Any, ...]


class Kept:
    """Rows that are added and asked for, never changed. After its first failure it answers nothing any more.

    ``fault`` says what failed; empty while nothing has. ``lock`` is held over each call, and by whoever needs several.
    """

    def __init__(self) -> None:
        self.fault = ""
        self.lock = RLock()
        self._waiting: dict[str, list[Row]] = {name: [] for name in _ADD}
        self._indexed = False  # only after a log was read: all at once takes less than one by one
        self._database = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        finalize(self, self._database.close)  # whoever has a log may ask it even when it was given back
        try:
            for pragma in ("journal_mode = OFF", "synchronous = OFF", f"cache_size = -{CACHE // 1024}"):
                self._database.execute(f"PRAGMA {pragma}")
            self._database.executescript(f"{_TABLES} BEGIN;")  # for ever: nothing here is ever taken back
        except sqlite3.Error as error:
            self._break(error)

    def add(self, table: str, row: Row) -> None:
        """Take in a row of a table; it may wait in memory for others, some hundred at most."""
        with self.lock:
            self.refuse_if_broken()
            waiting = self._waiting[table]
            waiting.append(row)
            if len(waiting) >= _TOGETHER:
                self._write(table)

    def settle(self) -> None:
        """Let no row wait any more; RecordFault when the rows cannot be kept."""
        with self.lock:
            self._settle()

    def ask(self, question: str, values: Sequence[Any] = ()) -> list[Row]:
        """The rows that answer a question in SQL, none for a text that no line can carry; RecordFault on a failure."""
        with self.lock:
            self._settle()
            try:
                return self._database.execute(question, values).fetchall()
            except UnicodeEncodeError:
                return []
            except sqlite3.Error as error:
                return self._break(error)

    def pages(self, question: str, start: int, *values: Any) -> Iterator[Row]:
        """The rows that answer a question, some hundred at a time; their first field, above ``start``, orders them.

        The question ends in its conditions: what orders and bounds them is put behind it.
        """
        name = question.split(maxsplit=2)[1].rstrip(",")
        while True:
            rows = self.ask(f"{question} AND {name} > ? ORDER BY {name} LIMIT {_TOGETHER}", (*values, start))
            yield from rows
            if len(rows) < _TOGETHER:
                return
            start = rows[-1][0]

    def refuse_if_broken(self) -> None:
        """Raise RecordFault when something failed before."""
        if self.fault:
            raise RecordFault(f"The log cannot be asked any more. {self.fault}", _DO)

    def _settle(self) -> None:
        self.refuse_if_broken()
        for table, waiting in self._waiting.items():
            if waiting:
                self._write(table)
        if not self._indexed:
            self._indexed = True
            try:
                for each in _INDICES:
                    self._database.execute(each)
            except sqlite3.Error as error:
                self._break(error)

    def _write(self, table: str) -> None:
        waiting = self._waiting[table]
        try:
            self._database.executemany(_ADD[table], waiting)
        except (sqlite3.Error, OverflowError, UnicodeEncodeError) as error:  # the last two: what no entry can say
            self._break(error)
        waiting.clear()

    def _break(self, error: Exception) -> list[Row]:
        """Never answer again: after a failure nobody knows what was kept and what was not."""
        self.fault = f"What it says of its units cannot be kept in temporary files: {error}."
        raise RecordFault(self.fault, _DO) from error

"""A trace of every exchange: one JSON line each, with monotonic times; and the manager that gives it to every line.

Whoever opens lines hands on the resource manager; the one here also carries the trace, so that no line is forgotten.
A line without a trace pays one comparison for it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from eolseq.errors import WrongUse
from eolseq.instruments.link import Trace


class TracingManager:
    """A pyvisa resource manager whose lines tell a trace of every message, reply, OFF and failure."""

    def __init__(self, manager: Any, trace: Trace) -> None:
        self.trace = trace
        self.visalib = manager.visalib
        self.open_resource = manager.open_resource
        self.close = manager.close


def like(manager: Any, other: Any) -> Any:
    """Another manager, with the trace of the first if it has one."""
    trace: Trace | None = getattr(manager, "trace", None)
    return other if trace is None else TracingManager(other, trace)


class TraceFile:
    """Writes a trace; each line is in the file before the exchange goes on, so a program that dies leaves all of it.

    A line that cannot be written never disturbs a test: ``missing`` counts it, and ``problem`` says why.
    """

    def __init__(self, path: Path, head: Mapping[str, Any]) -> None:
        self.path = path
        self.missing = 0
        self.problem = ""
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
        except FileExistsError as error:
            raise WrongUse(f"The file {path} is there already.", "Give --trace another name.") from error
        except OSError as error:
            raise WrongUse(f"The file {path} cannot be written: {error.strerror}.", "Choose another name.") from error
        self._write({"format": 1, "kind": "trace", **head})

    def __call__(self, instrument: str, what: str, text: str, time: float) -> None:
        """One event: ``out``, ``in``, ``off`` or ``failed``, its text, and the monotonic time in seconds; any task."""
        self._write({"at": round(time, 6), "instrument": instrument, "what": what, "text": text})

    def _write(self, line: Mapping[str, Any]) -> None:
        """One write for one line, which the system keeps whole however many tasks write."""
        data = json.dumps(line).encode() + b"\n"
        try:
            if os.write(self._file, data) == len(data):
                return
            self.problem = self.problem or "the disk is full"
        except OSError as error:
            self.problem = self.problem or str(error.strerror)
        self.missing += 1

    def close(self) -> None:
        """No line is written after this."""
        os.close(self._file)

"""Several bays told in plain lines, each line beginning with its bay."""

from __future__ import annotations

import io
from collections.abc import Iterable
from threading import RLock
from typing import Any, TextIO

from eolseq.clock import Clock
from eolseq.line.crew import Hazard
from eolseq.screen.outlet import Outlet
from eolseq.screen.shift_plain import PlainShift


class _OfBay(io.TextIOBase):
    """A stream whose lines begin with the bay's name."""

    def __init__(self, outlet: Outlet, turn: RLock, bay: str) -> None:
        super().__init__()
        self._outlet = outlet
        self._turn = turn  # never held over a wait
        self._before = f"{bay} | "
        self._line = ""

    def write(self, text: str) -> int:
        """Take text; every line that it completes goes out whole."""
        with self._turn:
            if text == "\a":
                self._outlet.write(text)
                return len(text)
            *whole, self._line = (self._line + text).split("\n")
            for each in whole:
                self._outlet.write(f"{self._before}{each}\n")
        return len(text)

    def flush(self) -> None:
        """Send what can be sent now, without waiting."""
        with self._turn:
            self._outlet.flush()

    def isatty(self) -> bool:
        """Whether the stream below is a terminal."""
        return self._outlet.isatty()


class BayLines:
    """Writes one line per happening at any of the bays."""

    def __init__(self, stream: TextIO, clock: Clock, bays: Iterable[str], *, silent: bool = False) -> None:
        self._outlet = Outlet(stream)
        turn = RLock()
        silent = silent or not stream.isatty()
        self._bays = {bay: PlainShift(_OfBay(self._outlet, turn, bay), clock, silent=silent)  # type: ignore[arg-type]
                      for bay in bays}

    def tell(self, bay: str, event: Any) -> None:
        """Write what happened at a bay; never waits for the reader. What is told of no bay is left out."""
        if bay in self._bays:
            self._bays[bay].tell(event)

    def pages(self, _: Hazard) -> int:
        """Plain lines are one page."""
        return 1

    def close(self) -> None:
        """Write what is left."""
        for each in self._bays.values():
            each.close()
        self._outlet.finish()

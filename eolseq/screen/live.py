"""The drawn screen: redrawn in place when something happens, at most ten times a second for live readings."""

from __future__ import annotations

import sys
from typing import TextIO, cast

from rich.console import Console
from rich.live import Live as Redrawn

from eolseq.clock import Clock
from eolseq.engine.events import Cautions, Event, Live
from eolseq.screen.asking import read_operator
from eolseq.screen.draw import caution_rows, draw
from eolseq.screen.frame import Frame
from eolseq.screen.model import RunView
from eolseq.screen.outlet import Outlet
from eolseq.screen.words import ASK

EVERY = 0.1  # seconds between two pictures of live readings


class Screen:
    """Shows one run on a terminal. It has no thread, never waits for the terminal, and drops what it cannot show.

    To be told by one task at a time.
    """

    def __init__(self, console: Console, clock: Clock) -> None:
        self._console = console
        self._clock = clock
        self._view = RunView()
        self._redrawn: Redrawn | None = None
        self._next = 0.0

    def tell(self, event: Event) -> None:
        """Take an event in, and redraw unless it is a live reading too soon after the last picture."""
        now = self._clock.monotonic()
        self._view.tell(event, now)
        if type(event) is Live:
            if now >= self._next:
                self._redraw(now)
        elif type(event) is Cautions:
            self._show_cautions()
        else:
            self._redraw(now)

    def ask_acknowledgement(self) -> str | None:
        """Show the cautions in full, page by page if they are long, and ask for the operator's id; None if refused."""
        return ask_acknowledgement(self._console, self._view.cautions or Cautions((), ()))

    def close(self) -> None:
        """Give the terminal back, with the last picture left standing on it."""
        self._leave()
        if self._view.plan is not None or self._view.ended is not None:
            self._console.print(self._picture(self._clock.monotonic(), still=True), end="")
        outlet = self._console.file
        if isinstance(outlet, Outlet):
            outlet.finish()

    def _redraw(self, now: float) -> None:
        if self._view.waiting_for_acknowledgement():
            return  # the cautions stay up until a person has answered
        outlet = self._console.file
        if isinstance(outlet, Outlet) and outlet.busy:
            return
        self._next = now + EVERY
        if self._redrawn is None:
            self._redrawn = Redrawn(console=self._console, screen=True, auto_refresh=False, redirect_stdout=False,
                                    redirect_stderr=False)
            self._redrawn.start()
        self._redrawn.update(self._picture(now), refresh=True)

    def _picture(self, now: float, *, still: bool = False) -> Frame:
        width, height = self._console.size
        return draw(self._view, now, width, height, still=still)

    def _show_cautions(self) -> None:
        """Leave the full text on the ordinary terminal, where it can be read and scrolled back to."""
        self._leave()
        if self._view.cautions is not None:
            rows = caution_rows(self._view.cautions, self._console.width, simulated=self._view.simulated())
            self._console.print(Frame(rows, self._console.width), end="")

    def _leave(self) -> None:
        if self._redrawn is not None:
            self._redrawn.stop()
            self._redrawn = None


def ask_acknowledgement(console: Console, cautions: Cautions, source: TextIO | None = None) -> str | None:
    """Ask for the operator's id below the cautions; None at the end of input, at Ctrl-C or without an id.

    Cautions longer than the terminal are shown again in pages, so that nothing scrolls away unread.
    """
    rows = caution_rows(cautions, console.width)
    room = max(4, console.height - 2)
    if len(rows) > room:
        for first in range(0, len(rows), room):
            console.clear()
            console.print(Frame(rows[first:first + room], console.width), end="")
            if first + room < len(rows):
                _say(console, "Press Enter for the rest of the cautions: ")
                if _line(source) is None:
                    return None
    _say(console, ASK)
    return read_operator(source)


def _line(source: TextIO | None) -> str | None:
    try:
        return (sys.stdin if source is None else source).readline() or None
    except (KeyboardInterrupt, OSError, ValueError):
        return None


def _say(console: Console, text: str) -> None:
    console.file.write(text)
    console.file.flush()


def console_on(stream: TextIO) -> Console:
    """A console that writes to the stream without ever waiting for it."""
    return Console(file=cast(TextIO, Outlet(stream)), force_terminal=True, highlight=False, markup=False, emoji=False)

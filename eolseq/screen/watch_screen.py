"""What a lead watches, drawn in place on a terminal, or plain lines into a pipe."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Protocol, TextIO

from eolseq.errors import EolseqError
from eolseq.review.present import Glance, State
from eolseq.review.words import looks, share_words
from eolseq.screen.outlet import Outlet
from eolseq.screen.watch_draw import down_words, draw_doubt, draw_watch, pace_words
from eolseq.screen.words import SIMULATED, clean

if TYPE_CHECKING:
    from rich.console import Console

    from eolseq.screen.frame import Frame


class Watch(Protocol):
    """Something that shows a glance at the line, or why there is none to be trusted."""

    def show(self, glance: Glance | EolseqError, now: datetime) -> None:
        """Show it as of a time (UTC)."""

    def close(self) -> None:
        """Leave the terminal as it was."""


class DrawnWatch:
    """Redraws the whole picture each time, in the size that the terminal has then."""

    def __init__(self, console: Console) -> None:
        from rich.live import Live as Redrawn

        self._console = console
        self._redrawn = Redrawn(console=console, screen=True, auto_refresh=False, redirect_stdout=False,
                                redirect_stderr=False)
        self._last: Frame | None = None

    def show(self, glance: Glance | EolseqError, now: datetime) -> None:
        """Draw it, unless the terminal has not taken the last picture yet."""
        outlet = self._console.file
        if isinstance(outlet, Outlet) and outlet.busy:
            return
        size = self._console.size
        if self._last is None:
            self._redrawn.start()
        draw = draw_doubt(glance, *size) if isinstance(glance, EolseqError) else draw_watch(glance, now, *size)
        if self._last is None or draw != self._last:
            self._redrawn.update(draw, refresh=True)
        self._last = draw

    def close(self) -> None:
        """Give the terminal back with the last picture left standing on it."""
        if self._last is not None:
            self._redrawn.stop()
            self._console.print(self._last, end="")
        outlet = self._console.file
        if isinstance(outlet, Outlet):
            outlet.finish()


class PlainWatch:
    """A line each time that something other than the time of day is to be said."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = Outlet(stream)
        self._said: tuple[str, ...] = ()

    def show(self, glance: Glance | EolseqError, now: datetime) -> None:
        """Print it if it says something new."""
        if isinstance(glance, EolseqError):
            said: tuple[str, ...] = ("LOG IN DOUBT", str(glance))
        else:
            said = _said(glance, now)
        if said != self._said:
            self._said = said
            pace = pace_words(glance, now).lower() if isinstance(glance, Glance) else ""
            shown = now if isinstance(glance, EolseqError) else glance.plant.local(now)
            self._stream.write(clean(f"{shown:%H:%M:%S} " + ", ".join(filter(None, (*said, pace)))) + "\n")
            self._stream.flush()

    def close(self) -> None:
        """Send the rest."""
        self._stream.finish()


def _said(glance: Glance, now: datetime) -> tuple[str, ...]:
    review, present = glance.review, glance.present
    outcomes = ", ".join(f"{count} {word}" for word, count in review.outcomes.items()) or "no run ended"
    down = down_words(glance, now)
    over = "SHIFT OVER" if present.bays and all(each.state is State.OVER for each in present.bays) else ""
    return (SIMULATED if review.log.simulated else "", over, f"first pass {share_words(review.first_pass)}", outcomes,
            f"DOWN {down[1]}" if down is not None else "", *(f"LOOK {each}" for each in looks(review)))


def open_watch(stream: TextIO) -> Watch:
    """A drawn picture on a terminal that can show it, else plain lines."""
    from eolseq.screen.opening import can_draw

    if not can_draw(stream):
        return PlainWatch(stream)
    from eolseq.screen.live import console_on

    return DrawnWatch(console_on(stream))

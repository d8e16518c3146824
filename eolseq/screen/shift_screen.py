"""The screen of a shift: drawn in place on a terminal, or plain lines. Told by any task; it never waits."""

from __future__ import annotations

from threading import RLock
from typing import TYPE_CHECKING, Any, TextIO

from eolseq.clock import Clock
from eolseq.engine.events import Cautions, Live
from eolseq.line.crew import Hazard
from eolseq.line.shift_events import SoundIs, Tick, UnitOver
from eolseq.screen.outlet import Outlet
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.shift_plain import PlainShift
from eolseq.screen.sound import Bell
from eolseq.screen.turn import Turn

if TYPE_CHECKING:
    from rich.console import Console

EVERY = 0.1  # s between two pictures of live readings
IDLE = 1.0   # s between two pictures while nothing happens


class DrawnShift:
    """Shows one shift on a terminal."""

    def __init__(self, console: Console, clock: Clock, *, silent: bool = False) -> None:
        from rich.live import Live as Redrawn

        self._console, self._clock = console, clock
        self._view, self._turn = ShiftView(), Turn()
        self._redrawn = Redrawn(console=console, screen=True, auto_refresh=False, redirect_stdout=False,
                                redirect_stderr=False)
        self._started = False
        self._next = 0.0
        self._bell = Bell(self._ring, on=not silent)
        self._silent = silent
        self._one_at_a_time = RLock()  # never held over a wait

    def tell(self, event: Any) -> None:
        """Take an event in, and redraw unless the last picture is too young."""
        with self._one_at_a_time:
            now = self._clock.monotonic()
            self._view.tell(event, now)
            self._sound(event, now)
            if type(event) in (Live, Tick):
                if now < self._next:
                    return
                self._next = now + (EVERY if type(event) is Live else IDLE)
            if type(event) is not Cautions:
                self._redraw(now)

    def pages(self, hazard: Hazard) -> int:
        """On how many pages the cautions of a hazard are shown on a terminal of this size."""
        from eolseq.screen.shift_draw import caution_pages

        return len(caution_pages(hazard.shown, *self._console.size, simulated=self._view.simulated))

    def close(self) -> None:
        """Give the terminal back, with the last picture left standing on it."""
        with self._one_at_a_time:
            if self._started:
                self._redrawn.stop()
                self._console.print(self._picture(self._clock.monotonic()), end="")
            outlet = self._console.file
            if isinstance(outlet, Outlet):
                outlet.finish()

    def _sound(self, event: Any, now: float) -> None:
        if isinstance(event, UnitOver):
            self._bell.tell(event.outcome, now)
        elif isinstance(event, SoundIs):
            self._bell.on = event.on and not self._silent
        self._bell.moment(now)

    def _ring(self) -> None:
        self._console.file.write("\a")
        self._console.file.flush()

    def _redraw(self, now: float) -> None:
        outlet = self._console.file
        if isinstance(outlet, Outlet) and outlet.busy:
            return
        if not self._started:
            self._started = True
            self._redrawn.start()
        self._redrawn.update(self._picture(now), refresh=True)

    def _picture(self, now: float) -> Any:
        from eolseq.screen.shift_draw import draw_shift

        return draw_shift(self._view, now, *self._console.size, self._turn)


def open_shift_screen(stream: TextIO, clock: Clock, *, plain: bool = False,
                      silent: bool = False) -> DrawnShift | PlainShift:
    """A drawn screen on a terminal that can show it, else plain lines."""
    from eolseq.screen.opening import can_draw

    if plain or not can_draw(stream):
        return PlainShift(stream, clock, silent=silent or not stream.isatty())
    from eolseq.screen.live import console_on

    return DrawnShift(console_on(stream), clock, silent=silent)


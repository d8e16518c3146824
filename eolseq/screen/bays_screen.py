"""The screen of several bays: drawn by a task of its own, or plain lines that begin with their bay.

Whoever tells it only leaves the event in a queue, so that no bay ever waits for a picture or for the terminal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TextIO, cast

from eolseq.clock import Clock
from eolseq.engine.events import Live
from eolseq.line.crew import Hazard
from eolseq.line.shift_events import SoundIs, Tick, UnitOver
from eolseq.screen.bay_lines import BayLines
from eolseq.screen.bays_draw import caution_pages_of, draw_bays, fits
from eolseq.screen.bays_model import BaysView
from eolseq.screen.outlet import Outlet
from eolseq.screen.sound import Bell

if TYPE_CHECKING:
    from rich.console import Console

    from eolseq.clock import Task

EVERY = 0.1      # s between two looks at what was told, so at most ten pictures a second
IDLE = 1.0       # s between two pictures when nothing but moments were told
MOST = 2000      # events that wait for the drawing task; readings above that are dropped
_LAST = 2.0      # s for which the end waits for the drawing task


class DrawnBays:
    """Shows the bays of one station on a terminal."""

    def __init__(self, console: Console, clock: Clock, bays: Iterable[str], *, silent: bool = False) -> None:
        from rich.live import Live as Redrawn

        self._console, self._clock = console, clock
        self._view = BaysView.of(bays)
        self._redrawn = Redrawn(console=console, screen=True, auto_refresh=False, redirect_stdout=False,
                                redirect_stderr=False)
        self._told: deque[tuple[str, Any, float]] = deque()
        self._bell = Bell(self._ring, on=not silent)
        self._silent = silent
        self._lines: BayLines | None = None  # once a picture has failed
        self._closing = False
        self._next = 0.0
        self._owed = False  # something new was not drawn, for the terminal was busy
        self._task: Task | None = None

    def tell(self, bay: str, event: Any) -> None:
        """Leave an event of a bay for the next picture; any task, and it never waits."""
        if len(self._told) >= MOST and type(event) in (Live, Tick):
            return
        self._told.append((bay, event, self._clock.monotonic()))

    def start(self) -> DrawnBays:
        """Begin to draw."""
        self._task = self._clock.start("screen", self._work)
        return self

    def pages(self, hazard: Hazard) -> int:
        """On how many pages the cautions of a hazard are shown on a terminal of this size."""
        width, height = self._console.size
        return len(caution_pages_of(len(self._view.bays), hazard.shown, width, height, simulated=self._view.simulated))

    def close(self) -> None:
        """Give the terminal back, with the last picture left standing on it."""
        self._closing = True
        if self._task is not None:
            self._task.join(_LAST)
        if self._lines is None:
            self._take()
            self._console.print(self._picture(), end="")
        else:
            self._plainly()
        outlet = self._console.file
        if isinstance(outlet, Outlet):
            outlet.finish()

    def _work(self) -> None:
        """Draw until the end; if a picture fails, no old one stays on the terminal, and plain lines go on."""
        self._redrawn.start()
        try:
            self._while_open(self.moment)
        except Exception as error:
            self._redrawn.stop()
            self._lines = BayLines(cast("TextIO", self._console.file), self._clock, self._view.bays,
                                   silent=self._silent)
            self._console.file.write(f"The screen failed ({error!r}). Go by the hard-wired lamps.\n")
            self._while_open(self._plainly)
            raise
        finally:
            self._redrawn.stop()

    def _while_open(self, work: Callable[[], None]) -> None:
        while not self._closing:
            work()
            self._clock.sleep(EVERY)

    def _plainly(self) -> None:
        """What was told, as lines."""
        while self._told and self._lines is not None:
            bay, event, _ = self._told.popleft()
            self._lines.tell(bay, event)

    def moment(self) -> None:
        """Take in what was told, and draw it if it is new and the terminal has taken the picture before."""
        new = self._take()
        now = self._clock.monotonic()
        self._bell.moment(now)
        outlet = self._console.file
        if (isinstance(outlet, Outlet) and outlet.busy) or not (new or self._owed or now >= self._next):
            self._owed = self._owed or new
            return
        self._owed = False
        self._next = now + IDLE
        self._redrawn.update(self._picture(), refresh=True)

    def _take(self) -> bool:
        """Whether anything but moments was told."""
        new = False
        for _ in range(len(self._told)):
            bay, event, at = self._told.popleft()
            self._view.tell(bay, event, at)
            new = new or type(event) is not Tick
            if isinstance(event, UnitOver):
                self._bell.tell(event.outcome, at)
            elif isinstance(event, SoundIs):
                self._bell.on = event.on and not self._silent
        return new

    def _ring(self) -> None:
        self._console.file.write("\a")
        self._console.file.flush()

    def _picture(self) -> Any:
        return draw_bays(self._view, self._clock.monotonic(), *self._console.size)


def open_bays_screen(stream: TextIO, clock: Clock, bays: tuple[str, ...], *, plain: bool = False,
                     silent: bool = False) -> DrawnBays | BayLines:
    """A drawn screen on a terminal that has room for every bay, else plain lines."""
    from eolseq.screen.opening import can_draw

    if plain or not can_draw(stream):
        return BayLines(stream, clock, bays, silent=silent)
    from eolseq.screen.live import console_on

    console = console_on(stream)
    if not fits(len(bays), *console.size):
        return BayLines(stream, clock, bays, silent=silent)
    return DrawnBays(console, clock, bays, silent=silent).start()

"""The watcher: looks at the guard, feeds the watchdog, and stops every source when it must.

It is the only owner of the guard unit's line; orders to the guard unit (lock, contactor) go through it. On a trip OFF
goes out first, on lines opened beforehand that carry nothing else; then the engine is woken and blocked reads end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass

from eolseq.clock import Clock, Signal, Task
from eolseq.errors import EolseqError, InstrumentFault, StationFault, Stopped
from eolseq.guard.inputs import DISAGREE, DROPPED, WATCHER_DEAD, GuardInputs, GuardSettings, GuardState, Reason
from eolseq.instruments.roles import Instrument
from eolseq.instruments.waits import Trace, told

REST = "rest"
"""An order to the watcher itself: to look away for longer than the watchdog's time, so that the watchdog must drop."""

REST_FACTOR = 1.5
OFF_SECONDS = 0.05  # how long a stop line that is full is given to take OFF


@dataclass(frozen=True)
class StopLine:
    """The way OFF reaches one source: one write of at most so many seconds, no lock, any thread.

    ``abort`` and ``clear_abort`` end and allow its owner's blocked reads; ``lost`` looks whether the line still stands.
    """

    name: str
    off: Callable[[float], None]
    abort: Callable[[], None]
    clear_abort: Callable[[], None]
    lost: Callable[[], bool]


class _Order:
    """An action asked of the guard unit by another task."""

    __slots__ = ("actions", "done", "error")

    def __init__(self, actions: tuple[str, ...], done: Signal) -> None:
        self.actions = actions
        self.done = done
        self.error: EolseqError | None = None


class Watcher:
    """Watches one bay's guard."""

    def __init__(self, clock: Clock, guard_unit: Instrument, settings: GuardSettings,
                 name: str = "guard watcher") -> None:
        self.name = name
        self.clock = clock
        self._monotonic = clock.monotonic
        self.settings = settings
        self.inputs = GuardInputs(settings)
        self._armed = False
        self.seen_open = False  # since the guard was last armed; shows that its switch is not tied down
        self.reason: Reason | None = None
        self._ever_tripped = False  # stays, so that no line is left aborted
        self._stop_failures: list[str] = []
        self.on_look: Callable[[GuardState], None] | None = None
        self.trace: Trace | None = None  # is told of waits on purpose
        self._guard = guard_unit
        self._lines: tuple[StopLine, ...] = ()
        self._woken = clock.signal()
        self._called = clock.signal()
        self._looked = clock.signal()
        self._drop = clock.signal()
        self._orders: deque[_Order] = deque()
        self._contactor_wanted = False
        self._ending = False
        self._for_good: Reason | None = None
        self._dead = WATCHER_DEAD  # why it no longer looks, once it does not
        self._task: Task | None = None

    @property
    def armed(self) -> bool:
        """Whether an open guard is a reason to stop; else it is only noted."""
        return self._armed

    def arm(self) -> None:
        """From now on an open guard stops; it must be seen open again before the next unit."""
        self._armed, self.seen_open = True, False

    def disarm(self) -> None:
        """An open guard is only noted, so that a unit can be changed."""
        self._armed = False

    # -- life ---------------------------------------------------------------------------------------------------

    def start(self, lines: Iterable[StopLine]) -> None:
        """Set the watchdog and begin to look."""
        self._lines = tuple(lines)
        self._guard.perform("prepare", watchdog=_seconds(self.settings.watchdog))
        self._task = self.clock.start(self.name, self._watch)

    def end(self) -> None:
        """Stop looking; the watchdog then drops the contactor by itself."""
        self._ending = True
        self._called.set()
        if self._task is not None:
            self._task.join(2.0)

    @property
    def alive(self) -> bool:
        """Whether the watching task is running."""
        return self._task is not None and not self._task.done()

    def _watch(self) -> None:
        """Look until the end. A mistake in the program that ends the looking sends OFF first: nobody else would."""
        try:
            while not self._ending:
                following = self._monotonic() + self.settings.scan  # from look to look, however long a look takes
                self._look()
                self._drop_contactor()
                if self._orders:
                    self._serve_orders()
                self.clock.wait(self._called, max(0.0, following - self._monotonic()))
                self._called.clear()
        except Exception as error:
            self._dead = Reason(True, f"The watcher of the guard failed ({type(error).__name__}: {error}).",
                                WATCHER_DEAD.do)
            self.trip(self._dead)
            raise
        finally:
            for order in self._orders:
                order.error = StationFault(self._dead.what, self._dead.do)
                order.done.set()

    def _look(self) -> None:
        dropped = False
        try:
            answer = self._guard.perform("look")
        except InstrumentFault:
            pass  # no fresh answer: the age of the last one is what counts
        else:
            state, before = GuardState.of(answer.flags, self._monotonic()), self.inputs.last
            dropped = self._contactor_wanted and before is not None and before.contactor and not state.contactor
            self.inputs.note(state)
            self.seen_open = self.seen_open or state.open
            if self.on_look is not None:
                self.on_look(state)
        if self._armed:
            self.trip_if_needed()  # an opened guard, which drops the contactor by hard wire, is told first
            if dropped:
                self.trip(DROPPED)
        self._looked.set()

    def _drop_contactor(self) -> None:
        """After a trip the contactor is a second way to take the voltage away; the door shows later that it is open."""
        if self._drop.is_set():
            self._drop.clear()
            self._contactor_wanted = False
            with suppress(InstrumentFault):
                self._guard.perform("contactor_off")

    def _serve_orders(self) -> None:
        while self._orders:
            order = self._orders.popleft()
            try:
                for action in order.actions:
                    if action == REST:
                        self.clock.sleep(self.settings.watchdog * REST_FACTOR)
                        continue
                    if action in ("contactor_on", "contactor_off"):
                        self._contactor_wanted = action == "contactor_on"
                    self._guard.perform(action)
                self._look()
            except EolseqError as error:
                order.error = error
            order.done.set()

    # -- trip ---------------------------------------------------------------------------------------------------

    def trip_if_needed(self) -> None:
        """Trip if the guard or the age of its last answer demands it."""
        if self.reason is not None:
            if self.inputs.disagreeing(self._monotonic()):
                self.reason = DISAGREE  # what first looked like an opened guard is a broken guard switch
            return
        reason = self._for_good or self.inputs.reason_to_stop(self._monotonic())
        if reason is not None:
            self.trip(reason)

    def trip(self, reason: Reason) -> None:
        """Set the latch, send OFF on every stop line, wake the engine, end blocked reads. Safe from any thread."""
        if self.reason is not None:
            return
        self.reason = reason
        self._ever_tripped = True
        self.send_off()
        self._woken.set()
        self._drop.set()
        self._called.set()
        for line in self._lines:
            line.abort()

    def stop(self, reason: Reason) -> None:
        """Trip, and trip again whenever the guard is armed: a unit that is just about to begin is stopped too."""
        self._for_good = reason
        self.trip(reason)

    def send_off(self) -> None:
        """OFF on every stop line, no answer awaited; a line that is full is tried again after all the others."""
        held_up = [line for line in self._lines if not self._off(line, 0.0)]
        for line in held_up:
            if not self._off(line, OFF_SECONDS):
                self._stop_failures.append(line.name)

    def take_stop_failures(self) -> tuple[str, ...]:
        """The sources whose stop line did not take OFF since this was last asked; told once, in the run's sentence."""
        lost = tuple(dict.fromkeys(self._stop_failures))
        self._stop_failures.clear()
        return lost

    @staticmethod
    def _off(line: StopLine, seconds: float) -> bool:
        try:
            line.off(seconds)
        except Exception:  # whatever it is, the other lines get their OFF
            return False
        return True

    def check_stop_lines(self) -> None:
        """StationFault if a line that would have to carry OFF is lost; asked before anything is energised."""
        lost = [line.name for line in self._lines if line.lost()]
        if lost:
            raise StationFault(f"The stop line to {', '.join(lost)} is lost.",
                               "Check that it is switched on and connected, then start again.")

    def reset(self) -> None:
        """Forget the trip, once everything is off and dead; allows blocked reads again."""
        self.reason = None
        self._drop.clear()
        self._woken.clear()
        self.allow_reads()

    def allow_reads(self) -> None:
        """Let the lines to the sources be used again, for making safe; the latch stays set."""
        if not self._ever_tripped:
            return  # nothing was ever aborted
        for line in self._lines:
            line.clear_abort()

    def add_lines(self, lines: Iterable[StopLine]) -> None:
        """Watch over more sources."""
        self._lines = (*self._lines, *lines)

    # -- for the engine -----------------------------------------------------------------------------------------

    def check(self) -> None:
        """Raise Stopped or StationFault if a trip is set or the guard cannot be trusted right now."""
        if self.reason is None and self._armed:
            if self._task is None or self._task.done():
                self.trip(self._dead)
            else:
                self.trip_if_needed()
        reason = self.reason
        if reason is not None:
            raise StationFault(reason.what, reason.do) if reason.fault else Stopped(reason.what, reason.do)

    def pause(self, seconds: float, since: float | None = None) -> None:
        """Wait, but end at once with Stopped or StationFault on a trip.

        So many seconds from a moment (monotonic seconds), where one is given; none are left when that is over.
        """
        now = self._monotonic()
        left = seconds if since is None else max(0.0, since + seconds - now)
        self.tell_wait(now if since is None else since, seconds)
        self.clock.wait(self._woken, left)
        self.check()

    def tell_wait(self, since: float, seconds: float) -> None:
        """Tell the trace, if there is one, of a wait on purpose for so many seconds from a moment (monotonic)."""
        if self.trace is not None:
            now = self._monotonic()
            if since + seconds > now:
                told(self.trace, self.name, since, since + seconds, now)

    def order(self, *actions: str) -> GuardState:
        """Have the guard unit carry out actions and look again; gives what it then reports."""
        if not self.alive:
            raise StationFault(self._dead.what, self._dead.do)
        order = _Order(actions, self.clock.signal())
        self._orders.append(order)
        self._called.set()
        if not self.clock.wait(order.done, 2.0):
            raise StationFault("The guard unit did not carry out an order within 2 s.", "Call maintenance.")
        if order.error is not None:
            raise order.error
        if self.inputs.last is None or not self.inputs.fresh(self.clock.monotonic()):
            raise StationFault("The guard unit does not answer.", "Call maintenance.")
        return self.inputs.last

    def wait_for(self, wanted: Callable[[GuardState], bool], seconds: float) -> bool:
        """Wait until a fresh look satisfies ``wanted``; False when the time is over or the watcher has ended."""
        begun = self.clock.monotonic()
        deadline = begun + seconds
        while self.alive:
            now = self.clock.monotonic()
            if self.inputs.last is not None and self.inputs.fresh(now) and wanted(self.inputs.last):
                if self.trace is not None:
                    told(self.trace, self.name, begun, now, now)  # for a person; known only now
                return True
            if now >= deadline or self.reason is not None:
                return False
            self._looked.clear()
            self.clock.wait(self._looked, min(deadline - now, 0.1))
        return False


def _seconds(value: float) -> object:
    from eolseq.quantity import parse

    return parse(f"{value:.3f} s")

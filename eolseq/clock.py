"""Time, tasks and waiting: one interface, a real clock and a virtual one.

Nothing else in the program starts a thread, waits or reads time (but ``instruments/sessions.py`` and
``simulation/server.py``, which live at the edge of the operating system). Code that is handed a clock runs unchanged
over real sockets and, thousands of times faster, in virtual time.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Protocol

from eolseq.errors import Deadlock

if TYPE_CHECKING:
    from greenlet import greenlet


class Signal(Protocol):
    """A flag that tasks can wait for."""

    def set(self) -> None:
        """Raise the flag and wake whoever waits for it."""

    def clear(self) -> None:
        """Lower the flag."""

    def is_set(self) -> bool:
        """Whether the flag is raised."""


class Task(Protocol):
    """Work going on beside the caller's."""

    name: str
    error: BaseException | None

    def done(self) -> bool:
        """Whether the work has ended, well or by an error."""

    def join(self, seconds: float) -> bool:
        """Wait up to so many seconds for the end of the work; whether it has ended."""


class Clock(Protocol):
    """Wall time, monotonic time in seconds, waiting, and tasks."""

    def now(self) -> datetime:
        """The wall time, in UTC."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary start; never goes back."""

    def signal(self) -> Signal:
        """A new lowered flag."""

    def wait(self, signal: Signal, seconds: float | None) -> bool:
        """Wait for the flag at most so many seconds (None: for ever); whether it is raised."""

    def sleep(self, seconds: float) -> None:
        """Wait so many seconds."""

    def start(self, name: str, work: Callable[[], None]) -> Task:
        """Start work beside the caller's; an error in it is kept in the task."""


class _SystemTask:
    def __init__(self, name: str, work: Callable[[], None]) -> None:
        self.name = name
        self.error: BaseException | None = None
        self._work = work
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._work()
        except BaseException as error:
            self.error = error

    def done(self) -> bool:
        return not self._thread.is_alive()

    def join(self, seconds: float) -> bool:
        self._thread.join(seconds)
        return self.done()


class SystemClock:
    """The computer's own clock, with threads as tasks."""

    def now(self) -> datetime:
        """The wall time, in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds of CLOCK_MONOTONIC, which other processes of this computer share."""
        return time.monotonic()

    def signal(self) -> Signal:
        """A new lowered flag."""
        return threading.Event()

    def wait(self, signal: Signal, seconds: float | None) -> bool:
        """Wait for the flag at most so many seconds (None: for ever); whether it is raised."""
        if not isinstance(signal, threading.Event):
            raise Deadlock("A flag of another clock was waited for.", "Use the flags of one clock only.")
        return signal.wait(seconds)

    def sleep(self, seconds: float) -> None:
        """Wait so many seconds."""
        time.sleep(max(0.0, seconds))

    def start(self, name: str, work: Callable[[], None]) -> Task:
        """Start a thread."""
        return _SystemTask(name, work)


class _Ended(BaseException):
    """Unwinds a task of a virtual clock that is being closed."""


class _VirtualTask:
    __slots__ = ("_clock", "error", "finished", "greenlet", "name", "pending", "ticket", "woken")

    def __init__(self, clock: VirtualClock, name: str, greenlet: greenlet) -> None:
        self._clock = clock
        self.name = name
        self.greenlet = greenlet
        self.error: BaseException | None = None
        self.ticket = 0          # rises at every wait, so that a stale deadline in the heap is recognised
        self.woken = False       # by its flag, not by its deadline
        self.finished = _VirtualSignal(clock)
        self.pending: BaseException | None = None

    def done(self) -> bool:
        return self.finished.is_set()

    def join(self, seconds: float) -> bool:
        return self._clock.wait(self.finished, seconds)


class _VirtualSignal:
    __slots__ = ("_clock", "_raised", "waiting")

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock
        self._raised = False
        self.waiting: list[_VirtualTask] = []

    def set(self) -> None:
        self._raised = True
        if self.waiting:
            self._clock._wake(self.waiting)
            self.waiting = []

    def clear(self) -> None:
        self._raised = False

    def is_set(self) -> bool:
        return self._raised


class VirtualClock:
    """Time that jumps to the next deadline as soon as no task can run.

    Tasks are greenlets of one thread: whoever waits hands the baton on, in half a microsecond where a thread would
    take fifteen. Ties go by order of arrival, so a run is the same every time. The caller that makes the clock is its
    first task. A test may set ``choose`` to pick among the tasks that are ready, and ``probe`` to be called, with
    their number, at every hand-over.
    """

    def __init__(self, start: datetime = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)) -> None:
        from greenlet import getcurrent  # only virtual time needs it

        self._start = start
        self._seconds = 0.0
        self._main = _VirtualTask(self, "main", getcurrent())
        self._current = self._main
        self._tasks: set[_VirtualTask] = {self._main}
        self._ready: list[_VirtualTask] = []
        self._deadlines: list[tuple[float, int, int, _VirtualTask]] = []
        self._arrivals = 0
        self._closing = False
        self.instants = 0
        self.probe: Callable[[int], None] | None = None
        self.choose: Callable[[list[str]], int] | None = None

    def now(self) -> datetime:
        """The wall time, in UTC: the start plus the virtual seconds gone by."""
        return self._start + timedelta(seconds=self._seconds)

    def monotonic(self) -> float:
        """Virtual seconds since the clock was made."""
        return self._seconds

    def signal(self) -> Signal:
        """A new lowered flag."""
        return _VirtualSignal(self)

    def sleep(self, seconds: float) -> None:
        """Wait so many virtual seconds."""
        if not self._pass(seconds):
            self._pause(None, seconds)

    def wait(self, signal: Signal, seconds: float | None) -> bool:
        """Wait for the flag at most so many virtual seconds (None: for ever); whether it is raised."""
        if signal.is_set():
            return True
        if seconds is None or not self._pass(seconds):
            self._pause(signal, seconds)
        return signal.is_set()

    def start(self, name: str, work: Callable[[], None]) -> Task:
        """Start a task; it first runs when the caller waits."""
        from greenlet import greenlet

        main = self._main.greenlet  # not the caller's, which may end with this one as the next to run
        task = _VirtualTask(self, name, greenlet(lambda *_: self._run(task, work), main))
        self._tasks.add(task)
        self._ready.append(task)
        return task

    def close(self) -> None:
        """End every task but the caller's, by an exception out of its wait."""
        self._closing = True
        for task in [t for t in self._tasks if t is not self._current]:
            task.pending = _Ended()
            self._ready.append(task)
        while len(self._tasks) > 1:
            self._pause(None, 0.0)

    def _run(self, task: _VirtualTask, work: Callable[[], None]) -> None:
        try:
            if task.pending is None:
                work()
        except _Ended:
            pass
        except BaseException as error:
            task.error = error
        self._tasks.discard(task)
        task.ticket += 1
        task.finished.set()
        following = self._next(task)
        self._current = following
        task.greenlet.parent = following.greenlet  # returning from a greenlet goes on in its parent

    def _wake(self, tasks: list[_VirtualTask]) -> None:
        for task in tasks:
            task.ticket += 1
            task.woken = True
        self._ready.extend(tasks)

    def _pass(self, seconds: float) -> bool:
        """Let time pass where nobody else can run before it is over: nearly every wait, so done without more ado."""
        if self._ready or self.probe is not None or self.choose is not None:
            return False
        deadline = self._seconds + seconds if seconds > 0.0 else self._seconds
        if self._deadlines and deadline >= self._deadlines[0][0]:
            return False
        self.instants += 1
        self._seconds = deadline
        return True

    def _pause(self, signal: Any, seconds: float | None) -> None:
        me = self._current
        self.instants += 1
        if self.probe is not None:
            self.probe(self.instants)
            if signal is not None and signal.is_set():
                return
        if seconds is not None:
            deadline = self._seconds + max(0.0, seconds)
            lone = not self._ready and (not self._deadlines or deadline < self._deadlines[0][0])
            if lone and self.choose is None:  # with a probe; else it was passed over
                self._seconds = deadline
                return
            self._arrivals += 1
            heapq.heappush(self._deadlines, (deadline, self._arrivals, me.ticket, me))
        if signal is not None:
            signal.waiting.append(me)
        me.woken = False
        following = self._next(me)
        if following is not me:
            self._current = following
            following.greenlet.switch()
        if signal is not None and not me.woken and me in signal.waiting:
            signal.waiting.remove(me)
        if me.pending is not None:
            error, me.pending = me.pending, None
            raise error

    def _next(self, me: _VirtualTask) -> _VirtualTask:
        """The task that runs next; moves time on when none is ready."""
        if self._closing:  # a task that was ready already was made ready once more, and may have ended since
            self._ready = [task for task in self._ready if task in self._tasks]
        if not self._ready:
            self._advance()
        if not self._ready:
            return self._deadlocked(me)
        if self.choose is None or len(self._ready) == 1:
            return self._ready.pop(0)
        return self._ready.pop(self.choose([task.name for task in self._ready]))

    def _advance(self) -> None:
        """Jump to the earliest deadline still waited for, and make ready whoever has it."""
        deadlines = self._deadlines
        found: float | None = None
        while deadlines and (found is None or (self.choose is not None and deadlines[0][0] == found)):
            deadline, _, ticket, task = heapq.heappop(deadlines)
            if ticket != task.ticket:
                continue
            found = deadline
            task.ticket += 1
            self._seconds = max(self._seconds, deadline)
            self._ready.append(task)

    def _deadlocked(self, me: _VirtualTask) -> _VirtualTask:
        names = ", ".join(sorted(task.name for task in self._tasks))
        self._main.pending = Deadlock(f"Nothing can run any more; waiting without a deadline: {names}.",
                                      "Give one of these waits a deadline.")
        self._main.ticket += 1
        return self._main

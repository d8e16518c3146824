"""Several bays at once: each takes its own units, one after the other, while its neighbours do the same.

Every bay is a task of the clock with its own runs; what they share they get at the Desk, step by step, and the log
takes their entries in the order in which they come. A bay whose unit is being changed holds up nobody.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from threading import Lock

from eolseq.clock import Clock, Task
from eolseq.engine.recording import Bay
from eolseq.engine.run import RunResult, UnitRun
from eolseq.errors import EolseqError, Refused
from eolseq.sequence.model import Sequence


@dataclass(frozen=True)
class Job:
    """A unit that waits to be tested at a bay, by a sequence."""

    serial: str
    sequence: Sequence


class Feed:
    """The units for one bay, in the order in which they were put in; ``close`` ends the bay once they are done."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._jobs: deque[Job] = deque()
        self._closed = False
        self._came = clock.signal()

    def put(self, job: Job) -> None:
        """One more unit; any task."""
        self._jobs.append(job)
        self._came.set()

    def close(self) -> None:
        """No more units come; any task."""
        self._closed = True
        self._came.set()

    def __len__(self) -> int:
        return len(self._jobs)

    def take(self) -> Job | None:
        """The next unit, waiting for it; None once the feed is closed and empty."""
        while True:
            self._came.clear()
            if self._jobs:
                return self._jobs.popleft()
            if self._closed:
                return None
            self._clock.wait(self._came, None)


MakeRun = Callable[[str, Job], UnitRun]
"""The run of a job at the bay of a name, with its gates, screen and cautions."""

Told = Callable[[str, Job, RunResult], None]
"""Called when a run has ended: the bay's name, the job, the result."""


class InTest:
    """Which units are in a bay now; a serial that is scanned at a second one is refused there."""

    def __init__(self) -> None:
        self._bay_of: dict[str, str] = {}
        self._one_at_a_time = Lock()  # never held over a wait

    def begin(self, serial: str, bay: str) -> None:
        """A unit is about to be tested; Refused when it is in another bay."""
        with self._one_at_a_time:
            there = self._bay_of.setdefault(serial, bay)
        if there != bay:
            raise Refused(f"Unit {serial} is being tested in {there}.",
                          "One of the two has the wrong label or was scanned at the wrong bay: look at both.")

    def end(self, serial: str, bay: str) -> None:
        """The unit's run is over."""
        with self._one_at_a_time:
            if self._bay_of.get(serial) == bay:
                del self._bay_of[serial]


class Schedule:
    """Runs the bays of a station side by side until every feed is closed and empty.

    ``make`` puts a run together and ``told`` hears how it ended, both in the bay's own task. ``gate(bay)`` is to be
    among the gates of a bay's runs. ``locked`` says why nothing may be tested at any bay, or None. An error that is
    none of a run's ends its bay only, and is raised by ``join``.
    """

    def __init__(self, clock: Clock, bays: Mapping[str, Bay], feeds: Mapping[str, Feed], make: MakeRun, told: Told,
                 locked: Callable[[], EolseqError | None] = lambda: None) -> None:
        self._clock = clock
        self._bays = bays
        self._feeds = feeds
        self._make = make
        self._told = told
        self._locked = locked
        self._in_test = InTest()
        self._tasks: dict[str, Task] = {}

    def gate(self, bay: str) -> Callable[[str], None]:
        """The gate that refuses any unit while the station is locked, and a unit which is in another bay now."""
        def ask(serial: str) -> None:
            fault = self._locked()
            if fault is not None:
                raise Refused(f"The station is locked: {fault.what}", fault.do)
            self._in_test.begin(serial, bay)
        return ask

    def start(self) -> None:
        """Begin with every bay."""
        for name in self._bays:
            self._tasks[name] = self._clock.start(name, self._worker(name))

    def join(self, seconds: float) -> bool:
        """Wait at most so many seconds for the end of all bays; whether they have ended. Raises a bay's own error."""
        deadline = self._clock.monotonic() + seconds
        ended = [task.join(max(0.0, deadline - self._clock.monotonic())) for task in self._tasks.values()]
        for task in self._tasks.values():
            if task.error is not None:
                raise task.error
        return all(ended)

    def _worker(self, name: str) -> Callable[[], None]:
        def work() -> None:
            while (job := self._feeds[name].take()) is not None:
                self._told(name, job, self._one(name, job))
        return work

    def _one(self, name: str, job: Job) -> RunResult:
        """One unit at one bay, from a watcher that has forgotten the last one's trip."""
        bay = self._bays[name]
        forget_trip(bay)
        try:
            return self._make(name, job).run(job.serial)
        finally:
            self._in_test.end(job.serial, name)


def forget_trip(bay: Bay) -> None:
    """Let a bay test again after a stop, once it is safe; a bay where voltage is possible stays tripped."""
    if bay.watcher.reason is not None and not bay.door.voltage_possible:
        bay.watcher.reset()

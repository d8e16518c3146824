"""SIGINT, SIGTERM and SIGHUP told in a task of their own.

A handler runs between two steps of the main thread, which may hold a lock there that a trip takes too: a trip within it
can stand still for ever. So the byte that the interpreter writes for each signal wakes a task, and that task trips.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from eolseq.clock import SystemClock

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@contextmanager
def told(act: Callable[[signal.Signals], None], at_once: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Call ``act`` in a task for each such signal while the block runs; ``at_once``, in the main thread, may raise."""
    reading, writing = os.pipe2(os.O_CLOEXEC)
    os.set_blocking(writing, False)
    clock = SystemClock()
    before = {number: signal.signal(number, lambda *_: at_once()) for number in ENDING}
    waking = signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    task = clock.start("signals", lambda: _tell(reading, act))
    try:
        yield
    finally:
        signal.set_wakeup_fd(waking)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(writing)
        task.join(1.0)
        os.close(reading)


def _tell(descriptor: int, act: Callable[[signal.Signals], None]) -> None:
    while numbers := os.read(descriptor, 64):
        for number in numbers:
            if number in ENDING:
                act(signal.Signals(number))

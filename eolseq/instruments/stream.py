"""Messages over a file descriptor that gives bytes: deadlines, a lost peer noticed at once, an abort from any thread.

Nothing here knows of VISA or of time: the monotonic clock is handed in. A stream that failed in the middle of an
exchange is *dirty*: an answer may still be on its way, or half a message on the line. It then reads and writes nothing
but ``write_now`` until the line is opened afresh, so that an old answer can never be taken for a new one.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
from collections.abc import Callable
from enum import Enum

BLOCK = 65536


class Why(Enum):
    """Why a stream gave nothing."""

    TIMEOUT = "time-out"
    LOST = "lost"
    ABORTED = "aborted"
    DIRTY = "dirty"


class NoMessage(Exception):
    """Nothing was read, or not all was written; says why. The session turns it into a VISA code."""

    def __init__(self, why: Why) -> None:
        super().__init__(why.value)
        self.why = why


class Stream:
    """One line to one instrument; ``pending`` holds what came and was not yet taken.

    One thread owns it. Others may call ``abort`` and ``write_now`` at any time, even while the owner waits in a read
    or closes the line.
    """

    def __init__(self, descriptor: int, monotonic: Callable[[], float], let_go: Callable[[], None],
                 drop_unsent: Callable[[], None] | None = None) -> None:
        self.dirty = False
        self.lost = False
        self.pending = bytearray()
        self._descriptor = descriptor
        self._monotonic = monotonic
        self._let_go = let_go
        self._drop_unsent = drop_unsent
        self._aborted = False
        self._closing = threading.Lock()  # held by close, abort and write_now: never while an answer is waited for
        self._wake_read, self._wake_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._readable = select.poll()
        self._readable.register(descriptor, select.POLLIN)
        self._readable.register(self._wake_read, select.POLLIN)

    def close(self) -> None:
        """Let go of the line; later calls find it lost. Descriptors are not reused under another thread's write."""
        with self._closing:
            if self._descriptor < 0:
                return
            self._descriptor = -1
            self.dirty = self.lost = True
            os.close(self._wake_read)
            os.close(self._wake_write)
            self._let_go()

    # Any thread.

    def abort(self) -> None:
        """End a blocked read or write now, and refuse new ones until ``clear_abort``."""
        self._aborted = True
        with self._closing:
            if self._descriptor >= 0:
                with contextlib.suppress(BlockingIOError):  # a full pipe wakes just as well
                    os.write(self._wake_write, b"!")

    def write_now(self, data: bytes, seconds: float) -> None:
        """Write at once, aborted or dirty or not, for at most so many seconds.

        What another thread wrote but the line has not yet sent is thrown away first, where the line can do that.
        """
        if not self._closing.acquire(timeout=max(0.001, seconds)):
            raise NoMessage(Why.TIMEOUT)
        try:
            if self._descriptor < 0:
                raise NoMessage(Why.LOST)
            if self._drop_unsent is not None:
                self._drop_unsent()
            self._put(data, self._monotonic() + seconds, None)
        finally:
            self._closing.release()

    # The owner.

    def clear_abort(self) -> None:
        """Allow reading and writing again."""
        self._aborted = False
        if self._descriptor >= 0:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_read, BLOCK)

    def read(self, end: bytes, most: int, seconds: float | None) -> bytes:
        """Give the bytes up to and including ``end`` (one byte or none), or ``most`` bytes, within so many seconds."""
        if self.dirty or self._aborted:
            raise NoMessage(self._refusal())
        deadline = None if seconds is None else self._monotonic() + seconds
        taken = self._take(end, most)
        while not taken:
            self._fill(deadline)
            taken = self._take(end, most)
            if not taken and deadline is not None and self._monotonic() > deadline:
                self._fail(Why.TIMEOUT)  # a peer that drips bytes must not stretch it
        return taken

    def write(self, data: bytes, seconds: float | None) -> None:
        """Write all of it within so many seconds; when that fails half a message may be out, so the stream is dirty."""
        if self.dirty or self._aborted:
            raise NoMessage(self._refusal())
        try:
            self._put(data, None if seconds is None else self._monotonic() + seconds, self._wake_read)
        except NoMessage:
            self.dirty = True
            raise

    def waiting(self) -> int:
        """Look, without waiting, how many bytes have come that nobody took; notices a lost peer."""
        if not self.lost:
            for descriptor, _ in self._readable.poll(0):
                if descriptor == self._descriptor:
                    self._receive()
        return len(self.pending)

    def discard(self) -> None:
        """Throw away what has come so far, without waiting; a dirty stream stays dirty."""
        self.waiting()
        self.pending.clear()

    def _refusal(self) -> Why:
        if self.lost:
            return Why.LOST
        return Why.ABORTED if self._aborted else Why.DIRTY

    def _fail(self, why: Why) -> None:
        self.dirty = True
        raise NoMessage(why)

    def _take(self, end: bytes, most: int) -> bytes:
        """A whole message out of what has come, or nothing."""
        pending = self.pending
        if not pending:
            return b""
        length = pending.find(end, 0, most) + 1 if end else 0
        if not length and len(pending) >= most:
            length = most
        taken = bytes(pending[:length])
        del pending[:length]
        return taken

    def _fill(self, deadline: float | None) -> None:
        """Wait for more bytes, at most until the deadline."""
        left = None if deadline is None else max(0.0, deadline - self._monotonic()) * 1000.0
        ready = self._readable.poll(left)
        if self._aborted:
            self._fail(Why.ABORTED)
        if not ready:
            self._fail(Why.TIMEOUT)
        for descriptor, _ in ready:
            if descriptor == self._descriptor:
                self._receive()
        if self.lost:
            raise NoMessage(Why.LOST)

    def _receive(self) -> None:
        """Take one block off the line that said it has one; an empty one means that the peer has gone."""
        try:
            data = os.read(self._descriptor, BLOCK)
        except BlockingIOError:
            return  # the kernel changed its mind; it will be asked again
        except OSError:
            data = b""
        if not data:
            self.lost = self.dirty = True
        self.pending += data

    def _put(self, data: bytes, deadline: float | None, wake: int | None) -> None:
        written = 0
        while True:
            try:
                written += os.write(self._descriptor, data[written:] if written else data)
            except BlockingIOError:
                pass
            except OSError:
                self.lost = self.dirty = True
                raise NoMessage(Why.LOST) from None
            if written == len(data):
                return
            self._wait_writable(deadline, wake)

    def _wait_writable(self, deadline: float | None, wake: int | None) -> None:
        """Wait for room; with a poll object of its own, since another thread may be waiting in the stream's."""
        writable = select.poll()
        writable.register(self._descriptor, select.POLLOUT)
        if wake is not None:
            writable.register(wake, select.POLLIN)
        ready = writable.poll(None if deadline is None else max(0.0, deadline - self._monotonic()) * 1000.0)
        if wake is not None and self._aborted:
            raise NoMessage(Why.ABORTED)
        if not ready or (deadline is not None and self._monotonic() > deadline):
            raise NoMessage(Why.TIMEOUT)

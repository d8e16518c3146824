"""A way out to a terminal or pipe that never makes the run wait.

A terminal stopped with Ctrl-S, a slow serial console or a pipe nobody reads would block an ordinary write, and with it
the run that is being shown. So the descriptor is opened a second time, non-blocking, which leaves the shell's own as it
was. What does not go out at once is kept; while something is kept, ``busy`` asks for new pictures to be dropped.
"""

from __future__ import annotations

import os
import stat
from typing import TextIO

KEPT_AT_MOST = 1_000_000  # bytes


class Outlet:
    """A text stream that keeps what the other side does not take yet, and forgets all once it has gone away."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._fd = _open_again(stream)
        self._kept = b""
        self._gone = False

    encoding = "utf-8"

    @property
    def busy(self) -> bool:
        """Whether earlier text is still waiting, after one more try to send it."""
        self.flush()
        return bool(self._kept)

    def write(self, text: str) -> int:
        """Take text; it goes out at the next flush."""
        if self._fd is None:
            self._guarded(text)
        elif len(self._kept) < KEPT_AT_MOST:
            self._kept += text.encode("utf-8", "replace")
        return len(text)

    def flush(self) -> None:
        """Send what can be sent now, without waiting."""
        if self._fd is None:
            self._guarded("")
            return
        while self._kept and not self._gone:
            try:
                sent = os.write(self._fd, self._kept)
            except BlockingIOError:
                return
            except OSError:
                self._forget()
                return
            self._kept = self._kept[sent:]

    def isatty(self) -> bool:
        """Whether the stream is a terminal."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """The stream's own descriptor, for asking its size."""
        return self._stream.fileno()

    def finish(self) -> None:
        """Send the rest, waiting for the reader if need be; only for when the run is over."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None
            rest, self._kept = self._kept.decode("utf-8", "replace"), b""
            self._guarded(rest)

    def _guarded(self, text: str) -> None:
        if self._gone:
            return
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):  # closed or broken: nobody is looking any more
            self._forget()

    def _forget(self) -> None:
        self._gone, self._kept = True, b""


def _open_again(stream: TextIO) -> int | None:
    """A non-blocking descriptor of our own for a terminal or pipe; None for all else, which does not block."""
    try:
        number = stream.fileno()
        kind = os.fstat(number).st_mode
        if not (stat.S_ISCHR(kind) or stat.S_ISFIFO(kind)):
            return None
        stream.flush()
        path = os.ttyname(number) if os.isatty(number) else f"/dev/fd/{number}"
        return os.open(path, os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except (OSError, ValueError):
        return None

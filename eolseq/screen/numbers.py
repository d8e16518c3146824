"""Listening for a number typed at the terminal while a test runs, without ever waiting for it."""

from __future__ import annotations

import os
import select
import sys
from contextlib import suppress

_AT_ONCE = 4096     # bytes
_LONGEST_LINE = 64  # bytes; more before an Enter is no answer


class TypedNumber:
    """What is typed at a terminal from now on: the first line that is a number from 1 to ``most``."""

    def __init__(self, descriptor: int, most: int) -> None:
        self.gone = False
        self._descriptor = descriptor
        self._most = most
        self._line = b""
        self._lines: list[bytes] = []
        self._forget_what_was_typed()

    def number(self) -> int | None:
        """The number typed; None as yet. Lines that are no such number are passed over."""
        while (line := self._next()) is not None:
            found = self._read(line)
            if found is not None:
                return found
        return None

    def line(self) -> str | None:
        """The next whole line typed, without spaces around it; None as yet."""
        line = self._next()
        return None if line is None else line.decode("ascii", "replace").strip()

    def _next(self) -> bytes | None:
        while not self._lines and not self.gone and self._waiting():
            self._take()
        return self._lines.pop(0) if self._lines else None

    def _waiting(self) -> bool:
        try:
            return bool(select.select([self._descriptor], [], [], 0)[0])
        except (OSError, ValueError):
            self.gone = True
            return False

    def _take(self) -> None:
        try:
            taken = os.read(self._descriptor, _AT_ONCE)
        except OSError:
            taken = b""
        self.gone = not taken
        *lines, self._line = (self._line + taken).split(b"\n")
        self._line = self._line[-_LONGEST_LINE:]
        self._lines += [line[-_LONGEST_LINE:] for line in lines]

    def _read(self, line: bytes) -> int | None:
        text = line.strip()
        number = int(text) if text.isdigit() and len(text) < 4 else 0
        return number if 1 <= number <= self._most else None

    def _forget_what_was_typed(self) -> None:
        """A number typed before the arrows were shown is no answer to them."""
        import termios

        with suppress(termios.error):
            termios.tcflush(self._descriptor, termios.TCIFLUSH)


def typed_at_terminal(most: int) -> TypedNumber | None:
    """Listen for a number at the terminal; None where standard input is none."""
    return TypedNumber(sys.stdin.fileno(), most) if sys.stdin is not None and sys.stdin.isatty() else None

"""Where codes come from: lines of standard input, a terminal whose own line editing is off, a scanner's serial port."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import LinkFault
from eolseq.instruments.scanner import Scanner
from eolseq.line.scans import Inbox, Lines, Scan
from eolseq.line.shift_events import Typing
from eolseq.line.switchboard import Switchboard

AGAIN = 2.0  # s between two tries to open a scanner that has gone
_AT_ONCE = 4096  # bytes

Tell = Callable[[Any], None]


@contextmanager
def keyboard(descriptor: int) -> Iterator[bool]:
    """Take every key of a terminal as it is while the block runs; whether the descriptor is one.

    Ctrl-C, Ctrl-S and the like, which a scanned code may contain, then are characters as all others; so no code can
    stop a test or the screen. The terminal is as before afterwards.
    """
    import termios

    if not os.isatty(descriptor):
        yield False
        return
    before = termios.tcgetattr(descriptor)
    now = termios.tcgetattr(descriptor)
    now[0] &= ~(termios.IXON | termios.IXOFF)
    now[3] &= ~(termios.ECHO | termios.ICANON | termios.ISIG | termios.IEXTEN)
    termios.tcsetattr(descriptor, termios.TCSANOW, now)
    try:
        yield True
    finally:
        with suppress(termios.error):  # the terminal may have gone
            termios.tcsetattr(descriptor, termios.TCSANOW, before)


def read_input(descriptor: int, inbox: Inbox | Switchboard, tell: Tell, *, terminal: bool) -> None:
    """Bring every line of a descriptor to the inbox until it ends; the work of a task of its own."""
    lines, shown = Lines(keyboard=terminal), ""
    while True:
        try:
            data = os.read(descriptor, _AT_ONCE)
        except OSError:
            data = b""
        if not data:
            break
        for scan in lines.feed(data):
            inbox.put(scan)
        if terminal and lines.typing != shown:
            shown = lines.typing
            tell(Typing(shown))
    rest = lines.rest()
    if rest is not None:
        inbox.put(rest)
    inbox.close()


def read_scanner(scanner: Scanner, inbox: Inbox | Switchboard, clock: Clock) -> None:
    """Bring every code of a serial scanner to the inbox; tells when it goes, and takes it up again when it is back."""
    lines, told = Lines(), False
    while not inbox.ended:
        try:
            scanner.open()
            told = False
            while not inbox.ended:
                for scan in lines.feed(scanner.read()):
                    inbox.put(scan)
        except LinkFault as error:
            if not told:
                inbox.put(Scan("", problem=str(error)))
                told = True
            lines = Lines()
            clock.sleep(AGAIN)
    scanner.close()


@contextmanager
def sources(rules: Any, inbox: Inbox | Switchboard, clock: Clock, tell: Tell) -> Iterator[None]:
    """Codes come in while the block runs: from standard input, and from the scanner that the station names."""
    descriptor = sys.stdin.fileno()
    with keyboard(descriptor) as terminal:
        clock.start("keyboard", or_end("keyboard", inbox,
                                       lambda: read_input(descriptor, inbox, tell, terminal=terminal)))
        if rules.scanner:
            scanner = Scanner(rules.scanner, rules.speed)
            clock.start("scanner", or_end("scanner", inbox, lambda: read_scanner(scanner, inbox, clock)))
        yield


def or_end(what: str, inbox: Inbox | Switchboard, work: Callable[[], None]) -> Callable[[], None]:
    """The work of a task that brings codes; if a mistake of the program ends it, the shift ends and says so.

    Else the screen would go on to ask for codes that nobody hears.
    """
    def guarded() -> None:
        try:
            work()
        except Exception as error:
            inbox.ended = inbox.ended or f"The {what} is no longer read ({type(error).__name__}: {error})."
            raise
    return guarded


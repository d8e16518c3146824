"""What comes in from a scanner or a keyboard: lines cut to codes, each with a clear word where it cannot be one.

A scanner types its code and Enter, as a keyboard would, or sends it over a serial port. A person who types a code puts
``=`` before it, since nothing in a line tells typing from scanning, and types it twice. What begins with ``=`` and is a
word of COMMANDS is an order to the program.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from threading import Lock

from eolseq.clock import Clock
from eolseq.errors import EolseqError

LONGEST = 700          # characters of a code; what is longer is discarded up to its end
DOUBLE = 1.0           # s within which the same code again is the same scan
MOST_WAITING = 64      # codes kept while the program is busy between two tests; more are discarded
TYPED_MARK = "="
COMMANDS = ("end", "verify", "challenge", "sound", "destroyed", "found", "not-found", "out")
_ENDS = (10, 13)
_BACKSPACES = (8, 127)


@dataclass(frozen=True, slots=True)
class Scan:
    """One code: its text, whether it was typed, and what is wrong with it as a sentence, or an empty text."""

    text: str
    typed: bool = False
    problem: str = ""

    @property
    def command(self) -> str:
        """The order to the program that it is, or an empty text."""
        return self.text if self.typed and self.text in COMMANDS else ""


def read_scan(line: bytes, *, cut: bool = False) -> Scan | None:
    """What one line without its end says; None for an empty one. ``cut``: it was longer than LONGEST."""
    text = line.decode("utf-8", "replace").strip(" ")
    if not text and not cut:
        return None
    shown = "".join(sign if sign.isprintable() else "?" for sign in text[:40])
    if cut or len(text) > LONGEST:
        return Scan(shown, problem=f"A code of more than {LONGEST} characters was scanned. It is no code of this line.")
    if not all(" " <= sign <= "~" for sign in text):
        what = "control characters" if text.isascii() else "characters"
        return Scan(shown, problem=f"The code has {what} that no code of this line has.")
    typed = text.startswith(TYPED_MARK)
    text = text.removeprefix(TYPED_MARK).strip(" ") if typed else text
    return Scan(text, typed) if text else None


class Lines:
    """Cuts bytes into codes; an over-long line is kept to LONGEST and its rest thrown away. ``typing`` is unfinished.

    ``keyboard``: backspace takes a character back, as at a terminal whose own line editing is switched off.
    """

    def __init__(self, *, keyboard: bool = False) -> None:
        self._line = bytearray()
        self._cut = False
        self._keyboard = keyboard

    @property
    def typing(self) -> str:
        """What a person has typed so far of a line that begins with ``=``, to be shown; else an empty text."""
        text = self._line[:80].decode("utf-8", "replace") if self._line[:1] == TYPED_MARK.encode() else ""
        return "".join(sign if sign.isprintable() else "?" for sign in text)

    def feed(self, data: bytes) -> Iterator[Scan]:
        """Take bytes in; every code that they complete."""
        for byte in data:
            if byte in _ENDS:
                scan = self._take()
                if scan is not None:
                    yield scan
            elif self._keyboard and byte in _BACKSPACES and self._line[:1] == TYPED_MARK.encode():
                del self._line[-1:]  # only where a person types: it must not make another code of a scanned one
            elif len(self._line) <= LONGEST:
                self._line.append(byte)
            else:
                self._cut = True

    def rest(self) -> Scan | None:
        """What stands in a last line without its end."""
        return self._take()

    def _take(self) -> Scan | None:
        scan = read_scan(bytes(self._line), cut=self._cut)
        self._line.clear()
        self._cut = False
        return scan


class Inbox:
    """Codes from any task, for the one that runs the shift. While a test runs they are turned away, not kept.

    ``turned_away`` is called with each of these, in the task that brought it. ``ended`` may be set by anybody, a signal
    handler included, and ends every wait within TICK.
    """

    def __init__(self, clock: Clock, turned_away: Callable[[Scan], None]) -> None:
        self.ended = ""  # why the shift is to end
        self.by_signal = False
        self._clock = clock
        self._turned_away = turned_away
        self._scans: deque[Scan] = deque()
        self._came = clock.signal()
        self._open = True
        self.closed = False
        self._listener: Answer | None = None
        self._last: tuple[str, float] = ("", -DOUBLE)
        self._one_at_a_time = Lock()  # never held over a wait

    def put(self, scan: Scan) -> None:
        """One more code; any task."""
        with self._one_at_a_time:
            listener, kept = self._listener, self._open and len(self._scans) < MOST_WAITING
            doubled = self._doubled(scan)
            if kept and not doubled:
                self._scans.append(scan)
        if listener is not None and scan.typed and listener.take(scan.text):
            return
        if kept and not doubled:
            self._came.set()
        else:
            self._turned_away(Scan(scan.text, scan.typed, "twice" if doubled else scan.problem))

    def close(self) -> None:
        """No more codes come: end of input."""
        self.closed = True
        self._came.set()

    def end_by(self, error: BaseException) -> None:
        """End the shift by an error, unless it is to end for another reason already."""
        told = str(error) if isinstance(error, EolseqError) else f"{type(error).__name__}: {error}"
        self.ended = self.ended or told

    @property
    def over(self) -> bool:
        """Whether the input has ended and every code of it was taken, or the shift is to end at once."""
        return bool(self.ended) or (self.closed and not self._scans)

    def take(self, seconds: float) -> Scan | None:
        """The next code, waiting for it at most so many seconds; None when there is none."""
        self._came.clear()
        if not self._scans and not self.closed:
            self._clock.wait(self._came, seconds)
        with self._one_at_a_time:
            return self._scans.popleft() if self._scans else None

    def shut(self) -> None:
        """A test begins: from now on codes are turned away, those not taken yet with them."""
        with self._one_at_a_time:
            self._open, waiting = False, tuple(self._scans)
            self._scans.clear()
        for scan in waiting:
            self._turned_away(scan)

    def reopen(self) -> None:
        """The test is over."""
        self._open, self._listener = True, None

    def listen(self, most: int) -> Answer:
        """Listen for what a person types with ``=`` before it while codes are turned away.

        A number from 1 to ``most``, or with 0 any line.
        """
        self._listener = Answer(most, self)
        return self._listener

    def _doubled(self, scan: Scan) -> bool:
        now, (text, before) = self._clock.monotonic(), self._last
        self._last = (scan.text, now)
        once = not scan.typed or bool(scan.command)  # what else is typed is typed twice
        return once and not scan.problem and text == scan.text and now - before < DOUBLE


class Answer:
    """Listens for a number or a line that a person types; satisfies ``engine.arrows.Typed``."""

    def __init__(self, most: int, inbox: Inbox) -> None:
        self._most = most
        self._inbox = inbox
        self._typed: deque[str] = deque(maxlen=MOST_WAITING)

    @property
    def gone(self) -> bool:
        """Whether no answer can come any more."""
        return self._inbox.closed

    def number(self) -> int | None:
        """The number typed since listening began; None as yet."""
        found = self.line()
        return None if found is None else int(found)

    def line(self) -> str | None:
        """The next whole line typed since listening began; None as yet."""
        return self._typed.popleft() if self._typed else None

    def take(self, text: str) -> bool:
        """Take what was typed if it can be an answer."""
        number = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else 0
        if self._most and not 1 <= number <= self._most:
            return False
        self._typed.append(text)
        return True

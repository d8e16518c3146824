"""Every exception of the program, grouped by who must act.

::

    EolseqError                  the sentence, and what to do next
    ├── FileMistakes        (2)  whoever wrote the file: every mistake at file:line:column
    ├── WrongUse            (2)  whoever typed the command
    ├── Refused             (3)  the technician: nothing was energised, here is why
    │   └── InUse                another process has the station's log
    ├── Stopped             (4)  a person or the guard stopped the run
    ├── StationFault        (5)  maintenance: the station could not measure
    │   ├── InstrumentFault      an instrument answered wrongly: step, instrument, message, reply
    │   ├── LinkFault            the line to an instrument failed
    │   │   ├── LinkTimeout      no answer, or not all of it, within the stated time
    │   │   ├── LinkLost         the peer closed or reset the line
    │   │   ├── LinkAborted      a trip ended a blocked read or write
    │   │   └── LinkNotOpen      the line could not be opened
    │   └── RecordFault          the log cannot be trusted or written
    │       └── NotGenuine       a line, note or key is not what it claims to be
    └── Deadlock            (5)  a task waits for something that can never come (virtual time only)

The number is the exit code of a command that ends with it. A bad product is an outcome, never an exception.
"""

from __future__ import annotations

from typing import NamedTuple


class EolseqError(Exception):
    """A sentence saying what is wrong and one saying what to do next."""

    exit_code = 5
    evidence: object = None  # what a step had already measured when this stopped it

    def __init__(self, what: str, do: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.do = do

    def __str__(self) -> str:
        return f"{self.what} {self.do}".strip()


class Place(NamedTuple):
    """Where in a file: path, line and column counted from 1."""

    path: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.column}"


class Mistake(NamedTuple):
    """One thing wrong in a file: what it is, what was expected, and the nearest right word if there is one."""

    place: Place
    what: str
    expected: str = ""
    nearest: str = ""

    def __str__(self) -> str:
        parts = [self.what]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.nearest:
            parts.append(f"did you mean '{self.nearest}'?")
        return f"{self.place}: {', '.join(parts)}"


class FileMistakes(EolseqError):
    """All mistakes found in a file, reported in one go."""

    exit_code = 2

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = tuple(sorted(set(mistakes)))  # an alias shows the same mistake wherever it is used
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class WrongUse(EolseqError):
    """The command was given something it cannot use."""

    exit_code = 2


class Refused(EolseqError):
    """The run may not start; nothing was energised."""

    exit_code = 3


class InUse(Refused):
    """Another process has the station's log."""


class Stopped(EolseqError):
    """A person or the guard stopped the run."""

    exit_code = 4


class StationFault(EolseqError):
    """The station could not measure or cannot be trusted; maintenance must look."""

    exit_code = 5


class InstrumentFault(StationFault):
    """An instrument answered wrongly or not at all; carries step, instrument, message and reply as text."""

    def __init__(self, what: str, do: str = "", *, instrument: str = "", message: str = "", reply: str = "",
                 step: str = "") -> None:
        super().__init__(what, do)
        self.instrument = instrument
        self.message = message
        self.reply = reply
        self.step = step

    def __str__(self) -> str:
        where = [f"{name} {text!r}" if name in ("message", "reply") else f"{name} {text}"
                 for name, text in (("step", self.step),
                                    ("instrument", "" if self.instrument in self.what.split() else self.instrument),
                                    ("message", self.message), ("reply", self.reply)) if text]
        return f"{self.what} ({', '.join(where)}) {self.do}".strip() if where else super().__str__()


class LinkFault(InstrumentFault):
    """The line to an instrument failed."""


class LinkTimeout(LinkFault):
    """No answer, or not all of it, came within the stated time."""


class LinkLost(LinkFault):
    """The peer closed or reset the line."""


class LinkAborted(LinkFault):
    """A trip ended a blocked read or write."""


class LinkNotOpen(LinkFault):
    """The line could not be opened."""


class RecordFault(StationFault):
    """The log cannot be trusted, or could not be written."""


class NotGenuine(RecordFault):
    """A line, a note or a key is malformed, or not signed by whom it should be; says in what."""

    def __init__(self, what: str, do: str = "Do not trust it. Run eolseq audit on its log, and show the findings to "
                                            "quality.") -> None:
        super().__init__(what, do)


class Deadlock(EolseqError):
    """Every task waits and none has a deadline."""

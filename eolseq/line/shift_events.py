"""Frozen events that a shift emits beside those of its runs, for whoever watches. They decide nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from eolseq.bands.band import Outcome
from eolseq.engine.events import Cautions


class Situation(StrEnum):
    """Where a shift stands, in the large word that the screen shows."""

    SIGN_IN = "SIGN IN"
    CAUTIONS = "READ"
    CHECK_DUE = "CHECK DUE"
    CHECKING = "CHECKING"
    OUT_OF_USE = "OUT OF USE"
    WAITING = "SCAN UNIT"
    RUNNING = "TEST"
    LABEL = "SCAN LABEL"
    PLATE = "SCAN PLATE"
    LABEL_MISSING = "NO LABEL"
    LOCKED = "LOCKED"
    AFTER_CUT = "POWER CUT"
    ENDED = "SHIFT OVER"


@dataclass(frozen=True)
class ShiftBegins:
    """A shift begins at a bay; ``takt`` in seconds, None where the station states none."""

    station: str
    bay: str
    simulated: bool
    takt: float | None


@dataclass(frozen=True)
class Stands:
    """Where the shift stands, what the person at the bay has to do now, and why where that has to be said."""

    situation: Situation
    do: str
    operator: str = ""
    beside: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True)
class CautionPage:
    """Cautions to be read in full and acknowledged; one page of several where the screen is small."""

    cautions: Cautions
    page: int
    pages: int


@dataclass(frozen=True)
class ShortCaution:
    """The one line of caution that each further unit gets; the guard's closing acknowledges it."""

    text: str


@dataclass(frozen=True)
class Note:
    """Something was refused or turned away: a word, one sentence with what to do, and whom to call (or nobody).

    ``do`` is the part of the sentence that says what to do, so that a small screen can show it first.
    """

    word: str
    sentence: str
    call: str = ""
    running: bool = False
    do: str = ""

    @property
    def why(self) -> str:
        """The sentence without what to do."""
        return self.sentence.replace(self.do, "", 1).strip() if self.do else self.sentence


@dataclass(frozen=True)
class UnitOver:
    """A unit's test is over: its serial, outcome, sentence, and what the person does with it now."""

    serial: str
    outcome: Outcome
    sentence: str
    released: bool


@dataclass(frozen=True)
class Tally:
    """The count of the shift so far: units passed, rejected by step, and the others.

    ``seconds`` since it began, without breaks; ``rests``: the breaks to come, each from and to in seconds from now.
    """

    seconds: float
    passed: int = 0
    rejects: tuple[tuple[str, int], ...] = field(default_factory=tuple)
    others: int = 0
    expected: int | None = None
    rests: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Typing:
    """What a person has typed so far."""

    text: str


@dataclass(frozen=True)
class CodeTaken:
    """A code came in between two tests; what was said of the one before is over."""


@dataclass(frozen=True)
class Tick:
    """A moment has passed; clocks on the screen move on."""


@dataclass(frozen=True)
class SoundIs:
    """The sound of the outcome is on or off from now on."""

    on: bool


ShiftEvent = (ShiftBegins | Stands | CautionPage | ShortCaution | Note | UnitOver | Tally | Typing | CodeTaken | Tick
              | SoundIs)

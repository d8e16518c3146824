"""What a shift needs of the rooms around it, as protocols: the station, its checks, its paper, its log.

``commands/shift_parts.py`` has the one implementation; tests hand it a station in virtual time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from eolseq.clock import Clock
from eolseq.engine.events import Event, SafetyState
from eolseq.engine.run import RunResult
from eolseq.line.crew import Crew, Hazard
from eolseq.line.label import PrintedLabel
from eolseq.line.shift_events import ShiftEvent
from eolseq.records.runs import LockState
from eolseq.sequence.model import Sequence
from eolseq.station.out_of_use import OutOfUse
from eolseq.station.plant_time import PlantTime
from eolseq.station.shift_fields import ShiftRules

Tell = Callable[[Event | ShiftEvent], None]
"""Tells whoever watches; any task."""


@dataclass(frozen=True)
class Due:
    """A check of the station that does not stand: why, what to do, and which (verify, challenge, or neither)."""

    what: str
    do: str
    check: str = ""


@dataclass(frozen=True)
class Printed:
    """What came of printing a label: whether the printer took it, a sentence, and the label."""

    sure: bool
    sentence: str
    label: PrintedLabel


class ShiftLog(Protocol):
    """What a shift itself writes and asks."""

    def append(self, entry: Any, durable: bool = True) -> int:
        """Write an entry and give its index, durable."""

    def locked(self) -> LockState | None:
        """The last lock that no unlock has followed."""

    def refuse_if_broken(self) -> None:
        """Raise RecordFault when a write has failed, after which nothing more is written."""


class Papers(Protocol):
    """Labels and tickets of a station that prints them."""

    def label(self, sequence: Sequence, serial: str, *, by: str = "", old: str = "") -> Printed:
        """Print a label; ``old`` is what became of the copy before, by whom. Refused, RecordFault."""

    def read_back(self, printed: PrintedLabel, by: str) -> None:
        """Write that the label was scanned on its unit."""

    def ticket(self, sequence: Sequence, result: RunResult) -> str:
        """Print the ticket of a reject; a sentence that says what came of it, or nothing."""


class Around(Protocol):
    """The station around the loop of a shift."""

    @property
    def clock(self) -> Clock:
        """Time and waiting."""

    @property
    def log(self) -> ShiftLog:
        """The station's log."""

    @property
    def station(self) -> str:
        """What people call the station."""

    @property
    def station_digest(self) -> str:
        """The SHA-256 (hex) of the station file."""

    @property
    def bay(self) -> str:
        """The bay's name."""

    @property
    def simulated(self) -> bool:
        """Whether the station is simulated."""

    @property
    def rules(self) -> ShiftRules:
        """What the station file says of a shift."""

    @property
    def plant(self) -> PlantTime:
        """The plant's own time, with its breaks."""

    @property
    def sequences(self) -> tuple[Sequence, ...]:
        """The sequences that are run here."""

    @property
    def papers(self) -> Papers | None:
        """Labels and tickets; None where the station prints none."""

    def safety(self, state: str) -> SafetyState:
        """Whether voltage may be present, and lamps and lock as they were last read back; None what is not known."""

    def out_of_use(self) -> OutOfUse | None:
        """Why nothing is tested at this bay while its neighbours work, or None; never where there is one bay."""

    def shift_began(self, now: datetime) -> datetime:
        """When the present shift began: whoever signed in before it signs in anew."""

    def refuse_person(self, person: str) -> None:
        """Raise Refused when a person may test nothing at this station today."""

    def due(self) -> list[Due]:
        """The checks of the station that do not stand now."""

    def before_end(self) -> str:
        """What is still to be done before the shift ends, in a sentence; empty when nothing is."""

    def hazard_of(self, check: str) -> Hazard:
        """What a check may do to a person; Refused when it cannot be performed from here."""

    def check(self, what: str, operator: str, tell: Tell) -> str:
        """Perform a check, ``verify`` or ``challenge``; a sentence of what was found. Refused when it cannot be."""

    def test(self, serial: str, sequence: Sequence, crew: Crew, tell: Tell) -> RunResult:
        """Take a unit through its sequence; an error that nobody foresaw is raised once it is on record."""

    def let_go(self, go: bool) -> None:
        """Close the release contact, where there is one, or open it."""

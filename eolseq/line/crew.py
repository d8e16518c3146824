"""Who is signed in at a bay, and which cautions each of them has read in this shift. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import Cautions
from eolseq.sequence.model import Sequence

LONGEST_SHIFT = timedelta(hours=12)
"""After this a person signs in anew, where the station file names no shifts."""


@dataclass(frozen=True)
class Hazard:
    """What a sequence may do to a person: its own cautions, and the highest voltage (V) that it puts on a unit."""

    cautions: tuple[str, ...]
    volts: Decimal

    @classmethod
    def of(cls, sequence: Sequence) -> Hazard:
        """The hazard of a sequence."""
        volts = [each.base for each in (step.highest_volts() for step in sequence.steps) if each is not None]
        return cls(sequence.cautions, max(volts, default=Decimal(0)))

    @property
    def shown(self) -> Cautions:
        """All cautions in full, the voltage among the sequence's own."""
        return Cautions(STANDARD, (*self.cautions, f"The highest test voltage is {self.volts.normalize():f} V."))


@dataclass
class Person:
    """Somebody who is signed in: since when, and what they have acknowledged."""

    name: str
    since: datetime
    cautions: set[str] = field(default_factory=set)
    volts: Decimal = Decimal(-1)

    def knows(self, hazard: Hazard) -> bool:
        """Whether nothing about this hazard is new or higher than what the person has acknowledged."""
        return hazard.volts <= self.volts and self.cautions.issuperset((*STANDARD, *hazard.cautions))

    def acknowledge(self, hazard: Hazard) -> None:
        """The person has read these cautions in full."""
        self.cautions.update((*STANDARD, *hazard.cautions))
        self.volts = max(self.volts, hazard.volts)


class Crew:
    """The people signed in. The operator is the one who signed in last; the others are beside them."""

    def __init__(self) -> None:
        self._people: dict[str, Person] = {}

    @property
    def operator(self) -> Person | None:
        """Who tests; None when nobody is signed in."""
        return next(reversed(self._people.values()), None)

    @property
    def beside(self) -> tuple[str, ...]:
        """Who else is signed in."""
        return tuple(self._people)[:-1]

    @property
    def all(self) -> tuple[str, ...]:
        """Everybody who is signed in."""
        return tuple(self._people)

    def sign_in(self, person: Person) -> None:
        """A person has signed in, and is the operator from now on."""
        self._people.pop(person.name, None)
        self._people[person.name] = person

    def sign_out(self, name: str) -> bool:
        """A person goes; whether they were signed in."""
        return self._people.pop(name, None) is not None

    def gone_home(self, since: datetime) -> tuple[str, ...]:
        """Sign everybody out who signed in before the present shift began; their names."""
        gone = tuple(name for name, each in self._people.items() if each.since < since)
        for name in gone:
            del self._people[name]
        return gone

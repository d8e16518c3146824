"""What is known of a model of instrument once its driver page is checked and compiled. Pure and frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from eolseq.errors import Place
from eolseq.instruments.line import Line
from eolseq.instruments.replies import Frame
from eolseq.instruments.settings import Setting, Template
from eolseq.quantity import Quantity

if TYPE_CHECKING:  # only named in an annotation, and a page without accuracies need not wait for it
    from eolseq.bands.uncertainty import Accuracy

DEFAULT_WITHIN = 1.0  # s, for a message whose page does not say


_REPLY = 40           # characters of the guard unit's answer, about

UNUSED = {("type", "dc"): ("frequency",)}
"""Settings that mean nothing beside a word of another setting; the messages that send them are left out then."""


@dataclass(frozen=True)
class Within:
    """A deadline: so many seconds, plus the values of settings that are times."""

    seconds: float = DEFAULT_WITHIN
    settings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Send:
    """A message without a reply."""

    message: Template
    within: Within


@dataclass(frozen=True)
class Ask:
    """A message with a reply."""

    message: Template
    reply: Frame
    within: Within


@dataclass(frozen=True)
class Wait:
    """A message repeated every so many seconds until one of the conditions (flag -> set or not) holds."""

    message: Template
    reply: Frame
    until: tuple[Mapping[str, bool], ...]
    within: Within
    every: float


@dataclass(frozen=True)
class Pause:
    """So many seconds in which nothing is sent."""

    seconds: float


Doing = Send | Ask | Wait | Pause
"""One line of an action."""


@dataclass(frozen=True)
class Action:
    """What is done, line by line, for one action of the role, and the settings the role gives it."""

    name: str
    lines: tuple[Doing, ...]
    settings: tuple[str, ...]


@dataclass(frozen=True)
class Query:
    """A question whose reply is read as texts, within so many seconds: the identity, or the next error."""

    message: str
    reply: Frame
    within: float = DEFAULT_WITHIN


@dataclass(frozen=True)
class Range:
    """One measuring range: up to where, the smallest step it shows, and its accuracy, as worded and as read."""

    to: Quantity
    resolution: Quantity | None
    accuracy: str
    stated: Accuracy | None = None


@dataclass(frozen=True)
class Given:
    """One reading: its unit, and its measuring ranges, smallest first."""

    name: str
    unit: str
    ranges: tuple[Range, ...]


@dataclass(frozen=True)
class Exchanged:
    """One exchange of a transcript: what goes out, and the reply that comes in, if any."""

    out: str
    reply: str | None
    place: Place

    def __str__(self) -> str:
        return self.out


@dataclass(frozen=True)
class Scene:
    """One action of a transcript with its settings and exchanges, and what the replies mean.

    ``gives``: reading -> its place in the file, and its value as text. ``exchanges``: ``Exchanged``, or the
    requests of a register page. ``fault``: the page must find a fault here.
    """

    does: str
    settings: Mapping[str, Any]
    exchanges: tuple[Any, ...]
    gives: Mapping[str, tuple[Place, str]]
    flags: frozenset[str]
    channels: frozenset[int]
    fault: bool
    place: Place


@dataclass(frozen=True)
class Model:
    """What every kind of page says of a model of instrument. ``digest``: SHA-256 of the file in hex."""

    path: str
    digest: str
    role: str
    model: str
    line: Line
    takes: Mapping[str, Setting]
    gives: Mapping[str, Given]

    def fits(self, setting: str, value: Quantity | str | int) -> str:
        """Say why the instrument cannot be set to a value; an empty text if it can."""
        known = self.takes.get(setting)
        return known.problem(value) if known is not None else f"{self.model} has no setting '{setting}'."

    def range_for(self, reading: str, value: Quantity) -> Range | None:
        """The smallest measuring range that reaches a value; None where none does or the page states no ranges."""
        given = self.gives.get(reading)
        ranges = given.ranges if given is not None else ()
        return next((each for each in ranges if each.to.base >= abs(value.base)), None)


@dataclass(frozen=True)
class Page(Model):
    """A driver page, checked and compiled."""

    identity: Query
    errors: Query | None
    no_error: int
    stop: str
    does: Mapping[str, Action]
    transcript: tuple[Scene, ...] = ()
    count: Query | None = None  # how many tests it has made in its life, where it keeps a count

    def look_letters(self) -> int:
        """About how many characters one look at the guard takes on a serial line, both ways."""
        lines = self.does["look"].lines if "look" in self.does else ()
        letters = sum(len(each.message.source) + _REPLY for each in lines if isinstance(each, Ask))
        return letters * (2 if self.line.echo else 1)

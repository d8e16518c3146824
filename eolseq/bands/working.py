"""How a band was worked out: the inputs, the formula with its numbers, the sources and how far they can be trusted.

A limit is rounded inwards, so that rounding never lets anything through that the formula keeps out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from enum import StrEnum
from typing import NamedTuple

from eolseq.bands.band import AcceptanceBand
from eolseq.errors import FileMistakes, Mistake
from eolseq.quantity import UNITS, Quantity, plain
from eolseq.shape import Group, Item

_SURE = 22  # significant digits of a result that are beyond the noise of arithmetic with 28
DIGITS = 4  # significant digits of a limit that was worked out
_SCALED = {"A": ("nA", "uA", "mA", "A"), "ohm": ("mohm", "ohm", "kohm", "Mohm", "Gohm"), "F": ("pF", "nF", "uF"),
           "Pa": ("Pa", "mbar", "bar")}


class Standing(StrEnum):
    """How a number came to be here; the later, the less it can be trusted."""

    SEEN = "seen"                # in the document itself or a posted copy of it
    SECOND_HAND = "second-hand"  # in a quotation, a translation or a test suite that cites the document
    FROM_MEMORY = "from memory"  # not seen
    STATED = "stated"            # by whoever wrote the file
    PRACTICE = "common practice"  # there is no source


class Source(NamedTuple):
    """A document with its edition and clause, and how far what is said to stand there can be trusted."""

    text: str
    standing: Standing

    def __str__(self) -> str:
        return f"{self.text} ({'no source' if self.standing is Standing.PRACTICE else self.standing})"


def stated(text: str) -> Source:
    """The source that whoever wrote the file names; words on common practice are no more than that."""
    return Source(text, Standing.PRACTICE if "common practice" in text.lower() else Standing.STATED)


class Working(NamedTuple):
    """Everything a band rests on: ``formula`` has a line for each step, ``notes`` what a reader should know besides."""

    form: str
    inputs: tuple[tuple[str, str], ...]
    formula: tuple[str, ...]
    sources: tuple[Source, ...]
    notes: tuple[str, ...] = ()

    @property
    def source(self) -> str:
        """The documents with their editions and clauses, in one text."""
        return "; ".join(dict.fromkeys(each.text for each in self.sources))

    @property
    def standing(self) -> str:
        """The standing of the weakest source."""
        order = list(Standing)
        return str(max((each.standing for each in self.sources), key=order.index, default=Standing.STATED))

    @property
    def basis(self) -> str:
        """Sources and their standing in short, as the record keeps it."""
        return "; ".join(dict.fromkeys(str(each) for each in self.sources))


class Worked(NamedTuple):
    """A band and how it was worked out."""

    band: AcceptanceBand
    working: Working


class Around(NamedTuple):
    """What a form may look at besides its own fields: its step, the unit, and what the band is for.

    ``what`` is the name under ``applied``, or "band", or "residual".
    """

    step: Item
    unit: Item
    what: str

    def rated(self, name: str) -> Quantity | None:
        """A rated value of the unit, or None if the file gives none."""
        value: Quantity | None = self.unit["rated"][name]
        return value


class Form(NamedTuple):
    """One way to work a band out: the fields it takes, what it is for, and the working."""

    about: str
    fields: Group
    work_out: Callable[[Item, Around], Worked]


def refuse(item: Item, key: str, what: str, expected: str = "") -> FileMistakes:
    """The error for a band that cannot be worked out, at one of its keys."""
    return FileMistakes([Mistake(item.place_of(key), what, expected)])


def told(value: Decimal, unit: str = "", digits: int = 5) -> str:
    """A number for people, to so many significant digits, with its unit."""
    exponent = value.as_tuple().exponent
    if value and isinstance(exponent, int):
        value = _rounded(value, digits, ROUND_HALF_EVEN)
    return f"{plain(value):f} {unit}".strip()


def share(percent: Quantity | Decimal) -> Decimal:
    """A percentage as a part of one: 5 % is 0.05."""
    return (percent.base if isinstance(percent, Quantity) else percent) / 100


def limits(low: Decimal | None, high: Decimal | None, dimension: str, basis: str, *,
           exact: bool = False) -> AcceptanceBand:
    """A band from numbers in base units, rounded inwards to four digits unless they are ``exact`` as they stand."""
    digits = _SURE if exact else DIGITS
    unit = _unit(high if high is not None else low or Decimal(0), dimension)
    factor = UNITS[unit][1]

    def limit(value: Decimal | None, way: str) -> Quantity | None:
        if value is None:
            return None
        shown = _rounded(value / factor, _SURE, ROUND_HALF_EVEN)  # 409.999...9 W of 350 W + 60/350 is 410 W
        return Quantity(plain(_rounded(shown, digits, way)), unit)

    return AcceptanceBand(limit(low, ROUND_CEILING), limit(high, ROUND_FLOOR), basis)


def rounding(low: Decimal | None, high: Decimal | None, band: AcceptanceBand) -> tuple[str, ...]:
    """The line of a formula that tells of rounding; none if nothing was rounded."""
    pairs = ((low, band.at_least), (high, band.at_most))
    if all(value is None or limit is None or limit.base == value for value, limit in pairs):
        return ()
    return (f"rounded inwards to {DIGITS} digits: {band}",)


def names(rows: Iterable[str]) -> tuple[str, ...]:
    """The names of rows, for a field that takes one of them."""
    return tuple(rows)


def _rounded(value: Decimal, digits: int, way: str) -> Decimal:
    if not value:
        return Decimal(0)
    step = Decimal(1).scaleb(value.adjusted() - digits + 1)
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and exponent >= step.adjusted():
        return value
    return value.quantize(step, rounding=way)


def _unit(value: Decimal, dimension: str) -> str:
    """The largest unit in which the number is at least one, of those in which people write it."""
    fitting = [unit for unit in _SCALED.get(dimension, (dimension,)) if abs(value) >= UNITS[unit][1]]
    return fitting[-1] if fitting else _SCALED.get(dimension, (dimension,))[0]

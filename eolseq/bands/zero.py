"""The zero of a fixture: what its own leads and contacts read in a two-wire measurement, point by point.

It is taken on a shorting piece in the unit's place, never with a unit connected: a unit's own earth path would vanish
in it. It has a band of its own and a last day. A reading less than its zero means that one of the two is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.band import Reading
from eolseq.errors import StationFault
from eolseq.quantity import Quantity, plain
from eolseq.shape import Amount, Day, Field, Findings, Group, Item, MapOf, Text, Word

_OHMS = Amount("ohm", above=Decimal(0))
_ANEW = "Have maintenance take the fixture's zero anew on its shorting piece, with no unit connected."

ZERO = Group({
    "shorting_piece": Field(Text(40), about="which shorting piece stood in the unit's place"),
    "unit_connected": Field(Word(("no",)), about="no: a zero with a unit connected would hide its earth path"),
    "taken": Field(Day(), about="the day it was taken"),
    "good_until": Field(Day(), about="the last day on which it is used"),
    "at_least": Field(_OHMS, about="the least that sound leads read, such as '10 mohm'"),
    "at_most": Field(_OHMS, about="the most that sound leads read, such as '60 mohm'"),
    "points": Field(MapOf(_OHMS, r"[A-Za-z0-9][A-Za-z0-9-]{0,39}", 1), about="by bond point: what was read"),
}, "the zero")


class FixtureZero(NamedTuple):
    """The zero of one fixture: what its leads read at each point, on which shorting piece, and from when to when."""

    fixture: str
    shorting_piece: str
    taken: date
    good_until: date
    points: Mapping[str, Quantity]

    def at(self, point: str, today: date) -> Quantity:
        """The zero of a point; StationFault if there is none, or not for this day."""
        if today > self.good_until or today < self.taken:
            raise StationFault(f"The zero of fixture {self.fixture} is good from {self.taken} to {self.good_until}, "
                               f"and today is {today}.", _ANEW)
        if point not in self.points:
            raise StationFault(f"The zero of fixture {self.fixture} has no point {point}.", _ANEW)
        return self.points[point]

    def basis(self, point: str) -> str:
        """What was taken off a reading, for the record."""
        return f"less {self.points[point]}, the zero of {self.fixture} on {self.shorting_piece}, {self.taken}"


def less_zero(reading: Reading, zero: Quantity) -> Reading:
    """A reading (ohm) without what the leads read; StationFault if less than nothing is left of it."""
    if reading.base is None:
        return reading
    left = reading.base - zero.base
    if left < 0:
        raise StationFault(f"{reading.name} reads {reading}, less than the {zero} of the leads alone.", _ANEW)
    return reading._replace(value=plain(left), unit="ohm")


def read_zeros(item: Mapping[str, Item | None], findings: Findings) -> dict[str, FixtureZero]:
    """The zeros of checked fields by fixture; notes points outside the zero's own band, and days in disorder."""
    found: dict[str, FixtureZero] = {}
    for fixture, each in item.items():
        if each is None or any(value is None for value in each.values()):
            continue
        _check(each, findings)
        found[fixture] = FixtureZero(fixture, each["shorting_piece"], each["taken"], each["good_until"],
                                     {name: value for name, value in each["points"].items() if value is not None})
    return found


def _check(item: Item, findings: Findings) -> None:
    low, high = item["at_least"], item["at_most"]
    if low.base > high.base:
        findings.add(item.place_of("at_least"), f"at_least {low} is above at_most {high}", f"no more than {high}")
    for name, value in item["points"].items():
        if value is not None and not low.base <= value.base <= high.base:
            findings.add(item["points"].place_of(name), f"the zero {value} of {name} lies outside its own band",
                         f"{low} to {high}; else mend the leads and take it anew")
    if item["good_until"] <= item["taken"]:
        findings.add(item.place_of("good_until"), "the zero is good for no day", f"a day after {item['taken']}")

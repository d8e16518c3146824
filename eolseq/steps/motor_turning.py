"""Which way a fan turns, shown by a sensor of its airflow or by a person who picks the arrow seen among several.

A motor that turns backwards can take much the same current. The picked arrow is a reading like any other: the place of
its direction in ``DIRECTIONS``, with a band that has room for the expected one alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from eolseq.bands.band import NO_ANSWER, AcceptanceBand, Reading
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Group, Item, OneOf, Text, Word
from eolseq.steps.base import OPERATOR, Bench, Taken
from eolseq.steps.fields import check_band, read_band
from eolseq.steps.watching import named

DIRECTIONS = ("clockwise", "anticlockwise", "to and fro", "not at all")
"""What a person can see a fan do; counted from 1, this is the value in the record, so the order never changes."""

AIRFLOW, DIRECTION = "pressure across the fan", "direction of the fan"
_PASCALS = Amount("Pa", above=Decimal(0))  # a fan that stands still must lie outside
_NO_TIME = Quantity(Decimal(0), "s")
_NOT_TAKEN = "not taken, for the motor did not come to run"

TURNING = Field(OneOf("shown_by", {
    "sensor": Group({
        "shown_by": Field(Word(("sensor",)), about="by what: an airflow meter of the station, or a person"),
        "at_least": Field(_PASCALS, about="the least pressure across a sound fan, such as '20 Pa'"),
        "at_most": Field(_PASCALS, about="the most, such as '60 Pa'; a blocked outlet gives more"),
        "basis": Field(Text(400), about="why the limits are what they are"),
    }, "turning"),
    "operator": Group({
        "shown_by": Field(Word(("operator",)), about="by what: an airflow meter of the station, or a person"),
        "expected": Field(Word(DIRECTIONS[:2]), about="the direction of a sound fan"),
        "seen_from": Field(Text(24), about="from where the person looks at it, such as 'inlet side'"),
        "within": Field(Amount("s", at_least=Decimal(2), at_most=Decimal(60)),
                        about="how long the fan runs for it, such as '10 s'"),
    }, "turning"),
}), required=False, about="which way the fan turns, and what shows it")


class Airflow(NamedTuple):
    """Shown by the pressure in Pa across the fan, read once the current has settled."""

    band: AcceptanceBand
    name: str = AIRFLOW
    within: Quantity = _NO_TIME

    def roles(self) -> tuple[str, ...]:
        """The instrument that it needs."""
        return ("airflow_meter",)

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the meter is set to."""
        return (("airflow_meter", {"expected": self._most()}),)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """What the meter must have the range for."""
        return (("airflow_meter", "pressure", self._most()),)

    def told(self) -> dict[str, object]:
        """What the log keeps of it beside its band."""
        return {"turning": "shown by a sensor"}

    def prepare(self, bench: Bench) -> None:
        """Set the meter."""
        bench.instrument("airflow_meter").perform("prepare", expected=self._most())

    def watch(self, bench: Bench, look: Callable[[], bool], wait: Callable[[], None]) -> tuple[Taken, bool]:
        """The reading, while the fan runs; and that the source still supplied it when last looked at."""
        pressure = bench.instrument("airflow_meter").perform("measure").readings.get("pressure")
        return Taken(named(pressure, self.name, "Pa"), self.band), True

    def missing(self) -> Taken:
        """No reading, for a motor that did not come to run."""
        return Taken(Reading(self.name, None, "Pa", special=NO_ANSWER), self.band, if_bad=_NOT_TAKEN)

    def _most(self) -> Quantity:
        return self.band.at_most or Quantity(Decimal(0), "Pa")


class Seen(NamedTuple):
    """Shown by a person who picks an arrow within a time (s) while the fan runs."""

    expected: str
    seen_from: str
    within: Quantity
    name: str = DIRECTION

    @property
    def band(self) -> AcceptanceBand:
        """Room for the expected direction alone."""
        number = Quantity(Decimal(DIRECTIONS.index(self.expected) + 1), "")
        listed = ", ".join(f"{at} {each}" for at, each in enumerate(DIRECTIONS, 1))
        return AcceptanceBand(number, number, f"{self.expected}, seen from {self.seen_from} by the operator, who picks "
                              f"an arrow among {len(DIRECTIONS)} ({listed})")

    def roles(self) -> tuple[str, ...]:
        """It needs no instrument."""
        return ()

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """Nothing is set."""
        return ()

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """No instrument measures it."""
        return ()

    def told(self) -> dict[str, object]:
        """What the log keeps of it beside its band."""
        return {"turning": f"shown by the operator, from {self.seen_from}", "turning_within": self.within}

    def prepare(self, bench: Bench) -> None:
        """Nothing is set."""

    def watch(self, bench: Bench, look: Callable[[], bool], wait: Callable[[], None]) -> tuple[Taken, bool]:
        """Ask while the fan runs and the source is watched; the arrow picked, and whether the source still supplied.

        Nothing here waits for the person: between two looks at the source there is one glance at what was typed.
        """
        picking = bench.ask_direction(self.seen_from, DIRECTIONS, self.within)
        until = bench.clock.monotonic() + float(self.within)
        picked, supplied = None, True
        while supplied and picked is None and not picking.missing and bench.clock.monotonic() < until:
            wait()
            supplied = look()
            picked = picking.picked()
        picking.over()
        why = picking.missing or f"nobody picked an arrow within {self.within}; run the unit again with a person who " \
                                 "can see the fan and answers"
        return self._taken(picked, why, bench.clock.monotonic()), supplied

    def _taken(self, picked: str | None, why: str, time: float) -> Taken:
        if picked is None:
            return Taken(Reading(self.name, None, "", special=NO_ANSWER, time=time), self.band, if_bad=why)
        number = Decimal(DIRECTIONS.index(picked) + 1)
        wrong = f"seen turning {picked} from {self.seen_from}; it must turn {self.expected}, check its motor's leads"
        return Taken(Reading(self.name, number, "", picked, time=time, instrument=OPERATOR), self.band, if_bad=wrong)

    def missing(self) -> Taken:
        """No answer, for a motor that did not come to run."""
        return self._taken(None, _NOT_TAKEN, 0.0)


Turning = Airflow | Seen
"""What shows which way the fan turns."""


def read_turning(item: Item | None) -> Turning | None:
    """What shows the direction, of a checked group of fields; None where nothing does."""
    if item is None:
        return None
    if item["shown_by"] == "sensor":
        return Airflow(read_band(item))
    return Seen(item["expected"], item["seen_from"], item["within"])


def check_turning(item: Item, findings: Findings) -> None:
    """Note limits in the wrong order."""
    turning = item.get("turning")
    if turning is not None and turning["shown_by"] == "sensor":
        check_band(turning, findings)

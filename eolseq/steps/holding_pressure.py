"""Holding pressure: whether a closed part, such as a coil shipped with dry gas, still has its charge; before any power.

A gauge reads its pressure, the air's and the gas's temperature; or a person reads them from a gauge of the unit and
types each twice. The reading that is judged is the absolute pressure at the reference temperature, by the ideal gas
law, which holds for gases that do not condense: never for a refrigerant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from eolseq.bands.band import NO_ANSWER, AcceptanceBand, Reading
from eolseq.bands.charge import at_reference
from eolseq.quantity import UNITS, Quantity, plain
from eolseq.shape import Amount, Field, Findings, Group, Item, OneOf, Word
from eolseq.steps.base import OPERATOR, Applied, Bench, Connections, Evidence, Taken
from eolseq.steps.entering import typed_once
from eolseq.steps.fields import applied_group, as_text, check_band, read_band, read_connections, step_group
from eolseq.steps.watching import gathering, named

if TYPE_CHECKING:  # the arithmetic is not needed to check a file that has no such step
    from eolseq.bands.uncertainty import Accuracy, Span

KIND = "holding_pressure"
GASES = ("nitrogen", "dry air", "helium", "argon")
_EXPECTED_SECONDS = 0.5
_PLACES = Decimal("0.1")  # Pa, of the worked-out pressure; far below what any gauge shows
_LEAST_KELVIN = Decimal(-200)  # degC; below it a thermometer is broken

ASKED = (("pressure", "Pressure of the charge at its gauge", "bar"), ("air", "Pressure of the air", "mbar"),
         ("temperature", "Temperature of the charged part", "degC"))
"""What a person types, each twice: the reading, the words of the question, and the unit."""


FIELDS = step_group(KIND, "Pa", {
    "gas": Field(Word(GASES), about="what it is charged with; a gas that does not condense"),
    "reference": Field(Amount("degC", at_least=Decimal(-40), at_most=Decimal(60)),
                       about="the temperature for which the band holds, such as '20 degC'"),
    "gauge": Field(OneOf("read_by", {
        "instrument": Group({
            "read_by": Field(Word(("instrument",)), about="by what: a pressure gauge of the station, or a person"),
        }, "the gauge"),
        "operator": Group({
            "read_by": Field(Word(("operator",)), about="by what: a pressure gauge of the station, or a person"),
            "within": Field(Amount("s", at_least=Decimal(10), at_most=Decimal(60)),
                            about="how long the person has for each value, typed twice, such as '60 s'"),
            "accuracy": Field(Amount("Pa", above=Decimal(0), at_most=Decimal(1_000_000)),
                              about="the most that the gauge on the unit may be off, such as '20 mbar'"),
        }, "the gauge"),
    }), about="who reads the pressure"),
    "applied": applied_group(temperature="degC", air="Pa"),
})


class Typed(NamedTuple):
    """A person reads the gauge: time for each value (s), and the gauge's accuracy."""

    within: Quantity
    accuracy: Accuracy


@dataclass(frozen=True)
class HoldingPressure:
    """The settings of a holding pressure step; ``typed`` is None where an instrument reads the gauge."""

    name: str
    band: AcceptanceBand
    gas: str
    reference: Quantity
    typed: Typed | None
    temperature: AcceptanceBand
    air: AcceptanceBand
    connections: Connections
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Read pressure, air and temperature once, and work out the pressure at the reference temperature."""
        with gathering() as found:
            bench.live(self._reading, None, self.band, "measuring", self.seconds())
            readings = self._typed_readings(bench, self.typed) if self.typed else self._measured(bench)
            judged = self._at_reference(readings)
            bench.live(self._reading, judged, self.band, "measured", 0.0)
            for name, unit, band in (("temperature", "degC", self.temperature), ("air", "Pa", self.air)):
                each = named(readings.get(name), name, unit)
                found.applied.append(Applied(name, each, each, 1, band))
            found.readings.append(Taken(judged, self.band, if_bad=self._unanswered(readings), span=self._span()))
        return found.evidence()

    @property
    def _reading(self) -> str:
        return f"absolute pressure at {self.reference}"

    def _measured(self, bench: Bench) -> Mapping[str, Reading]:
        gauge = bench.instrument("pressure_gauge")
        gauge.perform("prepare", expected=self._most())
        return gauge.perform("measure").readings

    def _at_reference(self, readings: Mapping[str, Reading]) -> Reading:
        """The judged reading; without a number where one of the three has none."""
        pressure = named(readings.get("pressure"), "pressure", "Pa")
        others = [named(readings.get(name), name, unit) for name, unit in (("air", "Pa"), ("temperature", "degC"))]
        missing = next((each for each in (pressure, *others) if each.base is None), None)
        if missing is not None:
            special = pressure.special if missing is pressure else NO_ANSWER
            return Reading(self._reading, None, "Pa", missing.raw, special or NO_ANSWER, pressure.time,
                           pressure.instrument)
        gauge, air, celsius = (each.base or Decimal(0) for each in (pressure, *others))
        if air <= 0 or gauge + air < 0 or celsius < _LEAST_KELVIN:
            return Reading(self._reading, None, "Pa", pressure.raw, NO_ANSWER, pressure.time, pressure.instrument)
        value = at_reference(gauge, air, Quantity(celsius, "degC"), self.reference).quantize(_PLACES)
        return Reading(self._reading, plain(value), "Pa", pressure.raw, "", pressure.time, pressure.instrument)

    def _typed_readings(self, bench: Bench, typed: Typed) -> dict[str, Reading]:
        """Every value as a person typed it twice alike; the rest is not asked for once one is missing."""
        found: dict[str, Reading] = {}
        for name, words, unit in ASKED:
            value = _typed_twice(bench, f"{words}, in {unit}", typed.within)
            if value is None:
                break
            base = plain(value * UNITS[unit][1])
            found[name] = Reading(name, base, UNITS[unit][0], f"{value} {unit}, typed twice", "",
                                  bench.clock.monotonic(), OPERATOR)
        return found

    def _unanswered(self, readings: Mapping[str, Reading]) -> str:
        """What is said where a person did not give all the values; empty otherwise."""
        if self.typed is None or len(readings) == len(ASKED):
            return ""
        return f"nobody typed {ASKED[len(readings)][0]} twice alike within {self.typed.within}; run the unit again " \
               "with a person at a terminal who reads the gauge"

    def _span(self) -> Span | None:
        """How sure a typed reading is; an instrument's is found by its driver page."""
        if self.typed is None:
            return None
        from eolseq.bands.uncertainty import Span

        return Span(self._most(), None, self.typed.accuracy, "stated in the sequence")

    def seconds(self) -> float:
        """How long the step is expected to take."""
        return float(self.typed.within) if self.typed else _EXPECTED_SECONDS

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        return () if self.typed else ("pressure_gauge",)

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The band of the pressure, then those under which it holds."""
        return ((self._reading, self.band), ("applied temperature", self.temperature), ("applied air", self.air))

    def highest_volts(self) -> Quantity | None:
        """None: it puts nothing on the unit."""
        return None

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the gauge will be set to."""
        return () if self.typed else (("pressure_gauge", {"expected": self._most()}),)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The reading that the gauge must have the range for."""
        return () if self.typed else (("pressure_gauge", "pressure", self._most()),)

    def routes(self) -> tuple[str, ...]:
        """It connects nothing."""
        return ()

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        return as_text({"gas": self.gas, "reference": self.reference,
                        "read_by": "the operator, typed twice" if self.typed else "the pressure gauge"})

    def _most(self) -> Quantity:
        """The highest pressure that matters, by which the gauge picks its range."""
        return self.band.at_most or Quantity(Decimal(0), "Pa")


def _typed_twice(bench: Bench, question: str, within: Quantity) -> Decimal | None:
    """A number that was typed twice alike within the time; None otherwise. The guard is watched all the while."""
    until = bench.clock.monotonic() + float(within)
    first: Decimal | None = None
    while bench.clock.monotonic() < until:
        again = "the same again" if first is not None else f"type it, Enter, within {within}"
        number = typed_once(bench, f"{question}: {again}.", until)
        if number is None:
            return None
        if number == first:
            return number
        first = number if first is None else None  # two that differ: begin again
    return None


def from_item(item: Item) -> HoldingPressure:
    """The step from its checked fields."""
    gauge, applied = item["gauge"], item["applied"]
    typed = None
    if gauge["read_by"] == "operator":
        from eolseq.bands.uncertainty import read_accuracy

        typed = Typed(gauge["within"], read_accuracy(str(gauge["accuracy"]), "Pa"))
    return HoldingPressure(name=item["name"], band=read_band(item["band"]), gas=item["gas"],
                           reference=item["reference"], typed=typed, temperature=read_band(applied["temperature"]),
                           air=read_band(applied["air"]), connections=read_connections(item["connections"]))


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    check_band(item.get("band"), findings, floor="a floor, which shows a leak", ceiling="a ceiling, by which the gauge "
               "picks its range")
    for name in ("temperature", "air") if item.get("applied") is not None else ():
        check_band(item["applied"][name], findings)
    connections = item.get("connections")
    if connections is not None and (connections["closed"] or connections["tied"]):
        findings.add(item.place_of("connections"), "this step connects nothing", "connections: {}")

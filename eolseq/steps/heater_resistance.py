"""Heater resistance: one cold reading between line and neutral, with a stage closed, or with none (the short check)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import Quantity
from eolseq.shape import Field, Findings, Item
from eolseq.steps.base import Bench, Connections, Evidence
from eolseq.steps.fields import (
    as_text,
    band_group,
    check_band,
    check_connections,
    read_band,
    read_connections,
    route_names,
    step_group,
)
from eolseq.steps.watching import gathering, named

KIND = "heater_resistance"
IF_OPEN = "limit open, stage not closed, or element open"
IF_OPEN_CHECK = "nothing between line and neutral: a lead is off, or the control board is not connected"
_EXPECTED_SECONDS = 0.2  # relays and one reading, for the expected time only

FIELDS = step_group(KIND, "ohm", {
    "ambient": Field(band_group("degC", "ambient", basis=False), required=False,
                     about="the ambient the element must have taken, for which the band holds"),
})


@dataclass(frozen=True)
class HeaterResistance:
    """The settings of a heater resistance step; ``ambient`` (degC) is the condition under which its band holds."""

    name: str
    band: AcceptanceBand
    floor: Quantity
    ambient: AcceptanceBand | None
    connections: Connections
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Take one reading with the parts closed."""
        meter = bench.instrument("resistance_meter")
        with gathering() as found:
            with bench.connected("resistance", self.connections):
                bench.live("resistance", None, self.band, "measuring", _EXPECTED_SECONDS)
                meter.perform("prepare", expected=self._expected())
                reading = named(meter.perform("measure").readings.get("resistance"), "resistance", "ohm")
            bench.live("resistance", reading, self.band, "measured", 0.0)
            found.take(reading, self.band, if_open=IF_OPEN if self.connections.closed else IF_OPEN_CHECK)
        return found.evidence()

    def seconds(self) -> float:
        """How long the step is expected to take."""
        return _EXPECTED_SECONDS + max((float(each.delay) for each in self.connections.closed), default=0.0)

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        return ("resistance_meter", "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The band of the resistance."""
        return (("resistance", self.band),)

    def highest_volts(self) -> Quantity | None:
        """None: the meter's own few volts are all it puts on the unit."""
        return None

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the resistance meter will be set to."""
        return (("resistance_meter", {"expected": self._expected()}),)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The reading the meter must have the range for."""
        return (("resistance_meter", "resistance", self._expected()),)

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs."""
        return route_names("route-resistance", self.connections)

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units, and the ambient that is the condition of the band."""
        return as_text({"expected": self._expected(), **({"ambient": self.ambient} if self.ambient else {})})

    def is_short_check(self) -> bool:
        """Whether it looks between line and neutral with every stage open."""
        return not self.connections.closed and not self.connections.tied

    def _expected(self) -> Quantity:
        """The highest resistance that matters, by which the meter picks its range."""
        return self.band.at_most or self.floor


def from_item(item: Item) -> HeaterResistance:
    """The step from its checked fields."""
    return HeaterResistance(name=item["name"], band=read_band(item["band"]), floor=item["band"]["at_least"],
                            ambient=read_band(item["ambient"]) if item["ambient"] else None,
                            connections=read_connections(item["connections"]))


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    check_band(item.get("band"), findings, floor="a floor, which shows a short")
    check_band(item.get("ambient"), findings)
    check_connections(item, findings)
    connections = item.get("connections")
    if connections is not None and connections["closed"] and not item.given("ambient"):
        findings.add(item.place, "'ambient' is missing in a step that measures an element",
                     "the ambient for which the cold band holds, {at_least: 10 degC, at_most: 35 degC}")
    if connections is not None and connections["tied"]:
        findings.add(connections.place_of("tied"), "conductors are tied in a measurement between them", "no 'tied'")

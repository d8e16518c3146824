"""Ground continuity: a current from the earth terminal to every accessible metal part, and the resistance it meets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.zero import less_zero
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Item, ListOf, Text, Word
from eolseq.steps.base import Bench, Connections, Evidence
from eolseq.steps.fields import (
    HOLD,
    NAME,
    POSITIVE_AMPS,
    POSITIVE_SECONDS,
    applied_group,
    as_text,
    check_applied,
    check_band,
    check_connections,
    check_repeated,
    read_band,
    read_connections,
    route_names,
    step_group,
)
from eolseq.steps.watching import Gathered, Hold, gathering, looks

if TYPE_CHECKING:
    from eolseq.bands.zero import FixtureZero

KIND = "ground_continuity"
_SWITCHING = 0.15  # seconds for relays and OFF at each point, for the expected time only

FIELDS = step_group(KIND, "ohm", {
    "points": Field(ListOf(Text(40, NAME, "letters, digits and dashes, such as front-panel"), 1, 40),
                    about="the metal parts, each measured by itself"),
    "wires": Field(Word(("four", "two")), about="four: current and voltage leads are separate; two: the fixture's zero "
                   "is taken off"),
    "zero": Field(Text(40, NAME, "a fixture such as nest-1"), required=False, default="", about="for two wires: the "
                  "fixture whose zero the station has"),
    "current": Field(POSITIVE_AMPS, about="the test current, such as '25 A'"),
    "rise": Field(POSITIVE_SECONDS, about="how long the current rises, such as '0.1 s'"),
    "hold": Field(HOLD, about="how long it is held, such as '0.5 s'"),
    "open_volts": Field(Amount("V", above=Decimal(0), at_most=Decimal(12)), about="the most the open leads may carry"),
    "applied": applied_group(current="A"),
})


@dataclass(frozen=True)
class GroundContinuity:
    """The settings of a ground continuity step; current in A, times in s, open-circuit voltage in V."""

    name: str
    points: tuple[str, ...]
    current: Quantity
    rise: Quantity
    hold: Quantity
    open_volts: Quantity
    band: AcceptanceBand
    applied_current: AcceptanceBand
    connections: Connections
    zero: str = ""
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Measure each point at the end of its hold; every point is measured, whatever the ones before it gave."""
        held = []
        zeros = self._zeros(bench)
        with gathering() as found:
            for index, point in enumerate(self.points):
                held.append(self._measure(bench, point, self._each() * (len(self.points) - index), found, zeros))
            found.applied.append(Hold.over(held).applied("current", "current", self.applied_current, "A"))
        return found.evidence()

    def _zeros(self, bench: Bench) -> FixtureZero | None:
        """The fixture's zero, good today and for every point, or None in a four-wire step; before any voltage."""
        if not self.zero:
            return None
        zero = bench.zero(self.zero)
        for point in self.points:
            zero.at(point, bench.clock.now().date())
        return zero

    def _measure(self, bench: Bench, point: str, left: float, found: Gathered, zero: FixtureZero | None) -> Hold:
        hold = Hold()
        with bench.connected("continuity", self.connections, point=point), \
                bench.energised("continuity_tester", dict(self._settings())) as source:
            for look in looks(bench, source, float(self.rise) + float(self.hold)):
                hold.add(look)
                bench.live(f"resistance {point}", look.answer.readings.get("resistance"), self.band, look.phase,
                           max(0.0, left - look.since_on))
        reading, band = hold.last("resistance", "ohm"), self.band
        leads = zero.at(point, bench.clock.now().date()) if zero is not None else None
        if zero is not None and leads is not None:
            reading = less_zero(reading, leads)
            band = replace(band, basis=f"{band.basis}; {zero.basis(point)}")
        found.take(reading, band, if_open="no earth path: the point is not bonded, or a lead is off", where=point,
                   zero=leads)
        return hold

    def seconds(self) -> float:
        """How long the step is expected to take."""
        return self._each() * len(self.points)

    def _each(self) -> float:
        return float(self.rise) + float(self.hold) + _SWITCHING

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        return ("continuity_tester", "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The band of each point's resistance, then of the applied current."""
        points = ((f"resistance {point}", self.band) for point in self.points)
        return (*points, ("applied current", self.applied_current))

    def highest_volts(self) -> Quantity | None:
        """The open-circuit voltage."""
        return self.open_volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the continuity tester will be set to."""
        return (("continuity_tester", self._settings()),)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The readings the continuity tester must have the range for."""
        return (*((("continuity_tester", "resistance", self.band.at_most),) if self.band.at_most else ()),
                ("continuity_tester", "current", self.current))

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs; the tester's own route is one a station may do without."""
        return route_names("", self.connections, *(f"bond-{point}" for point in self.points))

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        return {**as_text(self._settings()), "wires": "two" if self.zero else "four",
                **({"zero": self.zero} if self.zero else {}), "points": ", ".join(self.points)}

    def _settings(self) -> Mapping[str, Any]:
        return {"current": self.current, "rise": self.rise, "hold": self.hold, "open_volts": self.open_volts}


def from_item(item: Item) -> GroundContinuity:
    """The step from its checked fields."""
    return GroundContinuity(
        name=item["name"], points=tuple(item["points"]), current=item["current"], rise=item["rise"],
        hold=item["hold"], open_volts=item["open_volts"], band=read_band(item["band"]),
        applied_current=read_band(item["applied"]["current"]), connections=read_connections(item["connections"]),
        zero=item["zero"])


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    check_band(item.get("band"), findings, ceiling="the highest resistance allowed",
               floor="a floor above zero, which shows that the leads are not shorted")
    check_applied(item, findings, current="current")
    check_connections(item, findings)
    check_repeated(item.get("points"), findings, "named")
    if item.get("wires") == "two" and not item.given("zero"):
        findings.add(item.place_of("wires"), "two wires without a zero: the leads would be measured with the unit",
                     "'zero', the fixture whose zero the station has; or four wires")
    if item.get("wires") == "four" and item.given("zero"):
        findings.add(item.place_of("zero"), "a zero in a four-wire step, which leaves the leads out by itself",
                     "no 'zero'")
    band = item.get("band")
    if band is not None and band["at_least"] is not None and band["at_least"].base <= 0:
        findings.add(band.place_of("at_least"), f"a floor of {band['at_least']} shows nothing", "more than 0 ohm")

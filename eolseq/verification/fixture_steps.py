"""The steps that measure a fixture without a unit: its zero, accidental earths, and the current of its leads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.decision import Rule
from eolseq.errors import Place, StationFault, WrongUse
from eolseq.quantity import Quantity, parse
from eolseq.sequence.model import UnitData
from eolseq.serials import NO_UNIT, RESERVED
from eolseq.shape import Item
from eolseq.station.file import Station
from eolseq.station.fixture_fields import BaselineRules, FixtureRules
from eolseq.steps.base import Bench, Connections, Evidence, Step, Taken
from eolseq.steps.watching import Hold, gathering, looks, named
from eolseq.verification.known_loads import to_step
from eolseq.verification.plan import Plan
from eolseq.verification.steps import FALL, HERTZ, HOLD, RISE, Check, SpanOf

SERIAL = NO_UNIT
OPEN_VOLTS = parse("12 V")
ZERO_AMPS, LOOK_AMPS = Decimal(25), Decimal(5)
"""A: what a zero is taken with, as the units are; what flows at most while an accidental earth is looked for."""

TRIP_ABOVE = 1.5
"""The tester's limit, in times the most that the leads may draw: common practice, no source."""

CAUTIONS = {
    "zero": ("No unit may be in the fixture: the shorting piece stands in its place.",
             "A current of up to 25 A flows through the leads and the shorting piece."),
    "baseline": ("No unit may be in the fixture. Its open leads carry full test voltage.",
                 "Keep everything away from the leads; nothing may lie in the bay."),
}


@dataclass(frozen=True)
class _AtPoint(Check):
    """The continuity tester between earth and one chassis lead."""

    point: str
    amps: Quantity
    band: AcceptanceBand

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The current, as a sequence would set it."""
        return ((self.role, {"current": self.amps, "rise": parse("0.1 s"), "hold": parse("0.5 s"),
                             "open_volts": OPEN_VOLTS}),)

    def highest_volts(self) -> Quantity | None:
        """The open-circuit voltage."""
        return OPEN_VOLTS

    def routes(self) -> tuple[str, ...]:
        """The chassis lead's relay."""
        return (f"bond-{self.point}",)

    def measured(self, bench: Bench) -> Hold:
        """Everything seen over the hold."""
        hold = Hold()
        with bench.connected("continuity", self.connections, point=self.point), \
                bench.energised(self.role, self.settings()[0][1]) as source:
            for look in looks(bench, source, 0.6):
                hold.add(look)
        return hold


@dataclass(frozen=True)
class ZeroAt(_AtPoint):
    """What the leads to one point read on the shorting piece."""

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The band of sound leads."""
        return ((f"resistance {self.point}", self.band),)

    def run(self, bench: Bench) -> Evidence:
        """The resistance at the end of the hold."""
        with gathering() as found:
            found.take(self.measured(bench).last("resistance", "ohm"), self.band, where=self.point)
        return found.evidence()


@dataclass(frozen=True)
class NoEarthAt(_AtPoint):
    """No current may find a way from a chassis lead to earth while there is no unit."""

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The most that may flow."""
        return ((f"current to earth {self.point}", self.band),)

    def run(self, bench: Bench) -> Evidence:
        """The highest current of the hold."""
        with gathering() as found:
            current = named(self.measured(bench).highest("current", "A"), "current to earth", "A")
            found.readings.append(Taken(
                current, self.band, where=self.point,
                if_bad=f"{current}, an accidental earth: current finds a way past the unit, so no bond test counts"))
        return found.evidence()


@dataclass(frozen=True)
class EmptyWithstand(Check):
    """The withstand tester on the open leads."""

    rules: BaselineRules

    @property
    def connections(self) -> Connections:
        """Line and neutral tied, as for a unit."""
        return Connections(tied=("L", "N"))

    @property
    def band(self) -> AcceptanceBand:
        """What sound leads draw by themselves."""
        return AcceptanceBand(self.rules.at_least if self.rules.at_least and self.rules.at_least.base else None,
                              self.rules.at_most, "the leads alone, by the station file")

    def highest_volts(self) -> Quantity | None:
        """The test voltage."""
        return self.rules.voltage

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The band of the current."""
        return (("current", self.band),)

    def routes(self) -> tuple[str, ...]:
        """The way to the unit, and the tie."""
        return ("route-withstand", "tie-L-N")

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The voltage, and a limit above the band."""
        trip = max(to_step(float(self.rules.at_most) * TRIP_ABOVE, "0.00001"), Decimal("0.0001"))
        return ((self.role, {"type": "ac", "frequency": HERTZ, "voltage": self.rules.voltage, "rise": RISE,
                             "hold": HOLD, "fall": FALL, "trip": Quantity(trip, "A"), "trip_on": "total"}),)

    def run(self, bench: Bench) -> Evidence:
        """The highest and the lowest current of the hold, and whether the voltage stood."""
        hold = Hold()
        with gathering() as found, bench.connected("withstand", self.connections):
            with bench.energised(self.role, self.settings()[0][1]) as source:
                for look in looks(bench, source, float(RISE) + float(HOLD) + float(FALL)):
                    hold.add(look)
            if hold.seen and hold.seen[-1].phase == "tripped":
                raise StationFault("The tester tripped with no unit in the fixture.",
                                   "Look for a unit that was left in it, damp or a damaged lead.")
            volts = self.rules.voltage.base
            found.applied.append(hold.applied("voltage", "voltage", AcceptanceBand(
                Quantity(volts * Decimal("0.95"), "V"), Quantity(volts * Decimal("1.05"), "V"),
                "within 5 % of what was set"), "V"))
            found.take(named(hold.highest("current_total", "A"), "current", "A"), self.band)
            found.take(named(hold.lowest("current_total", "A"), "current floor", "A"), self.band)
        return found.evidence()


def fixture_plan(station: Station, fixture: FixtureRules, what: str, roles: Mapping[str, str], span_of: SpanOf) -> Plan:
    """The steps that measure a fixture without a unit; WrongUse when the station file does not ask for them."""
    names = {role: name for name, role in roles.items()}
    steps = _zero(station, fixture, names, span_of) if what == "zero" else _baseline(station, fixture, names, span_of)
    text = json.dumps([fixture.name, what, *([step.name, step.settings_for_log()] for step in steps)]).encode()
    return Plan(name=f"Fixture {fixture.name}, {what}", version="1", path=station.path, unit=UnitData(
        ("no unit",), f"{RESERVED}[A-Z-]{{1,30}}", "I", {}, ()), cautions=CAUTIONS[what], steps=tuple(steps),
        source=text, item=Item({"steps": ()}, Place(str(station.path), 1, 1), {}),
        decision=Rule(least_ratio=Decimal(0)))


def _amps(station: Station, most: Decimal) -> Quantity:
    return Quantity(min(most, Decimal(repr(station.ceilings.amps))), "A")


def _zero(station: Station, fixture: FixtureRules, names: Mapping[str, str], span_of: SpanOf) -> list[Step]:
    zero = fixture.zero
    if zero is None:
        raise WrongUse(f"Fixture {fixture.name} has no 'zero' in the station file.", "See 'eolseq manual fixtures'.")
    band = AcceptanceBand(zero.at_least if zero.at_least.base else None, zero.at_most,
                          f"sound leads on {zero.shorting_piece}, by the station file")
    role, amps = "continuity_tester", _amps(station, ZERO_AMPS)
    return [ZeroAt(f"Zero at {point}", names[role], role, span_of, point, amps, band) for point in zero.points]


def _baseline(station: Station, fixture: FixtureRules, names: Mapping[str, str], span_of: SpanOf) -> list[Step]:
    rules = fixture.baseline
    if rules is None:
        raise WrongUse(f"Fixture {fixture.name} has no 'baseline' in the station file.",
                       "See 'eolseq manual fixtures'.")
    steps: list[Step] = []
    if rules.earth_current is not None:
        band = AcceptanceBand(None, rules.earth_current, "no way to earth but the unit's own, by the station file")
        role, amps = "continuity_tester", _amps(station, LOOK_AMPS)
        points = sorted(name.removeprefix("bond-") for name in station.connections if name.startswith("bond-"))
        steps += [NoEarthAt(f"No earth at {each}", names[role], role, span_of, each, amps, band) for each in points]
    role = "withstand_tester"
    return [*steps, EmptyWithstand("Withstand current of the leads", names[role], role, span_of, rules)]

"""Dielectric withstand: high voltage between the conductors and earth, and the current that flows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Item, Word
from eolseq.steps.base import Bench, Connections, Evidence, Residual, Taken, Trip
from eolseq.steps.fields import (
    HERTZ,
    HOLD,
    POSITIVE_AMPS,
    POSITIVE_SECONDS,
    RESIDUAL,
    applied_group,
    as_text,
    check_applied,
    check_band,
    check_connections,
    read_band,
    read_connections,
    read_residual,
    route_names,
    step_group,
)
from eolseq.steps.watching import Hold, applied, gathering, highest, looks, named

KIND = "dielectric_withstand"
_SWITCHING = 0.3  # seconds for relays, OFF, discharge and the proof of dead, for the expected time only
_IDLE_HERTZ = Quantity(Decimal(60), "Hz")  # what a dc test sends where the role takes a frequency; it has no effect

FIELDS = step_group(KIND, "A", {
    "type": Field(Word(("ac", "dc")), about="ac or dc"),
    "frequency": Field(HERTZ, required=False, about="for ac, such as '60 Hz'"),
    "voltage": Field(Amount("V", above=Decimal(0), at_most=Decimal(10000)), about="the test voltage, such as '1230 V'"),
    "rise": Field(POSITIVE_SECONDS, about="how long the voltage rises"),
    "hold": Field(HOLD, about="how long it is held"),
    "fall": Field(POSITIVE_SECONDS, about="how long it falls"),
    "trip": Field(POSITIVE_AMPS, about="the current at which the instrument ends the test at once"),
    "trip_on": Field(Word(("total", "in_phase")), about="which current trips and is judged"),
    "applied": applied_group(voltage="V", time="s"),
    "residual": RESIDUAL,
})


@dataclass(frozen=True)
class DielectricWithstand:
    """The settings of a withstand step; voltage in V (rms for ac), times in s, trip current in A."""

    name: str
    type: str
    frequency: Quantity
    voltage: Quantity
    rise: Quantity
    hold: Quantity
    fall: Quantity
    trip: Quantity
    trip_on: str
    band: AcceptanceBand
    applied_voltage: AcceptanceBand
    applied_time: AcceptanceBand
    residual: Residual
    connections: Connections
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Apply the voltage; the highest current of the hold is judged and, as its floor, the lowest."""
        current, hold = f"current_{self.trip_on}", Hold()
        profile = float(self.rise) + float(self.hold) + float(self.fall)
        with gathering() as found, bench.connected("withstand", self.connections):
            with bench.energised("withstand_tester", dict(self._settings()), residual=self.residual) as source:
                found.so_far = lambda: self._excess(hold, current)
                for look in looks(bench, source, profile):
                    hold.add(look)
                    bench.live("current", look.answer.readings.get(current), self.band, look.phase,
                               max(0.0, profile - look.since_on))
                found.trip = self._trip(hold, current)
            if found.trip is None:
                found.take(named(hold.highest(current, "A"), "current", "A"), self.band)
                found.take(named(hold.lowest(current, "A"), "current floor", "A"), self.band)
            found.applied.append(hold.applied("voltage", "voltage", self.applied_voltage, "V"))
            found.applied.append(applied("time", [_elapsed(hold)], self.applied_time, "s"))
            found.take_residual(source, self.residual)
        return found.evidence()

    def _excess(self, hold: Hold, current: str) -> Taken | None:
        """The highest current so far, held against the upper limit alone: an opened guard can only lower it."""
        limit = AcceptanceBand(None, self.band.at_most, self.band.basis)
        return Taken(named(hold.highest(current, "A"), "current", "A"), limit) if hold.counted else None

    def _trip(self, hold: Hold, current: str) -> Trip | None:
        """What the instrument last saw, if it tripped: at the trip itself, or in the look before if that has more."""
        if not hold.seen or hold.seen[-1].phase != "tripped":
            return None
        last = [look.answer for look in hold.seen[-2:]]
        phases = [look.phase for look in hold.seen[:-1] if look.phase != "starting"]
        return Trip(phase=phases[-1] if phases else "rising",
                    voltage=_most(last, "voltage"), current=_most(last, current), elapsed=_elapsed(hold))

    def seconds(self) -> float:
        """How long the step is expected to take."""
        closing = max((float(each.delay) for each in self.connections.closed), default=0.0)
        return float(self.rise) + float(self.hold) + float(self.fall) + float(self.residual.after) \
            + closing + _SWITCHING

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        return ("withstand_tester", "residual_meter", "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The bands of the current and the residual voltage, then of what is applied."""
        return (("current", self.band), ("current floor", self.band), ("residual voltage", self.residual.band),
                ("applied voltage", self.applied_voltage), ("applied time", self.applied_time))

    def highest_volts(self) -> Quantity | None:
        """The test voltage (rms for ac)."""
        return self.voltage

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the withstand tester will be set to."""
        return (("withstand_tester", self._settings()),)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The readings the tester must have the range for."""
        return (("withstand_tester", f"current_{self.trip_on}", self.trip),
                ("withstand_tester", "voltage", self.voltage))

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs."""
        return route_names("route-withstand", self.connections)

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        settings = as_text(self._settings())
        return settings if self.type == "ac" else {k: v for k, v in settings.items() if k != "frequency"}

    def _settings(self) -> Mapping[str, Any]:
        return {"type": self.type, "frequency": self.frequency, "voltage": self.voltage, "rise": self.rise,
                "hold": self.hold, "fall": self.fall, "trip": self.trip, "trip_on": self.trip_on}


def _elapsed(hold: Hold) -> Reading:
    """The time at full voltage as the instrument counted it: the longest it reported."""
    samples = [look.answer.readings["elapsed"] for look in hold.seen if "elapsed" in look.answer.readings]
    return named(highest(samples, "s"), "time", "s")


def _most(answers: list[Any], reading: str) -> Reading | None:
    samples = [each.readings[reading] for each in answers if reading in each.readings]
    return highest(samples, "") if samples else None


def from_item(item: Item) -> DielectricWithstand:
    """The step from its checked fields."""
    return DielectricWithstand(
        name=item["name"], type=item["type"], frequency=item["frequency"] or _IDLE_HERTZ, voltage=item["voltage"],
        rise=item["rise"], hold=item["hold"], fall=item["fall"], trip=item["trip"], trip_on=item["trip_on"],
        band=read_band(item["band"]), applied_voltage=read_band(item["applied"]["voltage"]),
        applied_time=read_band(item["applied"]["time"]), residual=read_residual(item["residual"]),
        connections=read_connections(item["connections"]))


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    check_band(item.get("band"), findings, floor="a floor, which shows the leads and the closed state",
               ceiling="the highest current allowed")
    check_applied(item, findings, voltage="voltage", time="hold")
    check_connections(item, findings)
    for key, name, why in (("voltage", "at_least", "the lowest test voltage"), ("time", "at_least", "the least time")):
        band = item["applied"].get(key) if item.get("applied") is not None else None
        if band is not None and band.given("at_most") and not band.given(name):
            findings.add(band.place, f"'{name}' is missing in applied {key}", why)
    if item.get("type") == "ac" and not item.given("frequency"):
        findings.add(item.place, "'frequency' is missing in an ac test", "a value such as '60 Hz'")
    band, trip = item.get("band"), item.get("trip")
    if band is not None and trip is not None and band["at_most"] is not None and trip.base <= band["at_most"].base:
        findings.add(item.place_of("trip"), f"trip {trip} is not above the band's {band['at_most']}",
                     f"more than {band['at_most']}")

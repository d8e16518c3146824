"""The steps of a verification: each holds one instrument against a known load, on its good side and on its bad one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.bands.uncertainty import Span
from eolseq.errors import StationFault
from eolseq.quantity import Quantity, parse
from eolseq.station.checks import KnownLoad
from eolseq.steps.base import Bench, Closed, Connections, Evidence
from eolseq.steps.watching import Hold, gathering, looks, named
from eolseq.verification.known_loads import Known, band_around, current_through, expanded, middle, power_in, rms

SpanOf = Callable[[str, str, Quantity], Span | None]
"""Role, reading and the value that matters, to the range in which the station's instrument reads it."""

RELAY_TIME = parse("200 ms")
HERTZ = parse("60 Hz")
RISE, HOLD, FALL = parse("0.3 s"), parse("1 s"), parse("0.2 s")
ON_TIME = parse("2 s")
_NO_BAND = AcceptanceBand(None, None, "worked out from what is measured")
_DEAD = AcceptanceBand(None, parse("25 V"), "nothing is on: it must read dead, under 25 V (EN 50191:2010 scope 1.2)")


def in_place(load: KnownLoad) -> Connections:
    """A known load in the unit's place."""
    return Connections(closed=(Closed(load.relay, "relay", RELAY_TIME),))


def certified(load: KnownLoad) -> Known:
    """A known load's resistance by its certificate."""
    return Known(float(load.resistance), float(load.uncertainty), f"known load {load.name}, {load.certificate}")


@dataclass(frozen=True)
class Check:
    """What all steps here have: the instrument that is held, by its name, and the range that it reads in."""

    name: str
    instrument: str
    role: str
    span_of: SpanOf

    kind = "verification"

    @property
    def connections(self) -> Connections:
        """Nothing is connected, unless a step says so."""
        return Connections()

    def seconds(self) -> float:
        """How long it takes, about."""
        return 3.0

    def roles(self) -> tuple[str, ...]:
        """The instruments it needs."""
        return (self.role, "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """Bands are worked out from what is measured."""
        return ((self.role, _NO_BAND),)

    def highest_volts(self) -> Quantity | None:
        """None: a step that puts voltage on says so."""
        return None

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """None, unless a step says so."""
        return ()

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """None that a sequence must foresee."""
        return ()

    def routes(self) -> tuple[str, ...]:
        """The relays it needs."""
        return tuple(each.part for each in self.connections.closed)

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        return {name: str(value) for _, settings in self.settings() for name, value in settings.items()}

    def unsure(self, reading: Reading, own: str) -> float:
        """The expanded uncertainty of a reading of the instrument that is held; 0 where it has no number."""
        if reading.base is None:
            return 0.0
        return expanded(self.span_of(self.role, own, Quantity(reading.base, "")), float(reading.base))


@dataclass(frozen=True)
class _KnownResistance(Check):
    """A known resistance in the unit's place, and the band that its certificate and the instrument give."""

    load: KnownLoad

    def _band(self) -> AcceptanceBand:
        span = self.span_of(self.role, "resistance", self.load.resistance)
        return band_around(certified(self.load), expanded(span, float(self.load.resistance)), "ohm")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """Known beforehand."""
        return ((f"resistance {self.load.name}", self._band()),)


@dataclass(frozen=True)
class OnResistance(_KnownResistance):
    """The resistance meter on a known load."""

    @property
    def connections(self) -> Connections:
        """The load in the unit's place."""
        return in_place(self.load)

    def run(self, bench: Bench) -> Evidence:
        """One reading of the load."""
        meter = bench.instrument(self.role)
        with gathering() as found, bench.connected("resistance", self.connections):
            meter.perform("prepare", expected=self.load.resistance)
            reading = named(meter.perform("measure").readings.get("resistance"), "resistance", "ohm")
            found.take(reading, self._band(), where=self.load.name)
        return found.evidence()


@dataclass(frozen=True)
class OnShunt(_KnownResistance):
    """The continuity tester on a known shunt, at its full test current."""

    current: Quantity

    @property
    def connections(self) -> Connections:
        """The shunt in the unit's place."""
        return in_place(self.load)

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The test current, as a sequence would set it."""
        return ((self.role, {"current": self.current, "rise": parse("0.1 s"), "hold": parse("0.5 s"),
                             "open_volts": parse("12 V")}),)

    def run(self, bench: Bench) -> Evidence:
        """The resistance at the end of the hold, and the current over it."""
        hold = Hold()
        with gathering() as found, bench.connected("continuity", self.connections):
            with bench.energised(self.role, self.settings()[0][1]) as source:
                for look in looks(bench, source, 0.6):
                    hold.add(look)
            found.take(hold.last("resistance", "ohm"), self._band(), where=self.load.name)
        return found.evidence()


@dataclass(frozen=True)
class OnWithstand(Check):
    """The withstand tester on a known load, its limit just above the current, or just below it, where it must trip."""

    load: KnownLoad
    volts: Quantity
    trip: Quantity
    must_trip: bool

    @property
    def connections(self) -> Connections:
        """The load in the unit's place."""
        return in_place(self.load)

    def highest_volts(self) -> Quantity | None:
        """The test voltage."""
        return self.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The test voltage, and the limit that is tried."""
        return ((self.role, {"type": "ac", "frequency": HERTZ, "voltage": self.volts, "rise": RISE, "hold": HOLD,
                             "fall": FALL, "trip": self.trip, "trip_on": "total"}),)

    def run(self, bench: Bench) -> Evidence:
        """Voltage on; whether it tripped is told by the time at full voltage."""
        hold, seen = Hold(), list[Reading]()
        residual = bench.instrument("residual_meter")
        with gathering() as found, bench.connected("withstand", self.connections):
            with bench.energised(self.role, self.settings()[0][1]) as source:
                for look in looks(bench, source, float(RISE) + float(HOLD) + float(FALL)):
                    hold.add(look)
                    if look.counts and not self.must_trip:
                        seen.append(residual.perform("measure").readings["volts_peak"])
            self._time(hold, found)
            if not self.must_trip:
                self._held(hold, seen, found)
        return found.evidence()

    def _time(self, hold: Hold, found: Any) -> None:
        last = hold.seen[-1]
        elapsed = named(last.answer.readings.get("elapsed"), "time at full voltage", "s")
        tripped = last.phase == "tripped"
        if not tripped and elapsed.base is not None and elapsed.base < HOLD.base * Decimal("0.9"):
            raise StationFault(f"{self.instrument} ended early and does not say that it tripped.",
                               "Call maintenance to check it.")
        half = Quantity(HOLD.base / 2, "s")
        band = AcceptanceBand(None, half, f"it must trip at a current just above its limit of {self.trip}") \
            if self.must_trip else AcceptanceBand(
                half, None, f"it must not trip at a current just below its limit of {self.trip}")
        found.take(elapsed, band)

    def _held(self, hold: Hold, seen: list[Reading], found: Any) -> None:
        """Volts against the residual meter, current against these volts through the load."""
        peak = max(seen, key=lambda each: each.base or Decimal(0), default=None)
        volts = rms(peak)
        own = named(hold.highest("voltage", "V"), "voltage", "V")
        if volts is None or peak is None or peak.base is None:
            found.take(Reading("voltage at the residual meter", None, "V", special="no reading"), _NO_BAND)
            return
        unsure = expanded(self.span_of("residual_meter", "volts_peak", Quantity(peak.base, "V")), float(peak.base))
        reference = Known(volts, unsure / float(peak.base) * volts,
                          f"{peak.instrument or 'residual meter'}, crest/sqrt 2")
        found.take(own, band_around(reference, self.unsure(own, "voltage"), "V"))
        amps = named(hold.highest("current_total", "A"), "current", "A")
        found.take(amps, band_around(current_through(reference, certified(self.load)),
                                     self.unsure(amps, "current_total"), "A"))


@dataclass(frozen=True)
class OnSupply(Check):
    """Whatever sees the supply, on a known load: source, power meter, current meter, residual meter.

    The volts are those of the middle one of the three instruments that see them.
    """

    load: KnownLoad
    volts: Quantity

    @property
    def connections(self) -> Connections:
        """The load in the unit's place."""
        return in_place(self.load)

    def roles(self) -> tuple[str, ...]:
        """The source comes on and the power meter is read, whatever is held."""
        return tuple(dict.fromkeys((*super().roles(), "power_source", "power_meter", "residual_meter")))

    def highest_volts(self) -> Quantity | None:
        """The supply voltage."""
        return self.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The supply, limited to one and a half times the load's current."""
        limit = (self.volts.base / self.load.resistance.base * Decimal("1.5")).quantize(Decimal("0.1"))
        return (("power_source", {"volts": self.volts, "hertz": HERTZ, "current_limit": Quantity(limit, "A"),
                                  "longest_on": ON_TIME}),)

    def run(self, bench: Bench) -> Evidence:
        """One look at everything once the supply stands, and at the residual meter before it does."""
        with gathering() as found, bench.connected("power", self.connections):
            residual = bench.instrument("residual_meter")
            if self.role == "residual_meter":
                before = residual.perform("measure").readings["volts_peak"]
                found.take(named(before, "volts with nothing on", "V"), _DEAD)
            roles = dict.fromkeys(("power_meter", *([self.role] if self.role == "current_meter" else [])))
            meters = {each: bench.instrument(each) for each in roles}
            self._prepare(meters)
            with bench.energised("power_source", self.settings()[0][1]) as source:
                source.pause(0.3)
                seen = {"power_source": source.sample().readings}
                seen |= {role: meter.perform("measure").readings for role, meter in meters.items()}
                seen["residual_meter"] = residual.perform("measure").readings
            self._judge(seen, found)
        return found.evidence()

    def _prepare(self, meters: Mapping[str, Any]) -> None:
        amps = self.volts.base / self.load.resistance.base
        for role, meter in meters.items():
            watts = role == "power_meter"
            meter.perform("prepare", expected=Quantity(self.volts.base * amps, "W") if watts else Quantity(amps, "A"))

    def _judge(self, seen: Mapping[str, Mapping[str, Reading]], found: Any) -> None:
        volts = middle([each for each in (self._volts_of(role, readings) for role, readings in seen.items()) if each])
        if volts is None or volts.value <= 0:
            found.take(Reading("supply volts", None, "V", special="no reading"), _NO_BAND)
            return
        mine, load = seen[self.role], certified(self.load)
        if self.role == "residual_meter":
            crest = Known(volts.value * 2 ** 0.5, volts.uncertainty * 2 ** 0.5, volts.source)
            self._take(found, mine, "volts_peak", crest, "V")
        if "volts" in mine:
            self._take(found, mine, "volts", volts, "V")
        if "current_rms" in mine:
            self._take(found, mine, "current_rms", current_through(volts, load), "A")
        if "watts" in mine:
            self._take(found, mine, "watts", power_in(volts, load), "W")

    def _take(self, found: Any, mine: Mapping[str, Reading], reading: str, reference: Known, unit: str) -> None:
        read = named(mine[reading], reading.replace("_", " "), unit)
        found.take(read, band_around(reference, self.unsure(read, reading), unit))

    def _volts_of(self, role: str, readings: Mapping[str, Reading]) -> tuple[str, float, float] | None:
        """Name, rms volts and expanded uncertainty of one instrument that sees the supply."""
        name = "volts_peak" if role == "residual_meter" else "volts"
        read = readings.get(name)
        if read is None or read.base is None:
            return None
        unsure = expanded(self.span_of(role, name, Quantity(read.base, "V")), float(read.base))
        factor = 0.5 ** 0.5 if role == "residual_meter" else 1.0
        return (read.instrument or role, float(read.base) * factor, unsure * factor)

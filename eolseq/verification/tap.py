"""A shunt whose volts a relay leads to the residual meter, so that a continuity tester that stays on is seen.

No other instrument measures where a continuity tester drives its current. While it is on the residual meter must read
current x resistance, which shows that the tap is connected; after OFF, before the contactor opens, it must read dead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import NO_ANSWER, AcceptanceBand, Outcome, Reading, judge
from eolseq.bands.uncertainty import Span
from eolseq.errors import Refused, StationFault
from eolseq.quantity import Quantity
from eolseq.station.checks import KnownLoad
from eolseq.station.file import Station
from eolseq.station.shown import seen_off
from eolseq.steps.base import Bench, Closed, Connections, Evidence
from eolseq.steps.watching import Hold, gathering, looks, named
from eolseq.verification.known_loads import Known, band_around, expanded
from eolseq.verification.steps import RELAY_TIME, OnShunt, SpanOf, certified, in_place

SETTLES = 0.2  # seconds after OFF until its volts are read; common practice, no source
_SQRT2 = math.sqrt(2.0)
_NO_BAND = AcceptanceBand(None, None, "worked out from what is measured")


def with_tap(load: KnownLoad) -> Connections:
    """The shunt in the unit's place, and its tap at the residual meter."""
    return Connections(closed=(*in_place(load).closed, *at_tap(load).closed))


def at_tap(load: KnownLoad) -> Connections:
    """The tap's relay alone, which then leads nothing anywhere."""
    return Connections(closed=(Closed(load.tap_relay, "relay", RELAY_TIME),))


def crest(load: KnownLoad) -> float:
    """How many times the volts that a current makes across the shunt the residual meter reads: it reads the crest."""
    return _SQRT2 if load.tap == "ac" else 1.0


def volts_at(amps: Known, load: KnownLoad) -> Known:
    """The volts that the residual meter must read while a current flows, with what they are unsure by."""
    ohms = certified(load)
    volts = amps.value * ohms.value * crest(load)
    parts = (amps.uncertainty / amps.value, ohms.uncertainty / ohms.value)
    return Known(volts, volts * math.hypot(*parts), f"{amps.source}, through {ohms.source}")


def dead_band(unsure: float) -> AcceptanceBand:
    """What the residual meter may read of nothing: its own expanded uncertainty there, rounded down to 1 mV."""
    most = Quantity(Decimal(math.floor(unsure * 1000.0)) / 1000, "V")
    return AcceptanceBand(None, most, "the tester is off: across the shunt may stand no more than the residual meter's "
                          f"own U of {unsure:.3g} V at 0 V (k = 2)")


def refuse_tap(load: KnownLoad, amps: Quantity, span_of: SpanOf) -> None:
    """Refused when the residual meter could not tell the volts of a sound shunt from none."""
    do = "Nothing was energised. Put the tap at a shunt of more resistance, or state the residual meter's accuracy."
    volts = float(amps) * float(load.resistance) * crest(load)
    at_on, at_off = (span_of("residual_meter", "volts_peak", _volts(each)) for each in (volts, 0.0))
    if not _stated(at_on) or not _stated(at_off):
        raise Refused(f"Nobody states how sure the residual meter is that reads the tap of known load {load.name}.", do)
    off, on = expanded(at_off, 0.0), math.hypot(expanded(at_on, volts), float(load.uncertainty) * float(amps))
    if volts - on <= off:
        raise Refused(f"{amps} through known load {load.name} give {volts:.3g} V at its tap, which the residual meter "
                      f"cannot tell from nothing: it is unsure by {on:.2g} V there and by {off:.2g} V at 0 V.", do)


def not_rated(station: Station, pages: Mapping[str, Any]) -> list[str]:
    """Why a residual meter of the station may read no tap: it does not reach the crest of the station's ceiling.

    Its input is where the test voltage is, so what it reads to is what it must bear. Empty where no load has a tap.
    """
    volts = station.ceilings.volts * _SQRT2
    if not seen_off(station):
        return []
    meters = {name: page for name, page in pages.items() if page.role == "residual_meter"}
    found = [f"{name} reads to {page.gives['volts_peak'].ranges[-1].to} only; {volts:.0f} V can stand at its input; "
             "it may read no tap. Take a meter that reads to that, or lower the ceiling."
             for name, page in meters.items() if float(page.gives["volts_peak"].ranges[-1].to) < volts]
    return found if meters else ["A known load has a tap, and no residual meter of this station could read it. Take "
                                 "'tap' away, or name the meter."]


def taps_first(loads: Iterable[KnownLoad]) -> list[KnownLoad]:
    """Shunts with a tap first, so that a tester that stays on is seen before another relay switches its current."""
    return sorted(loads, key=lambda each: not each.tap)


def _volts(value: float) -> Quantity:
    return Quantity(Decimal(repr(round(value, 6))), "V")


def _stated(span: Span | None) -> bool:
    return span is not None and span.known


def _size(reading: Reading) -> Reading:
    """A reading without its sign: which end of a shunt is led to the meter's line input makes no difference."""
    return reading if reading.value is None else reading._replace(value=abs(reading.value))


@dataclass(frozen=True)
class OnTappedShunt(OnShunt):
    """The continuity tester on a shunt with a tap: its resistance, and its output seen on and seen off."""

    @property
    def connections(self) -> Connections:
        """The shunt in the unit's place, and its tap."""
        return with_tap(self.load)

    def roles(self) -> tuple[str, ...]:
        """The tester, the relays and the meter at the tap."""
        return (*super().roles(), "residual_meter")

    def run(self, bench: Bench) -> Evidence:
        """Resistance and volts at the end of the hold; volts after OFF, while the contactor is still closed."""
        hold, seen = Hold(), list[Reading]()
        residual = bench.instrument("residual_meter")
        with gathering() as found, bench.connected("continuity", self.connections), \
                bench.energised(self.role, self.settings()[0][1]) as source:
            for look in looks(bench, source, 0.6):
                hold.add(look)
                if look.counts:
                    seen.append(residual.perform("measure").readings["volts_peak"])
            found.take(hold.last("resistance", "ohm"), self._band(), where=self.load.name)
            self._seen_on(hold, seen, found)
            source.switch_off()
            source.pause(SETTLES)
            self._seen_off(residual.perform("measure").readings["volts_peak"], found)
        return found.evidence()

    def _seen_on(self, hold: Hold, seen: list[Reading], found: Any) -> None:
        amps = hold.last("current", "A")
        volts = _size(named(seen[-1] if seen else None, "volts at the tap while on", "V"))
        if amps.base is None or amps.base <= 0 or volts.base is None:
            found.take(Reading(volts.name, None, "V", special=NO_ANSWER), _NO_BAND)
            return
        value = float(amps.base)
        own = expanded(self.span_of(self.role, "current", Quantity(amps.base, "A")), value)
        reference = volts_at(Known(value, own, f"{self.instrument}'s own current"), self.load)
        found.take(volts, band_around(reference, self._unsure_at(volts.base), "V"))

    def _seen_off(self, read: Reading, found: Any) -> None:
        """StationFault unless it is dead: the run ends here, for nothing is to be tested beside such an output."""
        volts = _size(named(read, "volts at the tap after OFF", "V"))
        band = dead_band(self._unsure_at(Decimal(0)))
        found.take(volts, band)
        if judge(band, volts).outcome is not Outcome.PASS:
            seen = "it still drives a current through" if volts.base is not None else "that could not be seen at"
            raise StationFault(f"{self.instrument} says that its output is off, and {seen} {self.load.name}.",
                               f"Switch {self.instrument} off at its mains switch and call maintenance.")

    def _unsure_at(self, volts: Decimal) -> float:
        return expanded(self.span_of("residual_meter", "volts_peak", Quantity(volts, "V")), float(volts))

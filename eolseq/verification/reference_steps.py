"""The steps of a verification that hold an instrument against a reference meter while a source is on.

Voltage is on for a stated few seconds and no longer, whoever reads the meter: it holds what it showed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.bands.uncertainty import Span
from eolseq.quantity import Quantity, parse
from eolseq.station.checks import KnownLoad
from eolseq.station.reference_fields import Blower, ReferenceMeter
from eolseq.steps.base import Bench, Closed, Connections, Evidence, Powered, Taken
from eolseq.steps.watching import Gathered, gathering, named, wait_for_next
from eolseq.verification.known_loads import Known, band_around, expanded
from eolseq.verification.references import References, known, span_of_meter, unread
from eolseq.verification.steps import RELAY_TIME, Check, in_place

ON_FOR = parse("4 s")
"""How long the supply is on for a counter: its gate time, and time to press its hold key."""

_SPARE = Decimal("0.5")  # s beyond it after which the source ends by itself
_STILL = 0.05            # part of the flow's reading that a fan at rest may leave: common practice, no source
NOT_READY = "nobody said that the reference meter is ready, so nothing was switched on for it"


def watched(bench: Bench, source: Powered, seconds: float) -> Mapping[str, Reading]:
    """Look at a source that is on for so long, as every step does; its last readings."""
    until = bench.clock.monotonic() + seconds
    while True:
        now = bench.clock.monotonic()
        answer = source.sample()
        if now >= until:
            return answer.readings
        wait_for_next(bench, source, now)


@dataclass(frozen=True)
class _Referenced(Check):
    """A step beside which a reference meter is read."""

    meter: ReferenceMeter
    references: References

    def roles(self) -> tuple[str, ...]:
        """The source comes on whatever is held."""
        return tuple(dict.fromkeys((self.role, "power_source", "switching_unit")))

    def _against(self, found: Gathered, own: Reading, reading: str, reference: Reading) -> Known | None:
        """Take the instrument's own reading against the reference's; what the reference showed, if anything."""
        shown = known(self.meter, reference)
        if shown is None:
            found.readings.append(unread(self.meter, own.name, own.unit))
            return None
        found.take(own, band_around(shown, self.unsure(own, reading), own.unit))
        return shown


@dataclass(frozen=True)
class OnFrequency(_Referenced):
    """The supply's frequency on a known load, by a counter: against what was set, and against what is read."""

    load: KnownLoad
    volts: Quantity
    hertz: Quantity

    @property
    def connections(self) -> Connections:
        """The load in the unit's place."""
        return in_place(self.load)

    @property
    def caution(self) -> str:
        """What the person must have done before the guard is closed."""
        return f"Connect {self.meter.name} across known load {self.load.name}, where it can be read with the guard " \
               "closed. It must hold its last reading."

    def seconds(self) -> float:
        """How long it takes, about."""
        return float(ON_FOR) + 2.0

    def highest_volts(self) -> Quantity | None:
        """The supply voltage."""
        return self.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The supply, limited to one and a half times the load's current."""
        limit = (self.volts.base / self.load.resistance.base * Decimal("1.5")).quantize(Decimal("0.1"))
        return (("power_source", {"volts": self.volts, "hertz": self.hertz, "current_limit": Quantity(limit, "A"),
                                  "longest_on": Quantity(ON_FOR.base + _SPARE, "s")}),)

    def run(self, bench: Bench) -> Evidence:
        """The supply on for a few seconds; what the counter holds is asked for when it is off."""
        with gathering() as found:
            if not self.references.ready(bench, f"Hold key of {self.meter.name} ready? {self.volts} at {self.hertz} "
                                                f"comes on for {ON_FOR}."):
                found.readings.append(unread(self.meter, f"frequency at {self.hertz}", "Hz", NOT_READY))
                return found.evidence()
            with bench.connected("power", self.connections), \
                    bench.energised("power_source", self.settings()[0][1]) as source:
                seen = watched(bench, source, float(ON_FOR))
                self.references.hold(self.meter)
            shown = self.references.read(bench, self.meter, f"What {self.meter.name} holds")
            self._judge(seen, shown, found)
        return found.evidence()

    def _judge(self, seen: Mapping[str, Reading], shown: Reading, found: Gathered) -> None:
        own = named(seen.get("hertz"), f"frequency at {self.hertz}", "Hz")
        reference = self._against(found, own, "hertz", shown)
        if reference is None:
            return
        span = self.span_of(self.role, "hertz", self.hertz)
        was_set = Known(float(self.hertz), expanded(span, float(self.hertz)), f"{self.hertz} was set")
        found.readings.append(Taken(named(shown, f"{self.meter.name} at {self.hertz}", "Hz"),
                                    band_around(was_set, reference.uncertainty, "Hz"), span=span_of_meter(self.meter)))


@dataclass(frozen=True)
class OnAirflow(_Referenced):
    """The airflow meter at the flow of a running fan, and with the fan at rest."""

    fan: Blower

    @property
    def connections(self) -> Connections:
        """The fan of what stands in the bay."""
        return Connections(closed=(Closed(self.fan.part, "relay", RELAY_TIME),))

    def seconds(self) -> float:
        """How long it takes, about."""
        return float(self.fan.runs) + float(self.fan.run_down) + 2.0

    def highest_volts(self) -> Quantity | None:
        """What the fan is supplied with."""
        return self.fan.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The supply of the fan, and the meter's range."""
        return (("power_source", {"volts": self.fan.volts, "hertz": self.fan.hertz,
                                  "current_limit": self.fan.current_limit,
                                  "longest_on": Quantity(self.fan.runs.base + _SPARE, "s")}),
                (self.role, {"expected": self.meter.most}))

    def run(self, bench: Bench) -> Evidence:
        """The meter with the fan at rest, then at its flow; what the reference holds is asked for at rest again."""
        meter = bench.instrument(self.role)
        with gathering() as found:
            meter.perform("prepare", expected=self.meter.most)
            still = meter.perform("measure").readings.get("pressure")
            if not self.references.ready(bench, f"Hold key of {self.meter.name} ready? The fan runs for "
                                                f"{self.fan.runs}."):
                found.readings.append(unread(self.meter, "pressure at the flow", "Pa", NOT_READY))
                return found.evidence()
            with bench.connected("power", self.connections), \
                    bench.energised("power_source", self.settings()[0][1], run_down=self.fan.run_down) as source:
                watched(bench, source, float(self.fan.runs))
                own = meter.perform("measure").readings.get("pressure")
                self.references.hold(self.meter)
                source.sample()
            shown = self.references.read(bench, self.meter, f"What {self.meter.name} holds")
            reference = self._against(found, named(own, "pressure at the flow", "Pa"), "pressure", shown)
            if reference is not None:
                self._take_still(named(still, "pressure at rest", "Pa"), reference, found)
        return found.evidence()

    def unsure(self, reading: Reading, own: str) -> float:
        """Its uncertainty in the range that it was set to, which is that of the reference's highest value."""
        span: Span | None = self.span_of(self.role, own, self.meter.most)
        return 0.0 if reading.base is None else expanded(span, float(reading.base))

    def _take_still(self, still: Reading, reference: Known, found: Gathered) -> None:
        allowed = _STILL * abs(reference.value)
        most = math.hypot(allowed, self.unsure(still, "pressure"))
        rounded = Decimal(repr(most)).quantize(Decimal("0.001"), "ROUND_FLOOR")
        found.take(still, AcceptanceBand(
            Quantity(-rounded, "Pa"), Quantity(rounded, "Pa"), "the fan is at rest: near 0, within 5 % of the flow's "
            f"reading (common practice, no source) and U of the instrument; {reference.source}"))

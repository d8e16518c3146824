"""What was seen of a unit while the supply was on once: volts, amps and watts at the unit, and how long it held."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from eolseq.bands.band import NO_ANSWER, NOT_A_NUMBER, AcceptanceBand, Reading
from eolseq.steps.base import Bench, Powered
from eolseq.steps.watching import Hold, Look, named, wait_for_next

if TYPE_CHECKING:
    from eolseq.instruments.roles import Answer, Instrument

_NO_WATTS = Reading("power", None, "W", special=NO_ANSWER)
_NO_VOLTS = Reading("volts", None, "V", special=NO_ANSWER)


@dataclass(eq=False, repr=False)
class Turn:
    """What was seen while the supply was on once."""

    bench: Bench
    source: Powered
    meter: Instrument
    band: AcceptanceBand
    expected: float  # seconds
    begun: float
    amps: list[tuple[float, Reading]] = field(default_factory=list)
    watts: Reading = _NO_WATTS
    volts: Reading = _NO_VOLTS
    hold: Hold = field(default_factory=Hold)

    def look(self, phase: str) -> bool:
        """Look at source and meter once; whether the source still supplies the unit."""
        since_on = self.bench.clock.monotonic() - self.begun
        answer = self.source.sample()
        seen = self.meter.perform("measure").readings
        self.watts = named(seen.get("watts"), "power", "W")
        self.volts = named(seen.get("volts"), "volts", "V")
        self.amps.append((since_on, named(seen.get("current_rms"), "current", "A")))
        self.hold.add(self._look(answer, since_on))
        self.bench.live("power", self.watts, self.band, phase, max(0.0, self.expected - since_on))
        return "limited" not in answer.flags

    def _look(self, answer: Answer, since_on: float) -> Look:
        """The volts are those at the unit, by the meter, and not those at the source."""
        holding = "holding" in answer.flags
        counts = holding and bool(self.hold.seen) and self.hold.seen[-1].phase == "holding"
        at_unit = answer._replace(readings={**answer.readings, "volts": self.volts})
        return Look(at_unit, "holding" if holding else "other", counts, since_on)

    def wait(self) -> None:
        """Wait until the next look is due."""
        wait_for_next(self.bench, self.source, self.begun + self.amps[-1][0])

    @property
    def since_on(self) -> float:
        """When the last look was, in seconds."""
        return self.amps[-1][0]

    @property
    def current(self) -> Reading:
        """The last reading of the current."""
        return self.amps[-1][1]

    def factor(self) -> Reading:
        """Watts in per cent of volts times amps; not a number where one of them is missing or nothing flows."""
        watts, volts, amps = self.watts.base, self.volts.base, self.current.base
        part = watts / (volts * amps) * 100 if watts is not None and volts and amps else None
        value = None if part is None else part.quantize(Decimal("0.1"))
        return Reading("power factor", value, "%", "computed", "" if value is not None else NOT_A_NUMBER,
                       self.watts.time)

"""One passage through the door to voltage: what it may not exceed, what was seen, and the view a step gets of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.bands.band import Reading
from eolseq.clock import Clock
from eolseq.errors import InstrumentFault, StationFault
from eolseq.guard.inputs import Reason
from eolseq.guard.watcher import Watcher
from eolseq.instruments.roles import Answer, Instrument
from eolseq.quantity import Quantity

PROOF_FROM = 50.0     # volts, crest: from here on the residual meter must have seen the voltage to be believed
_SQRT2 = 1.4142135623730951


@dataclass(frozen=True)
class Ceilings:
    """What this station never exceeds, in V, A (trip current), A and s, whatever a sequence says."""

    volts: float
    trip_current: float
    amps: float
    seconds: float

    def refuse(self, settings: Mapping[str, Any]) -> str:
        """A sentence naming the first setting above a ceiling, or an empty text."""
        limits = {"voltage": (self.volts, "V"), "volts": (self.volts, "V"), "open_volts": (self.volts, "V"),
                  "trip": (self.trip_current, "A"), "current": (self.amps, "A"), "current_limit": (self.amps, "A"),
                  "hold": (self.seconds, "s"), "rise": (self.seconds, "s"), "longest_on": (self.seconds, "s")}
        for name, value in settings.items():
            if name in limits and isinstance(value, Quantity) and float(value) > limits[name][0]:
                limit, unit = limits[name]
                return f"{name} {value} is above this station's ceiling of {limit:g} {unit}."
        return ""


@dataclass
class Wiring:
    """What the door needs of the bench besides the guard: how to discharge the unit and how to see its volts.

    ``residual`` is the meter at the unit's terminals or None; ``discharge(True)`` puts the discharge across the unit.
    """

    residual: Instrument | None
    discharge: Callable[[bool], bool] | None
    access: float  # seconds


@dataclass
class Opening:
    """One passage through the door: what the source reported and what the residual meter saw (crest volts)."""

    source_peak: float = 0.0
    seen_peak: float = 0.0
    residual_fault: str = ""
    on: bool = False
    off_confirmed: bool = False
    off_at: float = 0.0
    after_off: Reading | None = None
    alternating: bool = True
    growing: bool = True  # the source's volts may still rise, so the residual meter keeps looking

    def report(self, volts: float) -> None:
        """Take in the source's own volts (rms where alternating)."""
        crest = volts * _SQRT2 if self.alternating else volts
        risen = crest > self.source_peak * 1.02
        self.source_peak = max(self.source_peak, crest)
        self.growing = risen or self.seen_peak < self.source_peak / 2

    @property
    def seen(self) -> bool:
        """Whether the residual meter has shown that it sees this source, or need not."""
        return self.source_peak < PROOF_FROM or self.seen_peak >= self.source_peak / 2


class Power:
    """A source that is on: the only view of it that a step gets."""

    def __init__(self, source: Instrument, watcher: Watcher, wiring: Wiring, ceilings: Ceilings, opening: Opening,
                 clock: Clock) -> None:
        self.after_off: Reading | None = None
        self._source = source
        self._watcher = watcher
        self._wiring = wiring
        self._ceilings = ceilings
        self._opening = opening
        self._clock = clock

    def sample(self) -> Answer:
        """Measure at the source, hold its volts against the ceiling, and let the residual meter see them."""
        self._watcher.check()
        if self._opening.growing:
            self._see()
        answer = self._source.perform("measure")
        volts = _volts_of(answer)
        if volts > self._ceilings.volts:
            self._watcher.trip(Reason(True, f"{self._source.name} reports {volts:.0f} V, above this station's ceiling.",
                                      "Do not test. Call maintenance to check the source."))
        self._opening.report(volts)
        self._watcher.check()
        return answer

    def pause(self, seconds: float, since: float | None = None) -> None:
        """Wait with voltage on, from a moment (monotonic s) if given; ends at once, by an exception, on a trip."""
        self._watcher.pause(seconds, since)

    def switch_off(self) -> None:
        """Turn the source off before the block ends; confirmed."""
        self._source.perform("off")
        if "on" in self._source.perform("output").flags:
            raise StationFault(f"{self._source.name} still reports its output on after OFF.", "Call maintenance.")
        self._opening.off_confirmed = True
        self._opening.off_at = self._clock.monotonic()

    def _see(self) -> None:
        """Let the residual meter look, before the source is asked: it is never newer than what it must prove."""
        opening = self._opening
        if self._wiring.residual is None:
            return
        try:
            seen = self._wiring.residual.perform("measure").readings["volts_peak"].base
        except InstrumentFault as error:
            opening.residual_fault = str(error)
            return
        if seen is not None:
            opening.seen_peak = max(opening.seen_peak, abs(float(seen)))


def _volts_of(answer: Answer) -> float:
    for name in ("voltage", "volts"):
        reading = answer.readings.get(name)
        if reading is not None and reading.base is not None:
            return abs(float(reading.base))
    return 0.0

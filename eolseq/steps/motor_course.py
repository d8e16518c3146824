"""The current of a motor over time, from ON until it is switched off, with what was applied meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.steps.base import Bench, Powered
from eolseq.steps.watching import Hold, Look, named, wait_for_next

if TYPE_CHECKING:
    from eolseq.instruments.roles import Answer, Instrument


@dataclass(eq=False, repr=False)
class Course:
    """The current over time while the motor runs, and what was applied meanwhile."""

    bench: Bench
    source: Powered
    meter: Instrument
    band: AcceptanceBand
    expected: float
    begun: float = 0.0
    phase: str = "starting"
    samples: list[tuple[float, Reading]] = field(default_factory=list)
    hold: Hold = field(default_factory=Hold)

    def look(self) -> bool:
        """Look at source and meter once; whether the source still supplies the motor."""
        since_on = self.bench.clock.monotonic() - self.begun
        answer = self.source.sample()
        self.hold.add(Look(answer, "holding" if "holding" in answer.flags else "other", self._counts(answer), since_on))
        reading = named(self.meter.perform("measure").readings.get("current_rms"), "current", "A")
        self.samples.append((since_on, reading))
        self.bench.live("current", reading, self.band, self.phase, max(0.0, self.expected - since_on))
        return "limited" not in answer.flags

    def _counts(self, answer: Answer) -> bool:
        return "holding" in answer.flags and bool(self.hold.seen) and self.hold.seen[-1].phase == "holding"

    def wait(self) -> None:
        """Wait until the next look is due."""
        wait_for_next(self.bench, self.source, self.begun + self.samples[-1][0])

    @property
    def last(self) -> Reading:
        """The last reading of the current."""
        return self.samples[-1][1]

"""What the screen knows about a run, built from events alone; it decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from eolseq.bands.band import AcceptanceBand, Outcome, Reading
from eolseq.engine.events import (
    Acknowledged,
    Cautions,
    Event,
    Instruction,
    JudgedReading,
    Live,
    RunBegins,
    RunEnds,
    SafetyState,
    StepBegins,
    StepEnds,
    StepPlan,
)

_WORST_FIRST = (Outcome.FAIL, Outcome.FAULT, Outcome.STOPPED, Outcome.UNDECIDED)


@dataclass(slots=True)
class StepView:
    """One step: its plan, how it ended (None: not yet), the reading to show, and how many more there are."""

    plan: StepPlan
    outcome: Outcome | None = None
    sentence: str = ""
    reading: Reading | None = None
    band: AcceptanceBand | None = None
    more: int = 0


@dataclass(slots=True)
class RunView:
    """Everything that is shown of one run; ``tell`` is the only thing that changes it."""

    plan: RunBegins | None = None
    cautions: Cautions | None = None
    operator: str = ""
    instruction: str = ""
    safety: SafetyState | None = None
    steps: list[StepView] = field(default_factory=list)
    current: int | None = None
    live: dict[str, Live] = field(default_factory=dict)
    ended: RunEnds | None = None
    longest_name: int = 0       # characters
    _step_left: float = 0.0     # seconds left in the current step when last heard of
    _heard: float = 0.0         # when that was, on the monotonic clock
    _after: list[float] = field(default_factory=list)  # seconds expected in all steps after each

    def tell(self, event: Event, now: float) -> None:
        """Take in one event that came at the monotonic time ``now``, in seconds; an unknown kind is left alone."""
        take = _TOLD.get(type(event))
        if take is not None:
            take(self, event, now)

    def waiting_for_acknowledgement(self) -> bool:
        """Whether the cautions are up and nobody has acknowledged them yet."""
        return self.cautions is not None and not self.operator and self.ended is None

    def simulated(self) -> bool:
        """Whether the run says that it is simulated."""
        return self.plan is not None and self.plan.simulated

    def seconds_left(self, now: float) -> float:
        """Seconds of testing still expected at the monotonic time ``now``, never below zero."""
        if self.ended is not None or not self._after:
            return 0.0
        if self.current is None:
            return self._after[0] + self.steps[0].plan.seconds
        return max(0.0, self._step_left - (now - self._heard)) + self._after[self.current]

    def main_live(self) -> Live | None:
        """The reading the step is about: the newest that is held against the first band of its plan."""
        if self.current is None or not self.live:
            return None
        taken = list(self.live.values())
        bands = self.steps[self.current].plan.bands
        first = [live for live in taken if bands and live.band == bands[0][1]]
        banded = [live for live in taken if live.band is not None]
        return (first or banded or taken)[-1]

    def other_live(self) -> list[Live]:
        """What is read beside the main reading; earlier points under the same band are over and left out."""
        main = self.main_live()
        return [live for live in self.live.values() if main and live is not main
                and (live.band is None or live.band != main.band)]

    def _begins(self, event: RunBegins, now: float) -> None:
        self.plan, self.steps = event, [StepView(plan) for plan in event.steps]
        self.current, self.ended, self.operator, self.cautions = None, None, "", None
        self.live.clear()
        self.longest_name = max((len(plan.name) for plan in event.steps), default=0)
        seconds = [plan.seconds for plan in event.steps]
        self._after = [sum(seconds[i + 1:]) for i in range(len(seconds))]

    def _cautions(self, event: Cautions, now: float) -> None:
        self.cautions, self.operator = event, ""

    def _acknowledged(self, event: Acknowledged, now: float) -> None:
        self.operator = event.operator

    def _instruction(self, event: Instruction, now: float) -> None:
        self.instruction = event.text

    def _safety(self, event: SafetyState, now: float) -> None:
        self.safety = event

    def _step_begins(self, event: StepBegins, now: float) -> None:
        if 0 <= event.index < len(self.steps):
            self.current = event.index
            self.live.clear()
            self._step_left, self._heard = self.steps[event.index].plan.seconds, now

    def _live(self, event: Live, now: float) -> None:
        if event.index != self.current:
            return  # a late one; the step it belongs to has been judged
        self.live[event.name] = event
        self._step_left, self._heard = event.seconds_left, now

    def _step_ends(self, event: StepEnds, now: float) -> None:
        if not 0 <= event.index < len(self.steps):
            return
        step = self.steps[event.index]
        step.outcome, step.sentence, step.more = event.outcome, event.sentence, max(0, len(event.readings) - 1)
        told = deciding(event.readings)
        step.reading, step.band = (told.reading, told.band) if told else (None, None)
        self._step_left, self._heard = 0.0, now
        self.live.clear()

    def _ends(self, event: RunEnds, now: float) -> None:
        self.ended = event
        self.live.clear()
        for step in self.steps:
            if step.outcome is None:
                step.outcome, step.reading, step.band = Outcome.NOT_REACHED, None, None


def deciding(readings: tuple[JudgedReading, ...]) -> JudgedReading | None:
    """The reading that decided a step: the first with the worst outcome."""
    for outcome in _WORST_FIRST:
        for reading in readings:
            if reading.outcome is outcome:
                return reading
    return readings[0] if readings else None


_TOLD: dict[type, Callable[[RunView, Any, float], None]] = {
    RunBegins: RunView._begins,
    Cautions: RunView._cautions,
    Acknowledged: RunView._acknowledged,
    Instruction: RunView._instruction,
    SafetyState: RunView._safety,
    StepBegins: RunView._step_begins,
    Live: RunView._live,
    StepEnds: RunView._step_ends,
    RunEnds: RunView._ends,
}

"""What the screen knows about a shift, built from events alone; it decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from eolseq.engine.events import Cautions, Instruction, RunBegins, SafetyState
from eolseq.line.shift_events import (
    CautionPage,
    CodeTaken,
    Note,
    ShiftBegins,
    ShortCaution,
    Situation,
    Stands,
    Tally,
    Typing,
    UnitOver,
)
from eolseq.screen.model import RunView

_KEEPS = (Situation.RUNNING, Situation.LABEL, Situation.PLATE, Situation.LABEL_MISSING, Situation.LOCKED)
"""Situations through which the outcome of the last unit stays; a unit that passed is over when its label is right."""


@dataclass(slots=True)
class ShiftView:
    """Everything that is shown of a shift; ``tell`` is the only thing that changes it."""

    begins: ShiftBegins | None = None
    stands: Stands | None = None
    reading: CautionPage | None = None
    note: Note | None = None
    over: UnitOver | None = None
    tally: Tally | None = None
    told_at: float = 0.0
    typing: str = ""
    short: str = ""
    safety: SafetyState | None = None
    run: RunView = field(default_factory=RunView)

    def tell(self, event: Any, now: float) -> None:
        """Take in one event that came at the monotonic time ``now``, in seconds; an unknown kind is left alone."""
        take = _TOLD.get(type(event))
        if take is not None:
            take(self, event, now)
        if type(event) is not Cautions:  # acknowledged in full when the person signed in; each unit gets the short one
            self.run.tell(event, now)

    @property
    def situation(self) -> Situation | None:
        """Where the shift stands, as far as it was told."""
        return None if self.stands is None else self.stands.situation

    @property
    def testing(self) -> bool:
        """Whether a test or check runs, so that its own picture is shown."""
        return self.situation in (Situation.RUNNING, Situation.CHECKING) and self.run.plan is not None

    @property
    def simulated(self) -> bool:
        """Whether the station is simulated."""
        return self.begins is not None and self.begins.simulated

    def seconds(self, now: float) -> float:
        """Seconds since the shift began, without breaks, at the monotonic time ``now``."""
        if self.tally is None:
            return 0.0
        gone = now - self.told_at
        return self.tally.seconds + gone - sum(max(0.0, min(ends, gone) - max(begins, 0.0))
                                               for begins, ends in self.tally.rests)

    def resting(self, now: float) -> bool:
        """Whether it is a break at the monotonic time ``now``."""
        gone = now - self.told_at
        return self.tally is not None and any(begins <= gone < ends for begins, ends in self.tally.rests)

    def _begins(self, event: ShiftBegins, now: float) -> None:
        self.begins = event

    def _stands(self, event: Stands, now: float) -> None:
        before = self.situation
        if event.situation is not before:
            if event.situation is Situation.RUNNING:
                self.note, self.over, self.short, self.run = None, None, "", RunView()
            elif before not in _KEEPS or event.situation not in (*_KEEPS, Situation.WAITING) or (
                    self.over is not None and self.over.released and event.situation is Situation.WAITING):
                self.over = None
        self.stands = event

    def _note(self, event: Note, now: float) -> None:
        self.note = event

    def _taken(self, event: CodeTaken, now: float) -> None:
        self.note = None
        if self.situation is Situation.WAITING:
            self.over = None  # what comes now is about another unit

    def _over(self, event: UnitOver, now: float) -> None:
        self.over, self.note = event, None

    def _tally(self, event: Tally, now: float) -> None:
        self.tally, self.told_at = event, now

    def _page(self, event: CautionPage, now: float) -> None:
        self.reading = event

    def _typing(self, event: Typing, now: float) -> None:
        self.typing = event.text

    def _short(self, event: ShortCaution, now: float) -> None:
        self.short = event.text

    def _safety(self, event: SafetyState, now: float) -> None:
        self.safety = event

    def _run(self, event: RunBegins, now: float) -> None:
        self.run = RunView(safety=self.safety)

    def _instruction(self, event: Instruction, now: float) -> None:
        if self.note is not None and self.note.running:
            self.note = None


_TOLD: dict[type, Callable[[ShiftView, Any, float], None]] = {
    ShiftBegins: ShiftView._begins,
    Stands: ShiftView._stands,
    Note: ShiftView._note,
    CodeTaken: ShiftView._taken,
    UnitOver: ShiftView._over,
    Tally: ShiftView._tally,
    CautionPage: ShiftView._page,
    Typing: ShiftView._typing,
    ShortCaution: ShiftView._short,
    SafetyState: ShiftView._safety,
    RunBegins: ShiftView._run,
    Instruction: ShiftView._instruction,
}

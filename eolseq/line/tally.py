"""The count of a shift: passed, rejected by step, the others, and the pace against the line's takt. Pure."""

from __future__ import annotations

from collections import Counter

from eolseq.bands.band import Outcome
from eolseq.engine.run import RunResult
from eolseq.line.shift_events import Tally

_REJECTS = (Outcome.FAIL, Outcome.UNDECIDED)


class Count:
    """Counts the units of one shift."""

    def __init__(self, began: float, takt: float | None) -> None:
        self._began = began  # monotonic seconds
        self._takt = takt
        self.passed = self.others = 0
        self.rejects: Counter[str] = Counter()

    @property
    def rejected(self) -> int:
        """How many units failed or were undecided."""
        return self.rejects.total()

    def take(self, result: RunResult) -> None:
        """One more unit's test is over."""
        if result.outcome in _REJECTS:
            self.rejects[next(step.name for step, verdict in result.steps if verdict.outcome is result.outcome)] += 1
        elif result.released:
            self.passed += 1
        else:
            self.others += 1

    def now(self, monotonic: float) -> Tally:
        """The count at a monotonic time in seconds."""
        seconds = monotonic - self._began
        expected = None if self._takt is None else int(seconds // self._takt)
        return Tally(seconds, self.passed, tuple(self.rejects.most_common()), self.others, expected)

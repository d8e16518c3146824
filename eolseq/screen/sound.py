"""The sound of an outcome, by the terminal's bell: how often it rings tells pass from reject from fault."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from eolseq.bands.band import Outcome

RINGS: dict[Outcome, int] = {Outcome.PASS: 1, Outcome.FAIL: 3, Outcome.UNDECIDED: 3, Outcome.REFUSED: 2,
                             Outcome.STOPPED: 4, Outcome.FAULT: 5}
GAP = 0.35  # s between two rings; a terminal makes one of what comes faster


class Bell:
    """Rings without ever waiting: what is due is rung whenever it is called, at most one each time."""

    def __init__(self, ring: Callable[[], None], *, on: bool = True) -> None:
        self.on = on
        self._ring = ring
        self._due: deque[float] = deque()

    def tell(self, outcome: Outcome, now: float) -> None:
        """Let an outcome be heard from the monotonic time ``now`` on, in place of what has not been rung yet."""
        self._due = deque(now + GAP * number for number in range(RINGS.get(outcome, 0)))
        self.moment(now)

    def moment(self, now: float) -> None:
        """Ring if a ring is due."""
        if self._due and now >= self._due[0]:
            self._due.popleft()
            if self.on:
                self._ring()

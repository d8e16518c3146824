"""Things that happen by themselves at a stated time, in their order, however late somebody looks."""

from __future__ import annotations

import math
from collections.abc import Callable


class Deadlines:
    """A clock that is told the time and carries out what falls due on the way, each thing at its own time."""

    def __init__(self, now: float) -> None:
        self.now = now
        self._due: dict[str, tuple[float, Callable[[], None]]] = {}
        self._next = math.inf

    def advance_to(self, now: float) -> None:
        """Move on to a time in seconds of the clock, through every deadline on the way in its order."""
        while self._next <= now:
            name, (time, action) = min(self._due.items(), key=lambda item: item[1][0])
            del self._due[name]
            self._next = min([each[0] for each in self._due.values()], default=math.inf)
            self.now = max(self.now, time)
            action()
        if now > self.now:
            self.now = now

    def due(self, name: str, time: float, action: Callable[[], None]) -> None:
        """Have something done at a time; one deadline by each name."""
        self._due[name] = (time, action)
        self._next = min([each[0] for each in self._due.values()])

    def cancel(self, name: str) -> None:
        """Forget a deadline, if there is one by this name."""
        if self._due.pop(name, None) is not None:
            self._next = min([each[0] for each in self._due.values()], default=math.inf)

"""What a person is told to do at the bay when no unit belongs in it: a verification, a fixture, a message by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

KNOWN_LOADS = "Open the guard, take any unit out, connect the known loads, close the guard."
NOTHING = "Open the guard, take any unit out, leave the leads free, close the guard."


def without_unit(words: str, tell: Callable[[Any], None]) -> Callable[[Any], None]:
    """Tells events, but ``words`` where the engine says to connect a unit: whoever obeyed would put voltage on it."""
    from eolseq.engine.events import Instruction

    def told(event: Any) -> None:
        unit = isinstance(event, Instruction) and "connect the unit" in event.text
        tell(Instruction(words) if unit else event)
    return told

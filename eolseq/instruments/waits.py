"""What a trace says of a wait on purpose, so that it can be told from the time that the program takes for itself."""

from __future__ import annotations

from collections.abc import Callable

Trace = Callable[[str, str, str, float], None]
"""Called with who it is of, ``out``, ``in``, ``off``, ``failed`` or ``wait``, the text, and the monotonic time in
seconds."""


def told(trace: Trace, who: str, since: float, until: float, now: float) -> None:
    """Tell a trace that somebody waits until a moment, and from which moment that was counted; monotonic seconds."""
    trace(who, "wait", f"from {since:.6f} until {until:.6f}", now)


def moments(text: str) -> tuple[float, float]:
    """From which moment a traced wait was counted, and until when it was to last; monotonic seconds."""
    _, since, _, until = text.split()
    return float(since), float(until)

"""A number that a person types once; the guard is watched all the while, and nothing waits beyond its time."""

from __future__ import annotations

from decimal import Decimal

from eolseq.steps.base import Bench

LOOK_EVERY = 0.1  # seconds between two glances at what was typed


def typed_once(bench: Bench, question: str, until: float) -> Decimal | None:
    """The number that a person types before a moment (monotonic seconds); None when none came or none can come."""
    entry = bench.ask_number(question)
    try:
        while not entry.missing and bench.clock.monotonic() < until:
            number = entry.entered()
            if number is not None:
                return number
            bench.pause(LOOK_EVERY)
        return None
    finally:
        entry.over()

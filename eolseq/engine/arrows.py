"""Asking a person which way a fan turns: numbered arrows, in an order that changes from unit to unit.

The right one is never named, and a number learnt at one unit is of no use at the next. Nothing here waits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Protocol

from eolseq.engine.events import Event, Instruction
from eolseq.quantity import Quantity

ARROWS = {"clockwise": "↻", "anticlockwise": "↺", "to and fro": "↔", "not at all": "○"}
KEEP_CLEAR = Instruction("Keep clear. The test is running.")
_NOBODY = "the arrow could not be asked for, since no person is at a terminal; start the run at a terminal"


class Typed(Protocol):
    """Listens for a number that a person types."""

    @property
    def gone(self) -> bool:
        """Whether the terminal has gone, so that no answer can come."""

    def number(self) -> int | None:
        """The number typed since listening began; None as yet. Never waits."""

    def line(self) -> str | None:
        """The next whole line typed since listening began; None as yet. Never waits."""


Listen = Callable[[int], Typed | None]
"""Begins to listen for a number from 1 to so many (0: for lines); None where there is no terminal."""


def order_for(serial: str, directions: Sequence[str]) -> tuple[str, ...]:
    """The order in which the arrows are shown for a unit."""
    return tuple(Random(f"arrows for {serial}").sample(list(directions), len(directions)))


def question(seen_from: str, order: Sequence[str], within: Quantity) -> str:
    """What the person is asked, in one line."""
    listed = ", ".join(f"{at} {ARROWS[each]} {each}" for at, each in enumerate(order, 1))
    return f"Fan from {seen_from}: type its number, Enter, within {within}. {listed}"


class Arrows:
    """One question; satisfies ``steps.base.Picking``."""

    def __init__(self, order: tuple[str, ...], typed: Typed | None, emit: Callable[[Event], None]) -> None:
        self._order = order
        self._typed = typed
        self._emit = emit

    @property
    def missing(self) -> str:
        """Why no answer can come; empty while one can."""
        return _NOBODY if self._typed is None or self._typed.gone else ""

    def picked(self) -> str | None:
        """The direction whose number was typed; None as yet, or when there is no such number."""
        number = self._typed.number() if self._typed is not None else None
        return self._order[number - 1] if number is not None and 1 <= number <= len(self._order) else None

    def over(self) -> None:
        """Take the question away."""
        self._emit(KEEP_CLEAR)

"""Asking a person for a measured number while a run waits for it. Nothing here waits."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal

from eolseq.engine.arrows import KEEP_CLEAR, Typed
from eolseq.engine.events import Event, Instruction

_NUMBER = re.compile(r"[+-]?[0-9]{1,6}(?:[.,][0-9]{1,4})?")
_NOBODY = "the number could not be asked for, since no person is at a terminal; start the run at a terminal"
_NO_NUMBER = Instruction("That was no number. Type digits with a point, such as 10.02, then Enter.")


class AskedNumber:
    """One question; satisfies ``steps.base.Entering``."""

    def __init__(self, typed: Typed | None, emit: Callable[[Event], None]) -> None:
        self._typed = typed
        self._emit = emit

    @property
    def missing(self) -> str:
        """Why no answer can come; empty while one can."""
        return _NOBODY if self._typed is None or self._typed.gone else ""

    def entered(self) -> Decimal | None:
        """The number that was typed, with a point or a comma; None as yet, or when what was typed is none."""
        line = self._typed.line() if self._typed is not None else None
        if line is None:
            return None
        if not _NUMBER.fullmatch(line):
            self._emit(_NO_NUMBER)
            return None
        return Decimal(line.replace(",", "."))

    def over(self) -> None:
        """Take the question away."""
        self._emit(KEEP_CLEAR)

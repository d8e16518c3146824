"""One thing found in a sequence: a code for programs, its place, a sentence for people, and how much it matters.

An ``error`` means that the sequence is not run; a ``warning`` is for the engineer to think about, and an error where
``check`` is asked to be strict; a ``note`` is worth knowing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from eolseq.errors import FileMistakes, Mistake, Place

if TYPE_CHECKING:
    from eolseq.steps.base import Step

ERROR = "error"
WARNING = "warning"
NOTE = "note"


class Finding(NamedTuple):
    """One thing found: a code for programs, its place, a sentence for people, and ERROR, WARNING or NOTE."""

    code: str
    place: Place
    sentence: str
    severity: str = ERROR

    def __str__(self) -> str:
        return f"{self.place}: {self.severity}: {self.sentence} [{self.code}]"


def about(step: Step, code: str, place: Place, words: str, severity: str = ERROR) -> Finding:
    """A finding on a step, which the sentence names first."""
    return Finding(code, place, f"step '{step.name}': {words}", severity)


def errors_in(found: Iterable[Finding]) -> list[Finding]:
    """Only those that keep a sequence from being run."""
    return [each for each in found if each.severity == ERROR]


def refuse(found: Iterable[Finding]) -> None:
    """Raise FileMistakes if any finding is an error."""
    bad = [Mistake(each.place, each.sentence) for each in errors_in(found)]
    if bad:
        raise FileMistakes(bad)

"""The entries about people and about units between their runs: who may test, rework, release, void.

The first field of an entry about one unit is its ``serial``: the log keeps such entries by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from eolseq.records.entries import YesNo


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """Who may run which sequence and until when; the document stands here as quality signed it."""

    kind: ClassVar[str] = "people"
    number: int
    document: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework:
    """What was done to a unit after a run that it did not pass, so that it may be tested again.

    ``run`` is the entry that ended that run, ``sequence`` the name of its sequence, which must be repeated whole.
    ``changed`` is what was changed on the unit itself; None when nothing was. ``lead``: whether it is the lead's word,
    which frees a unit that is locked to the lead; ``document`` is that word as it was signed.
    """

    kind: ClassVar[str] = "rework"
    serial: str
    run: int
    sequence: str
    cause: str
    changed: str | None
    by: str
    lead: YesNo = "no"
    document: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """Quality lets a unit go whose heater or motor reading was undecided; the document stands here as it was signed.

    ``run`` is the ``end`` of the undecided run.
    """

    kind: ClassVar[str] = "release"
    serial: str
    run: int
    reason: str
    by: str
    document: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Void:
    """A pass or release of a unit counts no more, such as when its covers were opened; ``run`` is the pass's end."""

    kind: ClassVar[str] = "void"
    serial: str
    run: int
    reason: str
    by: str

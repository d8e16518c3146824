"""Frozen events of several bays of one station, beside those that each bay's own shift emits. They decide nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from eolseq.line.shift_events import CautionPage, Situation, Stands


@dataclass(frozen=True)
class Busy:
    """The shared instruments: all by name, who has which, and which bays wait for what, in their order."""

    shared: tuple[str, ...]
    held: tuple[tuple[str, str], ...] = ()
    waiting: tuple[tuple[str, tuple[str, ...]], ...] = ()


def reading_together(stands: Mapping[str, Stands], pages: Mapping[str, CautionPage]) -> tuple[str, ...]:
    """The bays whose people read what the first of those that read does: the same cautions, page and reader.

    A screen has room for one page only. Whoever reads another one is not shown it, so no badge acknowledges it.
    """
    reading = [bay for bay, each in stands.items() if each.situation is Situation.CAUTIONS and bay in pages]
    if not reading:
        return ()
    first = reading[0]
    return tuple(bay for bay in reading if (pages[bay], stands[bay].do) == (pages[first], stands[first].do))

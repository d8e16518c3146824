"""The entries that carry what people signed, as they stood at one moment, read from the log as they are wanted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import overload

from eolseq.records.kept import Kept, Row
from eolseq.records.places import Places
from eolseq.records.runs import Carried

_ASKED = "SELECT number, idx, leaf, kind, place, size FROM documents WHERE "


class CarriedEntries(Sequence[Carried]):
    """Entries of DOCUMENTS, oldest first; the first is the genesis. What comes into the log later is not in it."""

    def __init__(self, kept: Kept, places: Places, count: int) -> None:
        self._kept, self._places, self._count = kept, places, count

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Carried]:
        return self._between(0, self._count)

    @overload
    def __getitem__(self, at: int) -> Carried: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Carried]: ...

    def __getitem__(self, at: int | slice) -> Carried | Sequence[Carried]:
        if isinstance(at, slice):
            start, stop, step = at.indices(self._count)
            return list(self._between(start, stop))[::step] if step > 0 else list(self)[at]
        number = range(1, self._count + 1)[at]
        return self._entry(self._kept.ask(f"{_ASKED} number = ?", (number,))[0])

    def _between(self, start: int, stop: int) -> Iterator[Carried]:
        return map(self._entry, self._kept.pages(f"{_ASKED} number <= ?", start, stop))

    def _entry(self, row: Row) -> Carried:
        _, index, leaf, kind, place, size = row
        return Carried(index, leaf, kind, partial(self._places.payload, place, size, leaf))

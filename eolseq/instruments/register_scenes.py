"""Reads the ``transcript`` of a register page: its scenes, with what is read and written in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from eolseq.errors import Place
from eolseq.instruments.page_scenes import Scenes
from eolseq.instruments.register_model import BIT_TABLES, REGISTER_TABLES
from eolseq.shape import Count, Field, Group, Item, ListOf, MapOf, Text, Word, YesNo

_NUMBERS = ListOf(Count(0, 65535), 1, 2000)
_TABLE = Word((*REGISTER_TABLES, *BIT_TABLES))

REGISTER_SCENE = Group({
    "does": Field(Text(40), about="'identity', or an action of the role"),
    "with": Field(MapOf(Text(60)), False, about="the settings that it is given"),
    "exchanges": Field(ListOf(Group({
        "read": Field(_TABLE, False, about="the table that is read"),
        "write": Field(Word(("holding", "coil")), False, about="the table that is written"),
        "at": Field(Count(0, 65535), about="the first address, counted from 0"),
        "in": Field(_NUMBERS, False, about="beside 'read': the registers or bits that come back"),
        "text": Field(Text(250), False, about="beside 'read': what comes back as letters, two in a register"),
        "out": Field(_NUMBERS, False, about="beside 'write': what is written"),
    }, "an exchange"), 1, 200), about="in their order"),
    "gives": Field(MapOf(Text(60)), False, about="the readings that it means"),
    "flags": Field(ListOf(Text(40)), False, about="the flags that are set"),
    "fault": Field(YesNo(), False, about="whether the page must find a fault in it"),
}, "a scene")
"""The keys of a scene of a register page's transcript."""


@dataclass(frozen=True)
class Requested:
    """One request of a transcript: a table, its first address, whether it is read or written, and the numbers.

    ``letters``: whether the numbers are letters, which are filled up to as many registers as are read.
    """

    table: str
    at: int
    reads: bool
    numbers: tuple[int, ...]
    letters: bool
    place: Place

    def __str__(self) -> str:
        return request(self.reads, self.table, self.at, self.numbers)


def request(reads: bool, table: str, at: int, numbers: Sequence[int]) -> str:
    """A request in words, such as ``write holding 10: 30``."""
    return f"read {len(numbers)} of {table} {at}" if reads else f"write {table} {at}: {', '.join(map(str, numbers))}"


class RegisterScenes(Scenes):
    """Reads ``transcript`` of a register page."""

    def _exchanges(self, entry: Item) -> tuple[Any, ...]:
        found = [self._requested(each) for each in entry["exchanges"] or () if each is not None]
        return tuple(each for each in found if each is not None)

    def _requested(self, entry: Item) -> Requested | None:
        reads = entry["read"] is not None
        given = [key for key in ("in", "text", "out") if entry[key] is not None]
        wanted = ("in", "text") if reads else ("out",)
        if reads == (entry["write"] is not None) or len(given) != 1 or given[0] not in wanted:
            self.findings.add(entry.place, "this is neither one request to read nor one to write",
                              "'read' with 'in' or 'text', or 'write' with 'out'")
            return None
        if entry["at"] is None:
            return None
        numbers = _letters(entry["text"]) if given == ["text"] else tuple(entry[given[0]])
        if None in numbers:
            return None
        return Requested(entry["read"] or entry["write"], entry["at"], reads, numbers, given == ["text"], entry.place)


def _letters(text: str) -> tuple[int, ...]:
    data = text.encode("ascii", "replace")
    return tuple(int.from_bytes(data[at:at + 2].ljust(2, b"\0"), "big") for at in range(0, len(data), 2))

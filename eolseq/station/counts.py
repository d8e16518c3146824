"""The counts of tests of the instruments of several bays, looked at as each lease begins and ends.

Leases of an instrument follow one another, whichever bay has them, so a count must begin each where it ended the one
before; what lies between two leases is nobody's of the station. So a neighbour's tests are never taken for a
stranger's, and no stranger's for a neighbour's. Nobody looks while another bay has the instrument.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from eolseq.errors import StationFault
from eolseq.station.desk import Desk

FIND_OUT = "Find out who used it. Verify it: eolseq verify {name} --bay {bay}."


class SharedCounts:
    """What is known of each instrument's count, by its name; an entry changes only while its instrument is held."""

    def __init__(self, players: Mapping[str, Any], desk: Desk) -> None:
        self._players, self._desk = players, desk
        self.strict = True
        self._known: dict[str, int] = {}
        self._noting: set[str] = set()      # bays where a verification takes note of what a count is now
        self.unsure: set[str] = set()       # those that could not be read as a lease ended
        self.moved: dict[str, tuple[int, int]] = {}  # known, and what it showed; until a verification takes note
        self.noted: set[str] = set()        # of those, what a verification has used since

    def start(self, *, strict: bool = True) -> None:
        """Look at every count once, before anything is tested; ``strict``: what a stranger did is looked for."""
        self.strict = strict
        found = {name: player.count() for name, player in self._players.items()}
        self._known = {name: count for name, count in found.items() if count is not None}

    def known(self, *, moved: bool = False) -> dict[str, int]:
        """The counts as they are known for certain now, for the record; ``moved``: those also that a stranger moved."""
        return {name: count for name, count in self._known.items()
                if self._desk.holder(name) is None and name not in self.unsure and (moved or name not in self.moved)}

    def begins(self, bay: str, names: Iterable[str]) -> None:
        """A lease of these instruments begins; StationFault when a count is not as the lease before left it.

        Nor may it begin when that could not be read: a stranger since then would be taken for part of the station.
        """
        for name in self._counting(names) if self.strict else ():
            if name in self.unsure and bay not in self._noting:
                raise StationFault(f"The test counter of {name} could not be read after its last use.",
                                   "Test the unit again: the count is then held against the log first.")
            self._hold(name, self._players[name].count(), bay)
            if name in self.moved and bay not in self._noting:
                known, now = self.moved[name]
                raise StationFault(f"The test counter of {name} was {known} and is {now}: it was used outside the "
                                   "program.", FIND_OUT.format(name=name, bay=bay))

    def ends(self, names: Iterable[str], allow_reads: Callable[[], None]) -> None:
        """A lease of these instruments is about to end, with everything off and dead."""
        for name in self._counting(names):
            try:
                allow_reads()
                self._known[name] = int(self._players[name].count())
            except StationFault:
                self.unsure.add(name)

    def look(self, bay: str, names: Iterable[str]) -> dict[str, int]:
        """What those of these instruments show that are free now; what a stranger moved is kept in ``moved``."""
        found = {}
        for name in self._counting(names):
            held = self._desk.take_if_free(bay, {name})
            if held is None:
                continue
            try:
                found[name] = int(self._players[name].count())
                self._hold(name, found[name], bay)
            finally:
                self._desk.give_back(bay, held, dead=True)
        return found

    def settle(self, name: str) -> None:
        """A count that was unsure, or that was moved, stands as it is now: the log or a verification says so."""
        self.unsure.discard(name)
        self.moved.pop(name, None)

    @contextmanager
    def noting(self, bay: str) -> Iterator[None]:
        """For the block, a verification at a bay takes note of the counts as they are."""
        self._noting.add(bay)
        try:
            yield
        finally:
            self._noting.discard(bay)

    def _hold(self, name: str, now: int, bay: str) -> None:
        if bay not in self._noting and name not in self.unsure and now != self._known[name]:
            self.moved.setdefault(name, (self._known[name], now))
            self.noted.discard(name)
        elif bay in self._noting:
            self.noted.add(name)
        self._known[name] = now

    def _counting(self, names: Iterable[str]) -> list[str]:
        return [name for name in names if name in self._known]

"""Looks at every instrument of a station, side by side: who answers, how fast, and what stands in its error queue.

Nothing is switched and nothing is set: an instrument is asked who it is, and its errors are read. One that does not
answer, or is another than the station file names, is told with its reason and keeps none of the others from being seen.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import EolseqError
from eolseq.instruments.any_page import AnyPage
from eolseq.instruments.exchange import Identity
from eolseq.station.file import InstrumentPlace, Station
from eolseq.station.open import OPEN_WITHIN, AnyPlayer, connected

ROUNDS = 5
"""How many times each instrument is asked, for its round trip."""


@dataclass(frozen=True)
class Looked:
    """One instrument as it answers now: ``round_trip`` is the median in seconds, None where it gave no answer.

    ``problem``: why it may not be used, with what to do; empty where it is the one that the station file names.
    """

    place: InstrumentPlace
    role: str
    model: str
    address: str
    identity: Identity | None = None
    round_trip: float | None = None
    problem: str = ""

    @property
    def errors(self) -> tuple[str, ...]:
        """What stood in its error queue, oldest first; reading it has emptied it."""
        return self.identity.left_over if self.identity is not None else ()


def look_at(station: Station, pages: Mapping[str, AnyPage], addresses: Mapping[str, str], manager: Any,
            clock: Clock) -> tuple[Looked, ...]:
    """Every instrument of the station, in the order of its file; never raises for one that does not answer."""
    found: dict[str, Looked] = {}
    tasks = [clock.start(f"look at {place.name}",
                         _looker(place, pages[place.name], addresses[place.name], manager, clock, found))
             for place in station.instruments]
    deadline = clock.monotonic() + OPEN_WITHIN
    for place, task in zip(station.instruments, tasks, strict=True):
        page, address = pages[place.name], addresses[place.name]
        if not task.join(max(0.0, deadline - clock.monotonic())):
            found[place.name] = Looked(place, page.role, page.model, address,
                                       problem=f"It did not answer within {OPEN_WITHIN:.0f} s. Check power and cable.")
        elif task.error is not None:
            raise task.error
    return tuple(found[place.name] for place in station.instruments)


def _looker(place: InstrumentPlace, page: AnyPage, address: str, manager: Any, clock: Clock,
            found: dict[str, Looked]) -> Callable[[], None]:
    def work() -> None:
        try:
            found[place.name] = _look(place, page, address, manager, clock)
        except EolseqError as error:
            found[place.name] = Looked(place, page.role, page.model, address, problem=str(error))
    return work


def _look(place: InstrumentPlace, page: AnyPage, address: str, manager: Any, clock: Clock) -> Looked:
    player, link = connected(place, page, address, manager, clock)
    try:
        identity = player.open()
        seconds = statistics.median(_timed(player, clock) for _ in range(ROUNDS))
    finally:
        link.close()
    problem = ""
    if identity.serial != place.serial:
        problem = (f"It reports the serial number {identity.serial}, not {place.serial}. Connect the right instrument, "
                   "or have its entry in the station file changed.")
    return Looked(place, page.role, page.model, address, identity, seconds, problem)


def _timed(player: AnyPlayer, clock: Clock) -> float:
    """Seconds of one question and its answer."""
    begun = clock.monotonic()
    player.who()
    return clock.monotonic() - begun

"""A station with all its instruments open, or every reason why not.

All instruments are opened side by side; if any fails, all failures are reported together, with what to do. Then the
watcher starts, every output is turned off and the bay is proved dead, before anything else happens.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any

from eolseq.bands.zero import FixtureZero
from eolseq.clock import Clock
from eolseq.errors import EolseqError, InstrumentFault, LinkNotOpen, StationFault, WrongUse
from eolseq.guard.inputs import GuardSettings, Reason
from eolseq.guard.power import Door, LockedRed
from eolseq.guard.watcher import StopLine, Watcher
from eolseq.instruments.any_page import AnyPage
from eolseq.instruments.exchange import Identity
from eolseq.instruments.link import Link, can_be_aborted, open_link
from eolseq.instruments.player import Player
from eolseq.instruments.register_model import RegisterPage
from eolseq.instruments.register_player import RegisterPlayer
from eolseq.instruments.roles import ROLES
from eolseq.station.bays import OpenBay, Parts, members, misfits, open_bays, open_only_bay
from eolseq.station.counts import SharedCounts
from eolseq.station.desk import Desk
from eolseq.station.file import InstrumentPlace, Station
from eolseq.station.out_of_use import ClosedBay, OutOfUse, left_out

AnyPlayer = Player | RegisterPlayer
"""An instrument of a station, by a page of either kind."""

OPEN_WITHIN = 10.0  # seconds for all instruments together


@dataclass
class OpenStation:
    """Every instrument of a station, its bays with their watchers and doors; ``close`` ends them."""

    station: Station
    players: Mapping[str, AnyPlayer]
    identities: Mapping[str, Identity]
    bays: tuple[OpenBay, ...]
    links: tuple[Link, ...]
    desk: Desk | None = None  # None where there is one bay
    counts: SharedCounts | None = None  # the same
    measured_zeros: Mapping[str, Mapping[str, FixtureZero]] | None = None  # by bay and fixture, once the log was asked
    closed: tuple[ClosedBay, ...] = ()  # the bays that are out of use: ``bays`` has the others alone

    @property
    def out(self) -> Mapping[str, OutOfUse]:
        """The bays that are out of use since an instrument of theirs did not open, by name."""
        return {each.name: each.out for each in self.closed}

    @property
    def watcher(self) -> Watcher:
        """The watcher of the first bay."""
        return self.bays[0].watcher

    @property
    def door(self) -> Door:
        """The door to voltage of the first bay."""
        return self.bays[0].door

    def zeros_at(self, bay: str) -> Mapping[str, FixtureZero]:
        """By fixture, what its leads read at a bay: as measured, where the log has been asked, else as typed."""
        return self.station.zeros_at(bay) if self.measured_zeros is None else self.measured_zeros[bay]

    def of_several(self, bay: str) -> str:
        """The name of a bay where there are several; empty where there is one, of which all in the log is."""
        return bay if len(self.station.places) > 1 else ""

    def noting(self, bay: str) -> AbstractContextManager[None]:
        """For the block, a verification at a bay takes note of counts of tests as they are."""
        return nullcontext() if self.counts is None else self.counts.noting(bay)

    @property
    def by_role(self) -> Mapping[str, Any]:
        """The instruments that steps at the first bay may use, by role; its guard unit belongs to the watcher alone."""
        return self.bays[0].by_role

    def bay(self, name: str) -> OpenBay:
        """The bay of a name; WrongUse, with every name, when there is none; StationFault when it is out of use."""
        for each in self.bays:
            if each.name == name:
                return each
        out = self.out.get(name)
        if out is not None:
            raise StationFault(f"{name} is out of use: {out.what}", out.do)
        raise WrongUse(f"{self.station.name} has no bay '{name}'.", f"They are {', '.join(self.station.bays)}.")

    @property
    def simulated(self) -> bool:
        """Whether any instrument says it is simulated, whatever the station file says."""
        return bool(self.station.simulated) or any(each.simulated for each in self.identities.values())

    def all_off(self) -> None:
        """Turn every output off, prove every bay dead, open every relay; LockedRed when dead cannot be shown.

        For the beginning, and after a lock: no bay may be testing. Every instrument is free after it. A bay out of use
        is seen to hold no output as well.
        """
        alive: list[LockedRed] = []
        every: tuple[OpenBay | ClosedBay, ...] = (*self.bays, *self.closed)
        for bay in every:
            try:
                bay.all_off()
            except LockedRed as error:
                alive.append(error)
        if alive:
            fault = alive[0] if len(alive) == 1 else \
                LockedRed(" ".join(each.what for each in alive), alive[0].do)
            if self.desk is not None:
                self.desk.lock(fault)
            raise fault
        if self.desk is not None:
            self.desk.start_afresh()

    def trip(self, reason: Reason) -> None:
        """Stop every bay for good; safe from any thread."""
        for bay in self.bays:
            bay.watcher.stop(reason)

    def close(self) -> None:
        """End the watchers, which lets the watchdogs drop the contactors, and close every line."""
        for bay in self.bays:
            bay.watcher.end()
        for link in self.links:
            link.close()


def open_station(station: Station, pages: Mapping[str, AnyPage], addresses: Mapping[str, str], manager: Any,
                 clock: Clock, settings: GuardSettings | None = None) -> OpenStation:
    """Open every instrument and the stop lines; StationFault naming every instrument that failed, and why.

    ``pages``: driver page by instrument name. ``addresses``: VISA address by instrument name. ``settings`` replaces
    the guard's times of the station file where a test needs others.
    """
    opened: dict[str, _Opened] = {}
    failures: dict[str, str] = {}
    tasks = [clock.start(f"open {place.name}", _opener(place, pages, addresses, manager, clock, opened, failures))
             for place in station.instruments]
    deadline, late = clock.monotonic() + OPEN_WITHIN, False
    for place, task in zip(station.instruments, tasks, strict=True):
        if not task.join(max(0.0, deadline - clock.monotonic())):
            failures[place.name], late = f"did not open within {OPEN_WITHIN:.0f} s.", True
        elif task.error is not None and not isinstance(task.error, EolseqError):
            raise task.error
    links = tuple(link for each in opened.values() for link in each.links)
    roles = {each.name: pages[each.name].role for each in station.instruments}
    out = left_out(station, lambda place: members(station, place, roles), roles, failures) if not late else {}
    if failures and not out:
        for link in links:
            link.close()
        listed = "\n".join(f"  {name}: {why.removeprefix(f'{name} ')}" for name, why in sorted(failures.items()))
        raise StationFault(f"{len(failures)} of {len(tasks)} instruments did not open:\n{listed}",
                           "\nSwitch them on, check their lines, and start again.")
    assembled = _assembled(station, opened, links, clock, settings or station.guard, roles, out)
    for bay in assembled.bays:
        bay.watcher.trace = getattr(manager, "trace", None)
    return assembled


@dataclass(frozen=True)
class _Opened:
    player: AnyPlayer
    identity: Identity
    links: tuple[Link, ...]
    stop: StopLine


def _opener(place: InstrumentPlace, pages: Mapping[str, AnyPage], addresses: Mapping[str, str], manager: Any,
            clock: Clock, opened: dict[str, _Opened], failures: dict[str, str]) -> Callable[[], None]:
    def work() -> None:
        try:
            opened[place.name] = _open_one(place, pages[place.name], addresses[place.name], manager, clock)
        except EolseqError as error:
            failures[place.name] = str(error)
    return work


def _open_one(place: InstrumentPlace, page: AnyPage, address: str, manager: Any, clock: Clock) -> _Opened:
    player, link = connected(place, page, address, manager, clock)
    links = [link]
    try:
        identity = player.open()
        if identity.serial != place.serial:
            raise InstrumentFault(f"{place.name} reports the serial number {identity.serial}, not {place.serial}.",
                                  "Connect the right instrument, or have its entry in the station file changed.",
                                  instrument=place.name, reply=identity.raw)
        stop = _stop_line(place, page, player, link, links, address, manager, clock)
    except BaseException:
        for each in links:
            each.close()
        raise
    return _Opened(player, identity, tuple(links), stop)


def connected(place: InstrumentPlace, page: AnyPage, address: str, manager: Any,
              clock: Clock) -> tuple[AnyPlayer, Link]:
    """An instrument at its line, by messages or by registers, and the line."""
    line = place.line(page.line)
    if place.backend or not can_be_aborted(address):
        return _plainly_connected(place, page, address, manager, clock)
    if isinstance(page, RegisterPage):
        from eolseq.instruments.modbus import Modbus  # heavy, and only for such pages

        registers = Modbus(manager, place.name, address, line, clock, place.device)
        return RegisterPlayer(place.name, page, registers, clock), registers.link
    link = open_link(manager, place.name, address, line, clock)
    return Player(place.name, page, link, clock), link


def _plainly_connected(place: InstrumentPlace, page: AnyPage, address: str, manager: Any,
                       clock: Clock) -> tuple[AnyPlayer, Link]:
    """An instrument that only measures or switches, on a line of any other kind; nothing else may be on one."""
    from eolseq.instruments.plain_link import PlainLink, backend_manager
    from eolseq.instruments.tracing import like

    if isinstance(page, RegisterPage) or ROLES[page.role].danger or page.role == "guard_unit":
        raise LinkNotOpen(f"{place.name}, a {page.role.replace('_', ' ')}, may not be on the line {address}"
                          f"{f' of {place.backend}' if place.backend else ''}: a wait on it cannot be ended at once.",
                          "Use TCPIP::host::port::SOCKET or ASRLport::INSTR, and no 'backend', in the station file.",
                          instrument=place.name)
    manager = like(manager, backend_manager(place.backend)) if place.backend else manager
    link = PlainLink(manager, place.name, address, place.line(page.line), clock)
    return Player(place.name, page, link, clock), link


def _stop_line(place: InstrumentPlace, page: AnyPage, player: AnyPlayer, link: Link, links: list[Link], address: str,
               manager: Any, clock: Clock) -> StopLine:
    """The way OFF reaches this instrument: a second connection where it takes one, else the one line it has.

    An instrument that makes no danger has no OFF; its blocked reads must still end on a trip.
    """
    name = place.name
    if isinstance(page, RegisterPage) or not ROLES[page.role].danger:
        return StopLine(name, lambda _: None, player.abort, player.clear_abort, lambda: False)
    carrier = link
    if page.line.second_connection:
        carrier = open_link(manager, name, address, place.line(page.line), clock)
        links.append(carrier)
    return StopLine(name, lambda seconds: carrier.send_off(page.stop, seconds), player.abort, player.clear_abort,
                    carrier.lost)


def _assembled(station: Station, opened: Mapping[str, _Opened], links: tuple[Link, ...], clock: Clock,
               settings: GuardSettings, roles: Mapping[str, str], out: Mapping[str, OutOfUse]) -> OpenStation:
    parts = Parts({name: each.player for name, each in opened.items()},
                  {name: each.stop for name, each in opened.items()})
    wrong = misfits(station, roles)
    if wrong:
        for link in links:
            link.close()
        raise StationFault(" ".join(each.what for each in wrong), "Have the station file corrected.")
    identities = {name: each.identity for name, each in opened.items()}
    if len(station.places) == 1 and not station.places[0].guard:
        return OpenStation(station, parts.players, identities, (open_only_bay(station, parts, clock, settings),), links)
    bays, closed, desk, counts = open_bays(station, parts, clock, settings, roles, out)
    return OpenStation(station, parts.players, identities, bays, links, desk, counts, closed=closed)

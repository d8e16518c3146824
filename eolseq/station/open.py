"""A station with all its instruments open, or every reason why not.

All instruments are opened side by side; if any fails, all failures are reported together, with what to do. Then the
watcher starts, every output is turned off and the bay is proved dead, before anything else happens.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import EolseqError, InstrumentFault, LinkNotOpen, StationFault
from eolseq.guard.inputs import GuardSettings
from eolseq.guard.opening import Ceilings, Wiring
from eolseq.guard.power import Door
from eolseq.guard.watcher import StopLine, Watcher
from eolseq.instruments.any_page import AnyPage
from eolseq.instruments.exchange import Identity
from eolseq.instruments.link import Link, can_be_aborted, open_link
from eolseq.instruments.player import Player
from eolseq.instruments.register_model import RegisterPage
from eolseq.instruments.register_player import RegisterPlayer
from eolseq.instruments.roles import ROLES
from eolseq.station.file import InstrumentPlace, Station

AnyPlayer = Player | RegisterPlayer
"""An instrument of a station, by a page of either kind."""

OPEN_WITHIN = 10.0  # seconds for all instruments together


@dataclass
class OpenStation:
    """Every instrument of a station, its watcher and its door; ``close`` ends them."""

    station: Station
    players: Mapping[str, AnyPlayer]
    identities: Mapping[str, Identity]
    watcher: Watcher
    door: Door
    links: tuple[Link, ...]

    @property
    def by_role(self) -> dict[str, AnyPlayer]:
        """The instruments that steps may use, by role; the guard unit belongs to the watcher alone."""
        return {player.role: player for player in self.players.values() if player.role != "guard_unit"}

    @property
    def simulated(self) -> bool:
        """Whether any instrument says it is simulated, whatever the station file says."""
        return bool(self.station.simulated) or any(each.simulated for each in self.identities.values())

    def all_off(self) -> None:
        """Turn every output off, prove the bay dead, open every relay; LockedRed when dead cannot be shown."""
        self.door.all_off([p for p in self.players.values() if ROLES[p.role].danger])
        switching = self.by_role.get("switching_unit")
        if switching is not None:
            switching.perform("open_all")
            left = switching.perform("closed").channels
            if left:
                raise StationFault(f"The relays {sorted(left)} do not open.", "Call maintenance to check them.")

    def close(self) -> None:
        """End the watcher, which lets the watchdog drop the contactor, and close every line."""
        self.watcher.end()
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
    deadline = clock.monotonic() + OPEN_WITHIN
    for place, task in zip(station.instruments, tasks, strict=True):
        if not task.join(max(0.0, deadline - clock.monotonic())):
            failures[place.name] = f"did not open within {OPEN_WITHIN:.0f} s."
        elif task.error is not None and not isinstance(task.error, EolseqError):
            raise task.error
    links = tuple(link for each in opened.values() for link in each.links)
    if failures:
        for link in links:
            link.close()
        listed = "\n".join(f"  {name}: {why}" for name, why in sorted(failures.items()))
        raise StationFault(f"{len(failures)} of {len(tasks)} instruments did not open:\n{listed}",
                           "\nSwitch them on, check their lines, and start again.")
    return _assembled(station, opened, links, clock, settings or station.guard)


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
    player, link = _connected(place, page, address, manager, clock)
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


def _connected(place: InstrumentPlace, page: AnyPage, address: str, manager: Any,
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

    if isinstance(page, RegisterPage) or ROLES[page.role].danger or page.role == "guard_unit":
        raise LinkNotOpen(f"{place.name}, a {page.role.replace('_', ' ')}, may not be on the line {address}"
                          f"{f' of {place.backend}' if place.backend else ''}: a wait on it cannot be ended at once.",
                          "Use TCPIP::host::port::SOCKET or ASRLport::INSTR, and no 'backend', in the station file.",
                          instrument=place.name)
    manager = backend_manager(place.backend) if place.backend else manager
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
               settings: GuardSettings) -> OpenStation:
    players = {name: each.player for name, each in opened.items()}
    guards = [player for player in players.values() if player.role == "guard_unit"]
    if len(guards) != 1:
        for link in links:
            link.close()
        raise StationFault(f"This station has {len(guards)} guard units.", "It needs exactly one for its bay.")
    watcher = Watcher(clock, guards[0], settings)
    by_role = {player.role: player for player in players.values()}
    wiring = Wiring(by_role.get("residual_meter"), _discharger(station, by_role.get("switching_unit")), settings.access)
    ceilings = station.ceilings
    door = Door(clock, watcher, Ceilings(ceilings.volts, ceilings.trip_current, ceilings.amps, ceilings.seconds),
                wiring, lambda state, possible: None)
    watcher.start(each.stop for each in opened.values() if each.player.role != "guard_unit")
    return OpenStation(station, players, {name: each.identity for name, each in opened.items()}, watcher, door, links)


def _discharger(station: Station, switching: AnyPlayer | None) -> Callable[[bool], bool] | None:
    """Puts the station's discharge across the unit or takes it off, read back; None where there is none."""
    channel = station.connections.get("discharge")
    if channel is None or switching is None:
        return None

    def put(on: bool) -> bool:
        if on:
            switching.perform("close", channel=channel)
        else:
            switching.perform("open", channel=channel)
        if (channel in switching.perform("closed").channels) != on:
            raise StationFault(f"The discharge relay, channel {channel}, did not {'close' if on else 'open'}.",
                               "Call maintenance to check the switching unit.")
        return True
    return put

"""Several bays of one station: each with its watcher, its door and its switch, and the Desk between them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from eolseq.clock import Clock
from eolseq.errors import StationFault
from eolseq.guard.inputs import GuardSettings
from eolseq.guard.opening import Ceilings, Wiring
from eolseq.guard.power import Door, LockedRed
from eolseq.guard.watcher import StopLine, Watcher
from eolseq.instruments.roles import ROLES, Instrument
from eolseq.station.bay_fields import BayPlace
from eolseq.station.counts import SharedCounts
from eolseq.station.desk import Desk, Reach
from eolseq.station.file import Station
from eolseq.station.out_of_use import ClosedBay, OutOfUse
from eolseq.station.switching import CARRIED_BY, BaySwitch, Turn

Lease = Callable[[Iterable[str], Callable[[str], None]], AbstractContextManager[None]]
"""Holds the instruments of so many roles for a block: all or none; tells a sentence while it waits, then no text."""


def free_for_all(_: Iterable[str], __: Callable[[str], None]) -> AbstractContextManager[None]:
    """The lease of a station with one bay, where nobody else could have an instrument."""
    return nullcontext()


@dataclass
class OpenBay:
    """One bay of an open station: what it may use by name and by role, its watcher and its door."""

    name: str
    players: Mapping[str, Any]  # its guard unit too
    by_role: Mapping[str, Any]
    watcher: Watcher
    door: Door
    connections: Mapping[str, int] = field(default_factory=dict)
    lease: Lease = free_for_all

    def all_off(self) -> None:
        """Turn every output off that could reach it, prove it dead, open its relays; LockedRed where that fails."""
        self.door.all_off([each for each in self.by_role.values() if ROLES[each.role].danger])
        switching = self.by_role.get("switching_unit")
        if switching is not None:
            switching.perform("open_all")
            left = switching.perform("closed").channels
            if left:
                raise StationFault(f"The relays {sorted(left)} do not open.", "Call maintenance to check them.")


# -- what belongs where -----------------------------------------------------------------------------------------


def members(station: Station, place: BayPlace, roles: Mapping[str, str]) -> dict[str, str]:
    """The instruments of a bay by role, its own before shared ones; the guard unit is not among them."""
    elsewhere = {name for each in station.places for name in each.own if each is not place}
    usable = [name for name in roles if name not in elsewhere and roles[name] != "guard_unit"]
    found = {roles[name]: name for name in usable if name not in place.own}
    return {**found, **{roles[name]: name for name in usable if name in place.own}}


class Misfit(NamedTuple):
    """What does not fit between the bays of a station and the parts of its instruments, and where in its file."""

    what: str
    at: tuple[str | int, ...]


def misfits(station: Station, roles: Mapping[str, str]) -> list[Misfit]:
    """What is wrong with the bays of a station, now that the part is known which every instrument plays."""
    guards = {name for name, role in roles.items() if role == "guard_unit"}
    if len(station.places) == 1 and not station.places[0].guard:
        return [] if len(guards) == 1 else [Misfit(f"This station has {len(guards)} guard units; it needs exactly one "
                                                   "for its bay.", ("instruments",))]
    found = [Misfit(f"{each.guard}, the guard of {each.name}, is a {roles.get(each.guard, 'thing unknown')}.",
                    ("bays", number, "guard"))
             for number, each in enumerate(station.places) if each.guard not in guards]
    found += [Misfit(f"{name} is a guard unit of no bay. Name it at its bay, or take it out.", ("instruments", name))
              for name in sorted(guards - {e.guard for e in station.places})]
    own = {name for each in station.places for name in each.own}
    shared = [name for name in roles if name not in own and name not in guards]
    found += _doubles({name: ("instruments", name) for name in shared}, roles, "shared")
    for number, each in enumerate(station.places):
        found += _doubles({name: ("bays", number, "instruments", i) for i, name in enumerate(each.own)}, roles,
                          f"at {each.name}")
    found += [Misfit(f"{name}, a residual meter, is shared; dead is proved at each bay by a meter of its "
                     "own. List each under 'instruments' of its bay.",
                     ("instruments", name))
              for name in shared if roles[name] == "residual_meter" and len(station.places) > 1]
    return found + _without_discharge(station) + _double_channels(station, roles)


def _without_discharge(station: Station) -> list[Misfit]:
    """What is discharged at one bay is not left charged at another: bays test the same units."""
    has = [place.name for place in station.places if "discharge" in place.connections]
    return [Misfit(f"{each.name} has no 'discharge', and {has[0]} has one: a unit would stay charged there. Name its "
                   "relay.", ("bays", number, "name"))
            for number, each in enumerate(station.places) if has and each.name not in has]


def _doubles(names: Mapping[str, tuple[str | int, ...]], roles: Mapping[str, str], where: str) -> list[Misfit]:
    seen: dict[str, str] = {}
    found = []
    for name, at in names.items():
        first = seen.setdefault(roles.get(name, name), name)
        if first != name:
            found.append(Misfit(f"{first} and {name} {where} are both a {roles.get(name)}.", at))
    return found


def _double_channels(station: Station, roles: Mapping[str, str]) -> list[Misfit]:
    """A channel of one switching unit belongs to one bay."""
    seen: dict[tuple[str, int], str] = {}
    found = []
    for number, place in enumerate(station.places):
        unit = members(station, place, roles).get("switching_unit", "")
        for name, channel in place.connections.items():
            first = seen.setdefault((unit, channel), place.name)
            if first != place.name:
                found.append(Misfit(f"Channel {channel} ({name} of {place.name}) is one of {first} already. A relay "
                                    "leads to one bay; give this one a channel of its own.",
                                    ("bays", number, "connections", name)))
    return found


def routes(station: Station, roles: Mapping[str, str]) -> dict[str, dict[int, tuple[str, str]]]:
    """By switching unit, which channel carries which instrument to which bay."""
    found: dict[str, dict[int, tuple[str, str]]] = {}
    shunts = {each.relay: "continuity_tester" for each in station.known_loads if each.use == "continuity"}
    for place in station.places:
        by_role = members(station, place, roles)
        for name, channel in place.connections.items():
            role = next((role for start, role in CARRIED_BY.items() if name.startswith(start)),
                        shunts.get(name, ""))
            if role in by_role and "switching_unit" in by_role:
                found.setdefault(by_role["switching_unit"], {})[channel] = (by_role[role], place.name)
    return found


# -- opening ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Parts:
    """What bays are made of: every instrument and its stop line by name."""

    players: Mapping[str, Any]
    stops: Mapping[str, StopLine]


class Bays(NamedTuple):
    """The bays of a station with several, those out of use, the Desk, and what is known of counts of tests."""

    bays: tuple[OpenBay, ...]
    closed: tuple[ClosedBay, ...]
    desk: Desk
    counts: SharedCounts


def open_bays(station: Station, parts: Parts, clock: Clock, settings: GuardSettings, roles: Mapping[str, str],
              out: Mapping[str, OutOfUse]) -> Bays:
    """The bays of a station with several, their watchers looking, but for those that are ``out`` of use.

    ``roles``: of every instrument, whether it opened or not: what did not may still be led somewhere by a relay.
    """
    own = {name for place in station.places for name in place.own}
    shared = {name for name, role in roles.items()
              if name not in own and role not in ("guard_unit", "switching_unit")}
    desk = Desk(clock, shared, Reach(routes(station, roles), [each.name for each in station.places]))
    desk.on_return = lambda name: parts.stops[name].clear_abort()
    turns = {name: Turn(clock) for name, role in roles.items() if role == "switching_unit"}
    counts = SharedCounts(parts.players, desk)
    bays, closed = [], []
    for place in station.places:
        names = {role: name for role, name in members(station, place, roles).items() if name in parts.players}
        by_role: dict[str, Any] = {role: parts.players[name] for role, name in names.items()}
        if "switching_unit" in names:
            unit = names["switching_unit"]
            by_role["switching_unit"] = BaySwitch(parts.players[unit], place.name, place.connections, desk, turns[unit])
        if place.name in out:
            closed.append(ClosedBay(out[place.name], clock, by_role, parts.players.get(place.guard), _discharger(
                place.connections, by_role.get("switching_unit")), settings.access))
        else:
            bays.append(_open_bay(station, place, parts, names, by_role, desk, clock, settings, counts))
    return Bays(tuple(bays), tuple(closed), desk, counts)


def _open_bay(station: Station, place: BayPlace, parts: Parts, names: Mapping[str, str], by_role: Mapping[str, Any],
              desk: Desk, clock: Clock, settings: GuardSettings, counts: SharedCounts) -> OpenBay:
    watcher = Watcher(clock, parts.players[place.guard], settings, f"guard watcher of {place.name}")
    door = make_door(station, by_role, place.connections, watcher, clock, settings)
    lines = [_reaching(parts.stops[name], place.name, desk) for role, name in names.items() if role != "switching_unit"]
    watcher.start([*lines, _waiting(place.name, desk)])
    players = {name: parts.players[name] for name in (*names.values(), place.guard)}
    return OpenBay(place.name, players, by_role, watcher, door, place.connections,
                   _lease(place.name, names, watcher, door, desk, counts))


def open_only_bay(station: Station, parts: Parts, clock: Clock, settings: GuardSettings) -> OpenBay:
    """The bay of a station that has one: every instrument is its own, and every stop line reaches it."""
    place = station.places[0]
    by_role = {player.role: player for player in parts.players.values() if player.role != "guard_unit"}
    guard = next(player for player in parts.players.values() if player.role == "guard_unit")
    watcher = Watcher(clock, guard, settings)
    door = make_door(station, by_role, place.connections, watcher, clock, settings)
    watcher.start(line for name, line in parts.stops.items() if parts.players[name] is not guard)
    return OpenBay(place.name, parts.players, by_role, watcher, door, place.connections)


def make_door(station: Station, by_role: Mapping[str, Instrument], connections: Mapping[str, int], watcher: Watcher,
              clock: Clock, settings: GuardSettings) -> Door:
    """The door to voltage of one bay."""
    ceilings = station.ceilings
    wiring = Wiring(by_role.get("residual_meter"), _discharger(connections, by_role.get("switching_unit")),
                    settings.access)
    return Door(clock, watcher, Ceilings(ceilings.volts, ceilings.trip_current, ceilings.amps, ceilings.seconds),
                wiring, lambda state, possible: None)


def _discharger(connections: Mapping[str, int], switching: Instrument | None) -> Callable[[bool], bool] | None:
    """Puts the station's discharge across the unit or takes it off, read back; None where there is none."""
    channel = connections.get("discharge")
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


# -- between bay and Desk ---------------------------------------------------------------------------------------


def _reaching(line: StopLine, bay: str, desk: Desk) -> StopLine:
    """A stop line as one bay has it: OFF where the source may reach the bay, the rest while the bay has the source."""
    name = line.name
    if name not in desk.shared:
        return line

    def off(seconds: float) -> None:
        with desk.off_to(bay, name) as reaches:
            if reaches:
                line.off(seconds)

    return StopLine(name, off, lambda: desk.if_held(bay, name, line.abort),
                    lambda: desk.if_held(bay, name, line.clear_abort),
                    lambda: desk.holder(name) == bay and line.lost())


def _waiting(bay: str, desk: Desk) -> StopLine:
    """No line to a source: it ends a wait at the Desk when its bay trips."""
    return StopLine("the Desk", lambda _: None, lambda: desk.withdraw(bay), lambda: None, lambda: False)


def _lease(bay: str, names: Mapping[str, str], watcher: Watcher, door: Door, desk: Desk,
           counts: SharedCounts) -> Lease:
    """Around each step: all its instruments, until its bay is dead and its relays are open; their counts are held."""

    @contextmanager
    def lease(roles: Iterable[str], tell: Callable[[str], None]) -> Iterator[None]:
        wanted = [names[role] for role in roles if role in names]
        held = desk.take(bay, wanted, watcher.check, tell)
        try:
            counts.begins(bay, wanted)
            yield
        except LockedRed as error:
            desk.lock(error)  # what it holds stays where it is
            raise
        except BaseException:
            give_back(wanted, held)
            raise
        give_back(wanted, held)

    def give_back(wanted: list[str], held: frozenset[str]) -> None:
        dead = not door.voltage_possible
        try:
            if dead:
                counts.ends(wanted, watcher.allow_reads)
        finally:  # whatever comes of a count, the next in line waits no longer
            desk.give_back(bay, held, dead=dead)

    return lease

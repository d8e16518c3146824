"""Several simulated bays that share instruments: one time, one switching unit, a source to wherever relays lead it.

Each bay is a world of its own, with its unit, guard, contactor and relays. An instrument that stands at no bay belongs
to the hall; what it puts out reaches every bay whose relays are closed, be it none, one, or, when something is wrong,
two. ``changes`` says for each bay when an output began and ceased to reach its relays.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from eolseq.errors import WrongUse
from eolseq.simulation.bay import Bay, Units
from eolseq.simulation.deadlines import Deadlines
from eolseq.simulation.enclosure import EnclosureSettings
from eolseq.simulation.instrument import Instrument
from eolseq.simulation.network import Fixture, parts
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.source import Source
from eolseq.simulation.unit import Unit

_KEPT = 80_000  # changes
_ROUTES = {"withstand": ("route-withstand",), "power": ("route-power",),
           "resistance": ("route-resistance", "route-plug")}
KEYS = ("withstand", "continuity", "power")
"""The kinds of sources that the physics knows."""


class HallBay(Bay):
    """One bay of a hall; its time and its deadlines are the hall's."""

    def __init__(self, hall: Hall, name: str, unit: Unit, fixture: Fixture, enclosure: EnclosureSettings) -> None:
        self.hall = hall
        self.name = name
        self.reached_by: frozenset[str] = frozenset()
        super().__init__(unit, fixture, enclosure, hall.now)

    @property
    def now(self) -> float:
        """The hall's time in seconds of the clock."""
        return self.hall.now

    @now.setter
    def now(self, _: float) -> None:
        """Only the hall moves time on."""

    def advance_to(self, now: float) -> None:
        """Let the time in seconds of the clock be now."""
        self.hall.advance_to(now)

    def due(self, name: str, time: float, action: Callable[[], None]) -> None:
        """Plan something of this bay, at a time in seconds of the clock."""
        self.hall.due(f"{self.name} {name}", time, action)

    def cancel(self, name: str) -> None:
        """Forget something of this bay, if it is planned."""
        self.hall.cancel(f"{self.name} {name}")

    def note(self, change: dict[str, Any]) -> None:
        """Keep a change, with the bay's name, here and in the hall."""
        told = {**change, "bay": self.name}
        self.changes.append(told)
        self.hall.note(told)

    def switch(self, channels: list[int], closed: bool) -> None:
        """Close or open relays; what that connects is settled before and found out anew after."""
        self.hall.settle()
        super().switch(channels, closed)
        self.hall.replan()

    def faces(self, key: str) -> bool:
        """Whether relays are closed between an instrument of a kind and this bay."""
        if key == "continuity":  # a known load without another instrument's way is a shunt
            return bool(parts(self.fixture.channels, "bond-", self.closed)) or (
                bool(parts(self.fixture.channels, "load-", self.closed)) and not self._any_way())
        return any(self.fixture.channels.get(name) in self.closed for name in _ROUTES[key])

    def _any_way(self) -> bool:
        return any(name.startswith("route-") and channel in self.closed
                   for name, channel in self.fixture.channels.items())

    def plug(self, sources: Mapping[str, Source]) -> None:
        """Connect these sources, and note which of them are on beyond a closed relay."""
        self.sources = {**sources, **self.own_sources}
        reached = frozenset(each.name for key, each in self.sources.items() if each.on and self.faces(key))
        for name in sorted(reached ^ self.reached_by):
            self.note({"time": self.now, "name": name, "reaches": "on" if name in reached else "off"})
        self.reached_by = reached

    def began(self) -> None:
        """An output that faces this bay was switched on: a guard that waits for it will open."""
        if self._open_guard_after is not None:
            self.due("guard opens", self.now + self._open_guard_after, self.guard.open)
            self._open_guard_after = None

    def equip_bay(self, own: Sequence[RoleInstrument], shared: Sequence[RoleInstrument], serial: str,
                  units: Units) -> None:
        """Give the bay its own instruments and those of the hall."""
        self.own = tuple(own)
        self.own_sources = dict(self.sources)
        self.equip([*shared, *own], serial, units)

    def _seed_noise(self, serial: str) -> None:
        for each in self.own:
            each.seed_noise(serial)


def _of_all(name: str) -> Any:
    """A setting of a shared instrument, which every bay's physics must know."""
    def get(hall: Hall) -> Any:
        return getattr(next(iter(hall.bays.values())), name)

    def put(hall: Hall, value: Any) -> None:
        for bay in hall.bays.values():
            setattr(bay, name, value)
    return property(get, put)


class Hall(Deadlines):
    """A simulated station of several bays; for a shared instrument it is what a single bay's world is."""

    hertz = _of_all("hertz")
    tester_hertz = _of_all("tester_hertz")
    limits = _of_all("limits")
    protection = _of_all("protection")
    open_volts = _of_all("open_volts")

    def __init__(self, now: float, first: str) -> None:
        super().__init__(now)
        self.first = first  # the bay that is meant where none is named
        self.bays: dict[str, HallBay] = {}
        self.sources: dict[str, Source] = {}
        self.changes: deque[dict[str, Any]] = deque(maxlen=_KEPT)
        self.emit: Callable[[dict[str, Any]], None] | None = None
        world: Any = self
        self._idle = {key: Source(key, "nothing", world, "0", 0.0) for key in KEYS}
        self._by_channel: dict[int, HallBay] = {}
        self._shared: tuple[RoleInstrument, ...] = ()

    def equip(self, shared: Sequence[RoleInstrument], own: Mapping[str, Sequence[RoleInstrument]],
              serials: Mapping[str, str], units: Units) -> None:
        """Give hall and bays their instruments, and each bay the serial of the unit in it."""
        self._shared = tuple(shared)
        for name, bay in self.bays.items():
            bay.equip_bay(own[name], shared, serials[name], units)
            if not any(each.data.role == "switching_unit" for each in own[name]):
                self._by_channel.update(dict.fromkeys(bay.fixture.channels.values(), bay))
        for each in shared:
            each.seed_noise(next(iter(serials.values())))
        self.replan()

    # -- what a person or a test may do -------------------------------------------------------------------------

    def instruments(self) -> list[tuple[str, Instrument, str]]:
        """The instruments' names, their wires, and their links ("tcp" or "serial")."""
        every = (*self._shared, *(each for bay in self.bays.values() for each in bay.own))
        return [(each.data.name, each.wire, each.data.link) for each in every]

    def tick(self, now: float) -> None:
        """Let the time in seconds of the clock be now, with nobody speaking."""
        self.advance_to(now)

    def bay(self, name: str) -> HallBay:
        """The bay of a name; WrongUse lists the names."""
        if name not in self.bays:
            raise WrongUse(f"There is no bay {name!r}.", f"The bays are {', '.join(self.bays)}.")
        return self.bays[name]

    def obey(self, order: Mapping[str, Any]) -> Any:
        """Carry out an order as ``Bay.obey`` does, at the bay that its key ``bay`` names."""
        rest = {key: value for key, value in order.items() if key != "bay"}
        return self.bay(str(order.get("bay", self.first))).obey(rest)

    def set_fault(self, name: str, instrument: str | None = None, number: float | None = None) -> None:
        """Give an instrument a fault by name, or without an instrument a bay's leads."""
        bays = self.bays.values()
        has = next((bay for bay in bays if instrument in bay.by_name), self.bays[self.first])
        has.set_fault(name, instrument, number)

    def open_guard_after(self, seconds: float) -> None:
        """Open a bay's guard so many seconds after the next time an output is switched on for it."""
        self.bays[self.first].open_guard_after(seconds)

    # -- what a source tells ------------------------------------------------------------------------------------

    def settle(self) -> None:
        """Before a change: bring every bay up to now."""
        for bay in self.bays.values():
            bay.settle()

    def replan(self) -> None:
        """After a change: connect every source to the bays that it faces, and let each find out what follows."""
        facing = {key: self.facing(key) for key in self.sources}
        for bay in self.bays.values():
            bay.plug({**self._idle, **{key: self.sources[key] for key, bays in facing.items() if bay in bays}})
            bay.replan()

    def changed(self, name: str, state: str, key: str = "output") -> None:
        """Note a change of a shared instrument's output."""
        self.note({"time": self.now, "name": name, key: state})
        if key == "output" and state == "on":
            kinds = [kind for kind, source in self.sources.items() if source.name == name]
            for bay in (each for kind in kinds for each in self.bays.values() if each.faces(kind)):
                bay.began()

    def note(self, change: dict[str, Any]) -> None:
        """Keep a change and hand it to the listener."""
        self.changes.append(change)
        if self.emit is not None:
            self.emit(change)

    def off_received(self, name: str) -> None:
        """An OFF arrived at an instrument."""
        self.note({"time": self.now, "off_received": name})

    def facing(self, key: str) -> list[HallBay]:
        """The bays to which relays connect an instrument of a kind; the first, with its open relays, when none."""
        found = [bay for bay in self.bays.values() if bay.faces(key)]
        return found or [next(iter(self.bays.values()))]

    # -- what instruments ask -----------------------------------------------------------------------------------

    @property
    def closed(self) -> set[int]:
        """The closed relays of the shared switching unit."""
        return {number for number, bay in self._by_channel.items() if number in bay.closed}

    def switch(self, channels: list[int], closed: bool) -> None:
        """Close or open relays of the shared switching unit."""
        for bay in self.bays.values():
            of_bay = [number for number in channels if self._by_channel.get(number) is bay]
            if of_bay:
                bay.switch(of_bay, closed)

    def output_on(self, name: str) -> bool:
        """Whether the output of the instrument by this name really is on, whatever it says."""
        return any(source.on for source in self.sources.values() if source.name == name)

    def tester_volts(self) -> float:
        """The voltage at the tester's output, V rms (direct: V)."""
        return self.sources["withstand"].amplitude(self.now)

    def tester_current(self) -> tuple[float, float]:
        """Total and in-phase current in A at the tester."""
        return self.facing("withstand")[0].tester_current()

    def at_trip(self) -> tuple[float, float, float]:
        """Volts, total and in-phase current at the moment the tester trips."""
        return self.facing("withstand")[0].at_trip()

    def bond(self) -> tuple[float, float]:
        """The current in A through the bonded points, and the sensed voltage in V."""
        return self.facing("continuity")[0].bond()

    def supply_volts(self) -> float:
        """The voltage at the power source's output, V rms."""
        return self.sources["power"].amplitude(self.now)

    def supply_amps(self) -> float:
        """The current drawn from the power source now, A rms."""
        return self.facing("power")[0].supply_amps()

    def supply_at_unit(self) -> tuple[float, float, float]:
        """Volts (rms), amps (rms) and watts that reach a unit from the power source now."""
        return self.facing("power")[0].supply_at_unit()

    def ohms_line_to_neutral(self) -> float:
        """What the four-wire resistance meter sees between L and N of the unit that it is connected to."""
        return self.facing("resistance")[0].ohms_line_to_neutral()

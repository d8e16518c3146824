"""The bench that a step works on: instruments by role, relays with read-back, the door to voltage, live readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.bands.zero import FixtureZero
from eolseq.clock import Clock
from eolseq.engine.arrows import Arrows, Listen, order_for, question
from eolseq.engine.events import Event, Instruction, Live
from eolseq.engine.numbers import AskedNumber
from eolseq.errors import InstrumentFault, StationFault
from eolseq.guard.opening import Power
from eolseq.guard.power import Door, LockedRed
from eolseq.guard.watcher import Watcher
from eolseq.instruments.roles import Instrument
from eolseq.quantity import Quantity
from eolseq.station.checks import TAP
from eolseq.steps.base import Connections, Residual

_RELAYS = "Call maintenance to check the switching unit and its wiring."


class RunBench:
    """One bay during one run; satisfies ``steps.base.Bench``."""

    def __init__(self, clock: Clock, instruments: Mapping[str, Instrument], channels: Mapping[str, int],
                 watcher: Watcher, door: Door, emit: Callable[[Event], None],
                 write_energise: Callable[[str, Mapping[str, Any]], None],
                 zeros: Mapping[str, FixtureZero] | None = None, *, serial: str = "",
                 listen: Listen | None = None) -> None:
        self.clock = clock
        self._serial = serial
        self._listen = listen
        self._step_index = 0
        self._opened = (0.0, 0.0)  # when relays were opened last, and how long (s) a contactor needs for it
        self._instruments = instruments
        self._channels = channels
        self._watcher = watcher
        self._door = door
        self._emit = emit
        self._write = write_energise
        self._zeros = zeros or {}

    def begin(self, index: int) -> None:
        """A step begins; counted from 0."""
        self._step_index = index

    def instrument(self, role: str) -> Instrument:
        """The instrument that plays a role; StationFault if this station has none."""
        found = self._instruments.get(role)
        if found is None:
            raise StationFault(f"This station has no {role.replace('_', ' ')}.",
                               "Run this sequence on another station.")
        return found

    def zero(self, fixture: str) -> FixtureZero:
        """The zero of a fixture; StationFault if this station has none."""
        found = self._zeros.get(fixture)
        if found is None:
            raise StationFault(f"This station has no zero of fixture {fixture}.",
                               "Take it on a shorting piece and name it under 'zeros' in the station file.")
        return found

    @contextmanager
    def connected(self, route: str, connections: Connections, *, point: str = "") -> Iterator[None]:
        """Close the relays that a step needs, read them back, wait for parts to close; all open and seen open after.

        Relays are left alone when dead could not be shown: switching then could spread the voltage.
        """
        wanted = self._wanted(route, connections, point)
        delay = max((float(each.delay) for each in connections.closed), default=0.0)
        self._watcher.check()
        unit = self.instrument("switching_unit")
        self._expect(unit, frozenset(), "before connecting")
        try:
            opened, needs = self._opened
            self._watcher.pause(needs, opened)
            for channel in wanted:
                unit.perform("close", channel=channel)
            self._expect(unit, frozenset(wanted), "after closing")
            self._watcher.pause(delay)
            yield
        except LockedRed:
            raise
        except BaseException:
            self._open_all(unit)
            raise
        self._open_all(unit)
        self._opened = self.clock.monotonic(), delay

    def _open_all(self, unit: Instrument) -> None:
        """Open every relay; a trip in the middle only makes us do it again."""
        for last in (False, True):
            self._watcher.allow_reads()
            try:
                unit.perform("open_all")
                self._expect(unit, frozenset(), "after opening")
                return
            except InstrumentFault:
                if last:
                    raise

    def _expect(self, unit: Instrument, wanted: frozenset[int], when: str) -> None:
        closed = unit.perform("closed").channels
        if closed != wanted:
            missing, extra = sorted(wanted - closed), sorted(closed - wanted)
            what = [f"channel {n} is not closed" for n in missing] + [f"channel {n} is closed" for n in extra]
            raise StationFault(f"Relays {when}: {', '.join(what)}.", _RELAYS)

    def _wanted(self, route: str, connections: Connections, point: str) -> list[int]:
        names = [] if route == "continuity" and "route-continuity" not in self._channels else [f"route-{route}"]
        names += [f"bond-{point}"] if point else []
        names += ["tie-" + "-".join(connections.tied)] if len(connections.tied) > 1 else []
        names += [each.part for each in connections.closed]
        if route != "continuity" and any(name.startswith(TAP) for name in names):
            raise StationFault(f"A tap was to be closed on the way of {route}; a test voltage may never come to one.",
                               "Take it out of the sequence: a tap serves verification alone.")
        unknown = [name for name in names if name not in self._channels]
        if unknown:
            raise StationFault(f"This station has no connection named {', '.join(unknown)}.",
                               "Name it under 'connections' in the station file.")
        return [self._channels[name] for name in names]

    def energised(self, role: str, settings: Mapping[str, Any], *, residual: Residual | None = None,
                  run_down: Quantity | None = None) -> AbstractContextManager[Power]:
        """The one door to voltage; see ``guard/power.py``."""
        source = self.instrument(role)
        return self._door.energised(source, settings, write=lambda: self._write(source.name, settings),
                                    residual_after=residual.after if residual else None, run_down=run_down)

    def live(self, name: str, reading: Reading | None, band: AcceptanceBand | None, phase: str,
             seconds_left: float) -> None:
        """Show a reading while it is being taken."""
        self._emit(Live(self._step_index, name, reading, band, phase, seconds_left))

    def ask_direction(self, seen_from: str, directions: tuple[str, ...], within: Quantity) -> Arrows:
        """Show the arrows to the person at the bay, if one is there, and begin to listen for a number."""
        order = order_for(self._serial, directions)
        typed = self._listen(len(order)) if self._listen is not None else None
        if typed is not None:
            self._emit(Instruction(question(seen_from, order, within)))
        return Arrows(order, typed, self._emit)

    def ask_number(self, question: str) -> AskedNumber:
        """Show a question to the person at the bay, if one is there, and begin to listen for a number."""
        typed = self._listen(0) if self._listen is not None else None
        if typed is not None:
            self._emit(Instruction(question))
        return AskedNumber(typed, self._emit)

    def pause(self, seconds: float) -> None:
        """Wait with no voltage on; a trip ends it at once."""
        self._watcher.pause(seconds)

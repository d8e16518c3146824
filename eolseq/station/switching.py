"""The switching unit as one bay sees it: its own relays, and what is known of where they lead."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from threading import Lock
from typing import Any

from eolseq.clock import Clock, Signal
from eolseq.errors import StationFault
from eolseq.instruments.roles import Answer, Instrument
from eolseq.station.desk import Desk

TURN_SECONDS = 30.0
"""The longest that a bay waits for its turn at the switching unit; one exchange takes milliseconds."""

CARRIED_BY = {"route-withstand": "withstand_tester", "route-power": "power_source", "bond-": "continuity_tester",
              "route-continuity": "continuity_tester", "route-resistance": "resistance_meter",
              "route-plug": "resistance_meter"}
"""Name of a connection, or its beginning, to the role of the instrument that it connects to a unit."""


class Turn:
    """One user at a time of an instrument that several bays speak to, in order of arrival, in the clock's time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._line: list[Signal] = []
        self._one_at_a_time = Lock()  # never held over a wait

    @contextmanager
    def taken(self, name: str) -> Iterator[None]:
        """The instrument for the block; StationFault when it does not come free."""
        ticket = self._clock.signal()
        with self._one_at_a_time:
            self._line.append(ticket)
            first = self._line[0] is ticket
        try:
            if not first and not self._clock.wait(ticket, TURN_SECONDS):
                raise StationFault(f"{name} did not come free within {TURN_SECONDS:.0f} s.", "Call maintenance.")
            yield
        finally:
            with self._one_at_a_time:
                self._line.remove(ticket)
                if self._line:
                    self._line[0].set()


class BaySwitch:
    """A switching unit that closes and opens the relays of one bay only; satisfies ``roles.Instrument``.

    What a source may reach grows before a relay is asked to close, and shrinks when it was seen open. A relay that
    carries a shared instrument closes only while its bay has that instrument.
    """

    role = "switching_unit"

    def __init__(self, unit: Instrument, bay: str, channels: Mapping[str, int], desk: Desk, turn: Turn) -> None:
        self.name = unit.name
        self._unit = unit
        self._bay = bay
        self._names = {channel: name for name, channel in channels.items()}
        self._desk = desk
        self._turn = turn

    def perform(self, action: str, **arguments: Any) -> Answer:
        """Carry out close, open, open_all or closed, for this bay's relays; StationFault for any other relay."""
        with self._turn.taken(self.name):
            if action == "closed":
                return self._closed()
            if action == "open_all":
                return self._open_all()
            channel = int(arguments["channel"])
            if channel not in self._names:
                raise StationFault(f"Channel {channel} of {self.name} is not one of {self._bay}.",
                                   "Name it under this bay's 'connections' in the station file.")
            if action == "close":
                self._allow(channel)
            return self._unit.perform(action, **arguments)

    def check_errors(self) -> None:
        """Read the unit's error queue."""
        with self._turn.taken(self.name):
            self._unit.check_errors()

    def _allow(self, channel: int) -> None:
        """A way from a source grows before its relay closes; nobody closes one to what another bay has."""
        way = self._desk.reach.way(self.name, channel)
        if way is None:
            return
        source, _ = way
        holder = self._desk.holder(source)
        if source in self._desk.shared and holder != self._bay:
            raise StationFault(f"{self._names[channel]} was to connect {source} to {self._bay}, which has not got it.",
                               "Report this to whoever maintains the program.")
        self._desk.reach.about_to_close(self.name, channel)

    def _closed(self) -> Answer:
        """This bay's closed relays, and any other that connects one of its instruments to another bay."""
        closed = self._unit.perform("closed").channels
        reach = self._desk.reach
        reach.seen(self.name, closed, self._names)
        return Answer(channels=frozenset(each for each in closed if each in self._names or self._strays(each)))

    def _strays(self, channel: int) -> bool:
        way = self._desk.reach.way(self.name, channel)
        return way is not None and self._desk.holder(way[0]) == self._bay

    def _open_all(self) -> Answer:
        """Open what is closed of this bay, each relay by itself: its neighbours' relays stay as they are."""
        closed = self._unit.perform("closed").channels
        for channel in sorted(closed & self._names.keys()):
            self._unit.perform("open", channel=channel)
        return Answer()

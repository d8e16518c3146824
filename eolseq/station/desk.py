"""The Desk: grants a step all the shared instruments that it needs, or none, in order of arrival.

It speaks to no instrument. A bay has at most one lease; the first in line reserves what it needs, so that nobody who
came later can have it first, and whoever needs something else need not wait. A lease ends only when its bay is dead
and every relay from its instruments to the bay was seen open; else it never ends, and the station is locked.

``Reach`` is what each source may reach: it grows before a relay closes and shrinks once that relay was seen open.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from threading import RLock

from eolseq.clock import Clock, Signal
from eolseq.errors import StationFault
from eolseq.guard.power import LockedRed

LONGEST_WAIT = 1800.0
"""Seconds after which a bay in line is told that it waits in vain; no step lasts as long."""


class Reach:
    """Which bays each source may reach, by the relays; at the beginning, before any was seen, all of them."""

    def __init__(self, routes: Mapping[str, Mapping[int, tuple[str, str]]], bays: Collection[str]) -> None:
        """``routes``: by switching unit, channel to the source it carries and the bay it leads to."""
        self._routes = routes
        self._closed: dict[tuple[str, str], set[tuple[str, int]]] = {}
        for unit, channels in routes.items():
            for channel, way in channels.items():
                self._closed.setdefault(way, set()).add((unit, channel))
        self._bays = tuple(bays)

    def may(self, source: str, bay: str) -> bool:
        """Whether a source may reach a bay now."""
        return bool(self._closed.get((source, bay)))

    def bays_of(self, source: str) -> tuple[str, ...]:
        """The bays that a source may reach now."""
        return tuple(bay for bay in self._bays if self._closed.get((source, bay)))

    def way(self, unit: str, channel: int) -> tuple[str, str] | None:
        """The source that a relay carries and the bay it leads to; None where it carries none."""
        return self._routes.get(unit, {}).get(channel)

    def about_to_close(self, unit: str, channel: int) -> None:
        """A relay is about to be asked to close."""
        way = self.way(unit, channel)
        if way is not None:
            self._closed.setdefault(way, set()).add((unit, channel))

    def seen(self, unit: str, closed: Collection[int], own: Iterable[int]) -> None:
        """A switching unit was read: what is closed reaches, whoever's it is; what is open of one's own does not."""
        for channel in closed:
            self.about_to_close(unit, channel)
        for channel in own:
            way = self.way(unit, channel)
            if way is not None and channel not in closed:
                self._closed[way].discard((unit, channel))


class _Request:
    """A bay in line for instruments."""

    __slots__ = ("bay", "granted", "names", "signal")

    def __init__(self, bay: str, names: frozenset[str], signal: Signal) -> None:
        self.bay = bay
        self.names = names
        self.signal = signal
        self.granted = False


class Desk:
    """Who has which shared instrument, and who is next."""

    def __init__(self, clock: Clock, shared: Iterable[str], reach: Reach) -> None:
        self.shared = frozenset(shared)
        self.reach = reach
        self.locked: StationFault | None = None
        self.on_grant: Callable[[str, frozenset[str]], None] | None = None
        self.on_return: Callable[[str], None] | None = None  # before an instrument is free; never waits
        self._clock = clock
        self._held: dict[str, str] = {}    # instrument -> bay
        self._flying: dict[str, int] = {}  # instrument -> how many OFF are on their way to it
        self._line: list[_Request] = []
        self._one_at_a_time = RLock()      # never held over a wait; a signal's handler may trip in the middle of it

    # -- looks --------------------------------------------------------------------------------------------------

    def holder(self, name: str) -> str | None:
        """The bay that has an instrument, or None."""
        return self._held.get(name)

    def holders(self) -> dict[str, str]:
        """The bay that has each instrument which is not free."""
        return dict(self._held)

    def line(self) -> tuple[tuple[str, frozenset[str]], ...]:
        """The bays that wait, in order of arrival, each with what it needs."""
        return tuple((each.bay, each.names) for each in tuple(self._line))

    # -- leases -------------------------------------------------------------------------------------------------

    def take(self, bay: str, names: Iterable[str], check: Callable[[], None],
             tell: Callable[[str], None] = lambda _: None) -> frozenset[str]:
        """Wait in line for all of these instruments that are shared; gives those.

        ``check`` raises what ends the wait; ``withdraw`` has it asked. ``tell`` is given a sentence when it must wait,
        and an empty text when that is over. StationFault when the station is locked, or after LONGEST_WAIT.
        """
        request = _Request(bay, frozenset(names) & self.shared, self._clock.signal())
        with self._one_at_a_time:
            self._refuse_second(bay)
            self._line.append(request)
            self._serve()
            waits = "" if request.granted or self.locked is not None else self._why(request)
        try:
            if waits:
                tell(waits)
            self._await(request, check)
            if waits:
                tell("")
        except BaseException:
            with self._one_at_a_time:
                self._leave(request)
            raise
        return request.names

    def take_if_free(self, bay: str, names: Iterable[str]) -> frozenset[str] | None:
        """These instruments, as far as they are shared, if all are free and nobody waits for one; else None at once."""
        wanted = frozenset(names) & self.shared
        with self._one_at_a_time:
            self._refuse_second(bay)
            busy = any(name in self._held or self._flying.get(name) for name in wanted)
            if busy or self.locked is not None or any(wanted & each.names for each in self._line):
                return None
            self._held.update(dict.fromkeys(wanted, bay))
            return wanted

    def give_back(self, bay: str, names: Iterable[str], *, dead: bool) -> None:
        """End a lease, if its bay is dead and every way from its instruments to it was seen open.

        LockedRed otherwise: the instruments stay where they are, and nothing is granted any more.
        """
        with self._one_at_a_time:
            live = [name for name in names if self._held.get(name) == bay and (not dead or self.reach.may(name, bay))]
            if not live:
                self._free(bay, names)
                self._serve()
                return
        what = "may still be connected" if dead else "cannot be shown to leave no voltage"
        fault = LockedRed(f"{', '.join(sorted(live))} {what} at {bay}, and cannot be used at any bay.",
                          f"Keep the guard of {bay} closed and call maintenance.")
        self.lock(fault)
        raise fault

    def lock(self, fault: StationFault) -> None:
        """Grant nothing any more; whoever waits is told why. Steps that have begun may end."""
        with self._one_at_a_time:
            self.locked = self.locked or fault
            for request in self._line:
                request.signal.set()

    def start_afresh(self) -> None:
        """Every instrument is free and granted again, once every output is off and every bay was proved dead."""
        with self._one_at_a_time:
            self.locked = None
            for name, bay in tuple(self._held.items()):
                self._free(bay, [name])
            self._serve()

    def withdraw(self, bay: str) -> None:
        """Have a bay that waits look why it should not; any task, at once."""
        with self._one_at_a_time:
            for request in self._line:
                if request.bay == bay:
                    request.signal.set()

    # -- trips --------------------------------------------------------------------------------------------------

    def if_held(self, bay: str, name: str, action: Callable[[], None]) -> None:
        """Do something to an instrument, such as end its wait, only while a bay has it; the action never waits."""
        with self._one_at_a_time:
            if name not in self.shared or self._held.get(name) == bay:
                action()

    @contextmanager
    def off_to(self, bay: str, name: str) -> Iterator[bool]:
        """Whether a source may reach a bay, so that OFF must go to it; nobody else gets it while OFF is on its way."""
        with self._one_at_a_time:
            reaches = self.reach.may(name, bay)
            if reaches:
                self._flying[name] = self._flying.get(name, 0) + 1
        try:
            yield reaches
        finally:
            if reaches:
                with self._one_at_a_time:
                    self._flying[name] -= 1
                    self._serve()

    # -- within -------------------------------------------------------------------------------------------------

    def _refuse_second(self, bay: str) -> None:
        if bay in self._held.values() or any(each.bay == bay for each in self._line):
            raise StationFault(f"{bay} asked for instruments while it has some, or waits for some, already.",
                               "Report this to whoever maintains the program.")

    def _why(self, request: _Request) -> str:
        """After whom a bay gets what it needs: said once, it stays true while the ones before it take their turns."""
        before = self._line[:self._line.index(request)]
        said = []
        for name in sorted(request.names):
            holder = self._held.get(name)
            ahead = [each.bay for each in before if name in each.names]
            if holder is not None or ahead:
                said.append(f"{name}, after {_listed([holder, *ahead] if holder else ahead)}")
        return f"Waiting for {'; '.join(said)}. Keep the guard closed." if said else ""

    def _await(self, request: _Request, check: Callable[[], None]) -> None:
        deadline = self._clock.monotonic() + LONGEST_WAIT
        while True:
            if self.locked is not None:
                raise StationFault(f"The station is locked: {self.locked.what}", self.locked.do)
            check()
            if request.granted:
                return
            left = deadline - self._clock.monotonic()
            if left <= 0.0:
                raise StationFault(f"{request.bay} waited in vain for {', '.join(sorted(request.names))}.",
                                   "Look at what the other bays do; then start again.")
            self._clock.wait(request.signal, left)
            request.signal.clear()

    def _serve(self) -> None:
        """Grant whatever can be granted, in order; whoever must wait reserves all it needs."""
        reserved: set[str] = set()
        for request in tuple(self._line):
            busy = any(name in reserved or name in self._held or self._flying.get(name) for name in request.names)
            if busy or self.locked is not None:
                reserved |= request.names
                continue
            self._line.remove(request)
            self._held.update(dict.fromkeys(request.names, request.bay))
            request.granted = True
            if self.on_grant is not None:
                self.on_grant(request.bay, request.names)
            request.signal.set()

    def _leave(self, request: _Request) -> None:
        """Out of the line, or back with what was granted while something else ended the wait; nothing was switched."""
        if request in self._line:
            self._line.remove(request)
        if request.granted:
            self._free(request.bay, request.names)
        self._serve()

    def _free(self, bay: str, names: Iterable[str]) -> None:
        for name in names:
            if self._held.get(name) == bay:
                if self.on_return is not None:
                    self.on_return(name)
                del self._held[name]


def _listed(names: list[str]) -> str:
    """Names as a sentence lists them."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)

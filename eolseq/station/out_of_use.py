"""A bay out of use: why, and what must be seen of it, again and again, so that its neighbours may work on.

Nothing is energised there, since it has no door to voltage. Its neighbours may work while every relay of it is seen
open, and while its contactor is seen open or no voltage is seen at its terminals: two things that do not hang on each
other. Anything that is seen to be otherwise stops every bay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

from eolseq.clock import Clock
from eolseq.errors import EolseqError
from eolseq.guard.power import DEAD_BELOW, DISCHARGE_PAUSE, DISCHARGE_TRIES, LockedRed
from eolseq.instruments.roles import ROLES
from eolseq.station.bay_fields import BayPlace
from eolseq.station.file import Station

BACK = "Back in use at the next start, when it answers."
LEAVE_ALONE = "Test nothing here. Keep its guard closed and touch nothing inside. Call maintenance."
CALL = "Test nothing here. Call maintenance."
NO_BAY = "Test at no bay. Keep the guard of {bay} closed and call maintenance."


class OutOfUse(NamedTuple):
    """Why nothing is tested at a bay, in a sentence, and what to do."""

    bay: str
    what: str
    do: str


class Seen(NamedTuple):
    """What was seen of a bay: every relay of it open, its contactor open, no voltage; None where nothing was seen."""

    relays_open: bool | None
    contactor_open: bool | None
    dead: bool | None


class Doubt(NamedTuple):
    """Why a bay out of use must hold up its neighbours; ``seen``: something was seen that must not be."""

    what: str
    seen: bool


def doubt_of(bay: str, seen: Seen) -> Doubt | None:
    """Why what was seen of a bay is not enough for its neighbours to work; None where it is."""
    if seen.dead is False:
        return Doubt(f"There is voltage at {bay}, which is out of use.", True)
    if seen.relays_open is False:
        return Doubt(f"A relay of {bay}, which is out of use, is closed.", True)
    if seen.contactor_open is False:
        return Doubt(f"The contactor of {bay}, which is out of use, is closed.", True)
    if seen.relays_open is None:
        return Doubt(f"The relays of {bay}, which is out of use, are not seen to be open.", False)
    if seen.contactor_open is None and seen.dead is None:
        return Doubt(f"Neither guard unit nor residual meter of {bay}, which is out of use, answers.", False)
    return None


def left_out(station: Station, members: Callable[[BayPlace], Mapping[str, str]], roles: Mapping[str, str],
             failures: Mapping[str, str]) -> dict[str, OutOfUse]:
    """The bays to leave out since an instrument that each needs did not open; none where no bay may be used at all.

    That is so where what did not open could put out a voltage or closes relays, where every bay needs it, and where a
    bay has neither guard unit nor residual meter left by which it could be seen.
    """
    if any(ROLES[roles[name]].danger or roles[name] == "switching_unit" for name in failures):
        return {}
    found: dict[str, OutOfUse] = {}
    for place in station.places:
        by_role = {**members(place), "guard_unit": place.guard}
        lost = {role: name for role, name in by_role.items() if name in failures}
        if not lost:
            continue
        sighted = {"guard_unit", "residual_meter"} & by_role.keys() - lost.keys()
        if not sighted or "switching_unit" not in by_role:
            return {}
        do = LEAVE_ALONE if "residual_meter" in lost or "residual_meter" not in by_role else CALL
        why = " ".join(f"{name}: {failures[name].removeprefix(f'{name} ')}" for name in lost.values())
        found[place.name] = OutOfUse(place.name, why, f"{do} {BACK}")
    return found if len(found) < len(station.places) else {}


@dataclass
class Sight:
    """What can be seen of a bay at which nothing is tested, by its instruments that answer.

    ``contactor_open`` asks its guard unit. ``allow_reads`` lets lines be used again that a trip has ended.
    """

    bay: str
    by_role: Mapping[str, Any]
    contactor_open: Callable[[], bool | None]
    allow_reads: Callable[[], None] = lambda: None

    def look(self) -> Seen:
        """Relays, contactor and volts as they are now."""
        self.allow_reads()
        return Seen(self._relays_open(), self.contactor_open(), self.dead())

    def dead(self) -> bool | None:
        """Whether the residual meter sees no dangerous voltage at the bay's terminals."""
        meter = self.by_role.get("residual_meter")
        if meter is None:
            return None
        try:
            volts = meter.perform("measure").readings["volts_peak"].base
        except EolseqError:
            return None
        return None if volts is None else abs(float(volts)) < DEAD_BELOW

    def _relays_open(self) -> bool | None:
        try:
            return not self.by_role["switching_unit"].perform("closed").channels
        except EolseqError:
            return None


class ClosedBay:
    """A bay that is out of use from the start: it has no watcher and no door, so nothing can be energised there."""

    def __init__(self, out: OutOfUse, clock: Clock, by_role: Mapping[str, Any], guard: Any | None,
                 discharge: Callable[[bool], bool] | None, access: float) -> None:
        self.out = out
        self.name = out.bay
        self._clock = clock
        self._by_role = by_role
        self._guard = guard
        self._discharge = discharge
        self._access = access  # s in which a person could reach a live part, and what is charged has time to sink
        self.sight = Sight(out.bay, by_role, self._contactor_open)

    def all_off(self) -> None:
        """Every output that could reach it off, contactor and relays open, as far as it answers; LockedRed on a doubt.

        Its guard is let go only where the residual meter sees no voltage; else it stays as it is.
        """
        problems = [*self._sources_off(), *self._made_dead()]
        doubt = doubt_of(self.name, self.sight.look())
        problems += [doubt.what] if doubt is not None else []
        if problems:
            raise LockedRed(f"{self.name} is out of use and cannot be shown to hold no output. {' '.join(problems)}",
                            NO_BAY.format(bay=self.name))
        if self._guard is not None and self.sight.dead():
            with suppress(EolseqError):
                self._guard.perform("unlock")

    def _sources_off(self) -> list[str]:
        found = []
        for source in (each for each in self._by_role.values() if ROLES[each.role].danger):
            try:
                source.perform("off")
                on = "on" in source.perform("output").flags
            except EolseqError as error:
                found.append(f"{source.name} did not confirm that its output is off: {error}")
            else:
                found += [f"{source.name} still reports its output on after OFF."] if on else []
        return found

    def _made_dead(self) -> list[str]:
        """Contactor open, the unit discharged with what there is, every relay open; each is tried, whatever came."""
        found = []
        for action in (self._contactor_off, self._discharged, self._relays_off):
            try:
                action()
            except EolseqError as error:
                found.append(str(error))
        return found

    def _contactor_off(self) -> None:
        if self._guard is not None:
            self._guard.perform("contactor_off")

    def _relays_off(self) -> None:
        self._by_role["switching_unit"].perform("open_all")

    def _discharged(self) -> None:
        if self._discharge is not None:
            self._discharge(True)
            self._wait_until_dead()
            self._discharge(False)

    def _wait_until_dead(self) -> None:
        """Until the meter sees no voltage; where none answers, as long as nobody could reach a live part."""
        if self.sight.dead() is None:
            self._clock.sleep(max(self._access, DISCHARGE_TRIES * DISCHARGE_PAUSE))
            return
        for _ in range(DISCHARGE_TRIES):
            if self.sight.dead():
                return
            self._clock.sleep(DISCHARGE_PAUSE)

    def _contactor_open(self) -> bool | None:
        if self._guard is None:
            return None
        try:
            return "contactor" not in self._guard.perform("look").flags
        except EolseqError:
            return None

"""Whether a bay of several may be used now, looked at anew in every round of its shift; and what holds up all bays."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from eolseq.commands.shift_checks import StationChecks
from eolseq.errors import EolseqError
from eolseq.guard.inputs import Reason
from eolseq.guard.power import LockedRed
from eolseq.instruments.roles import ROLES
from eolseq.line.out_of_use import whom_to_call
from eolseq.records.bay_entries import BayOutOfUse
from eolseq.records.entries import Lock
from eolseq.station.out_of_use import BACK, CALL, LEAVE_ALONE, NO_BAY, Doubt, OutOfUse, Sight, doubt_of

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.records.log import Log
    from eolseq.station.bays import OpenBay
    from eolseq.station.open import OpenStation

LOOKS_EVERY = 1.0  # s between two looks at a bay out of use
UNSEEN = 3         # looks in a row that see too little, after which every bay stops
SILENT = 2.0       # s without an answer of the guard unit between two tests, after which its bay is out of use
OFF_UNKNOWN = "{name} does not answer, so that its output is not shown to be off: {why}"


class Sentry:
    """Looks once a second at a bay out of use; what it sees there stops every bay and locks the station."""

    def __init__(self, clock: Clock, opened: OpenStation, log: Log, sight: Sight) -> None:
        self._clock, self._opened, self._log, self._sight = clock, opened, log, sight
        self._next = clock.monotonic()
        self._unseen = 0

    def look(self) -> None:
        """Look, when it is time; nothing while the station is locked."""
        now = self._clock.monotonic()
        if now < self._next or self._log.locked() is not None:
            return
        self._next = now + LOOKS_EVERY
        doubt = doubt_of(self._sight.bay, self._sight.look())
        self._unseen = self._unseen + 1 if doubt is not None else 0
        if doubt is not None and (doubt.seen or self._unseen >= UNSEEN):
            stop_every_bay(self._opened, self._log, self._sight.bay, doubt)


def stop_every_bay(opened: OpenStation, log: Log, bay: str, doubt: Doubt) -> None:
    """OFF at every bay, no instrument granted any more, and the station locked in the log, in this order."""
    do = NO_BAY.format(bay=bay)
    opened.trip(Reason(True, doubt.what, do))
    if opened.desk is not None:
        opened.desk.lock(LockedRed(doubt.what, do))
    log.append(Lock(reason=doubt.what, do=do))


class BayUse:
    """Whether one bay of several may be used. Once an instrument of its own is silent it stays out."""

    def __init__(self, clock: Clock, opened: OpenStation, log: Log, bay: OpenBay, checks: StationChecks) -> None:
        self._clock, self._opened, self._log, self._bay, self._checks = clock, opened, log, bay, checks
        self._silent: OutOfUse | None = None
        self._silent_since: float | None = None
        self._written: OutOfUse | None = None
        self._sentry = Sentry(clock, opened, log, Sight(bay.name, bay.by_role, self._contactor_open,
                                                        bay.watcher.allow_reads))

    def now(self) -> OutOfUse | None:
        """Why the bay is out of use, or None; asked between two tests. Written into the log when it is new."""
        self._silent = self._silent or self._guard_silent()
        if self._silent is not None:
            self._sentry.look()
        out = self._silent or self._not_standing()
        if out is not None and out != self._written:
            self._log.append(BayOutOfUse(bay=out.bay, reason=out.what, do=out.do,
                                         station_digest=self._opened.station.digest))
        self._written = out
        return out

    def stay_in_sight(self, working: Callable[[], bool]) -> None:
        """Look at the bay as long as a neighbour works, if one of its instruments is silent."""
        while self._silent is not None and working():
            self._sentry.look()
            self._clock.sleep(LOOKS_EVERY)

    def ask_own(self) -> OutOfUse | None:
        """Ask each of the bay's own instruments who it is, before a unit and after a fault; why it is out of use now.

        So a residual meter that is gone is missed before the contactor closes, and not when dead must be proved.
        """
        place = next(each for each in self._opened.station.places if each.name == self._bay.name)
        self._bay.watcher.allow_reads()
        for name in place.own:
            player = self._bay.players[name]
            try:
                _answers(player)
            except EolseqError as error:
                self._lost(name, player.role, str(error))
        return self._silent

    def _lost(self, name: str, role: str, why: str) -> None:
        if ROLES[role].danger or role == "switching_unit":
            stop_every_bay(self._opened, self._log, self._bay.name, Doubt(OFF_UNKNOWN.format(name=name, why=why), True))
            return
        do = LEAVE_ALONE if role == "residual_meter" else CALL
        self._silent = self._silent or OutOfUse(self._bay.name, f"{name}: {why.removeprefix(f'{name} ')}",
                                                f"{do} {BACK}")

    def _guard_silent(self) -> OutOfUse | None:
        now, watcher = self._clock.monotonic(), self._bay.watcher
        if watcher.alive and watcher.inputs.fresh(now):
            self._silent_since = None
            return None
        self._silent_since = now if self._silent_since is None else self._silent_since
        if now - self._silent_since < SILENT:
            return None
        return OutOfUse(self._bay.name, "The guard unit does not answer.", f"{CALL} {BACK}")

    def _not_standing(self) -> OutOfUse | None:
        """What of the instruments does not stand, and cannot be made to stand from here."""
        due = [each for each in self._checks.due() if not each.check]
        if not due:
            return None
        more = f" ({len(due)} reasons in all.)" if len(due) > 1 else ""
        return OutOfUse(self._bay.name, f"{due[0].what}{more}", f"{CALL} {due[0].do}")

    def _contactor_open(self) -> bool | None:
        watcher = self._bay.watcher
        last = watcher.inputs.last
        if last is None or not watcher.alive or not watcher.inputs.fresh(self._clock.monotonic()):
            return None
        return not last.contactor


def _answers(player: Any) -> None:
    """Ask an instrument who it is, once more on a fresh line where it does not say so; InstrumentFault, LinkFault."""
    with suppress(EolseqError):
        if player.who() == player.identity.raw:
            return
    player.reopen()


def for_screen(out: OutOfUse, opened: OpenStation) -> OutOfUse:
    """The same with how maintenance is reached, for people."""
    rules = opened.station.shift
    return out if rules is None else out._replace(do=whom_to_call(out.do, rules.call))

"""What the guard unit reports, and whether that is a reason to stop. Pure; time comes in as seconds.

The hard-wired interlock is the safety function (EN 50191, ISO 13849-1, IEC 60204-1); what stands here only looks at
its contacts and lamps, and stops the sources a little earlier and with an explanation.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """Times of the guard, all in seconds: between looks, oldest answer trusted, longest disagreement, watchdog, access.

    ``access`` is the shortest time in which a person could reach a live part after the guard is released.
    """

    scan: float = 0.002
    freshness: float = 0.1
    discrepancy: float = 0.05
    watchdog: float = 0.3
    access: float = 2.0


class GuardState(NamedTuple):
    """One look at the guard unit: contacts (True: closed), lamps, lock, contactor, stop button, and when (seconds)."""

    contact_a: bool
    contact_b: bool
    red: bool
    green: bool
    locked: bool
    contactor: bool
    stop_button: bool
    time: float

    @classmethod
    def of(cls, flags: Set[str], time: float) -> GuardState:
        """Make one from the flags of a guard unit's answer."""
        return cls("contact_a" in flags, "contact_b" in flags, "red" in flags, "green" in flags, "locked" in flags,
                   "contactor" in flags, "stop_button" in flags, time)

    @property
    def closed(self) -> bool:
        """Both channels closed and the stop button not pressed."""
        return self.contact_a and self.contact_b and not self.stop_button

    @property
    def open(self) -> bool:
        """Both channels open."""
        return not self.contact_a and not self.contact_b


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a run is stopped: by a person or the guard (``fault`` False: stopped) or because the station is at fault."""

    fault: bool
    what: str
    do: str


GUARD_OPEN = Reason(False, "The guard was opened.", "Close the guard; this unit needs a new run from the start.")
STOP_BUTTON = Reason(False, "The stop button was pressed.",
                     "Find out why, release the button; this unit needs a new run from the start.")
DISAGREE = Reason(True, "The two guard contacts disagree.",
                  "Do not test. Call maintenance to check the guard switch and its wiring.")
STALE = Reason(True, "The guard unit does not answer in time.",
               "Do not test. Call maintenance to check the guard unit and its line.")
WATCHER_DEAD = Reason(True, "The watcher of the guard has ended.",
                      "Do not test. Start the program again; if it happens again, call maintenance.")
DROPPED = Reason(True, "The contactor dropped although the guard is closed.",
                 "The computer may have stood still for a moment: run the unit again. If it happens again, call "
                 "maintenance to check the contactor.")
LAMP = Reason(True, "The red lamp is not lit although the contactor is closed.",
              "Do not test. Call maintenance to check the lamp.")


class GuardInputs:
    """Remembers the last look and how long the two channels have disagreed."""

    def __init__(self, settings: GuardSettings) -> None:
        self.settings = settings
        self.last: GuardState | None = None
        self._freshness = settings.freshness
        self._disagree_since: float | None = None

    def note(self, state: GuardState) -> None:
        """Take a fresh look into account."""
        self.last = state
        if state.contact_a == state.contact_b:
            self._disagree_since = None
        elif self._disagree_since is None:
            self._disagree_since = state.time

    def disagreeing(self, now: float) -> bool:
        """Whether the channels have disagreed for longer than allowed."""
        since = self._disagree_since
        return since is not None and now - since >= self.settings.discrepancy

    def fresh(self, now: float) -> bool:
        """Whether the last look is recent enough to be trusted."""
        return self.last is not None and now - self.last.time <= self.settings.freshness

    def reason_to_stop(self, now: float) -> Reason | None:
        """Why voltage must not be on now, or None.

        One open channel stops at once as an opened guard; if it is still the only one after the discrepancy time,
        that is a fault of the guard switch as well.
        """
        state = self.last
        if state is None or now - state.time > self._freshness:
            return STALE
        if state.stop_button:
            return STOP_BUTTON
        if self._disagree_since is not None and self.disagreeing(now):
            return DISAGREE
        if not (state.contact_a and state.contact_b):
            return GUARD_OPEN
        if state.contactor and not state.red:
            return LAMP
        return None

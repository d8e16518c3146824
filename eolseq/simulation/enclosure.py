"""The simulated guard: two contacts, stop button, lock, watchdog, contactor and lamps, as they would be hard-wired."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from eolseq.simulation.status import CommandError

if TYPE_CHECKING:
    from eolseq.simulation.world import World

CONTACT_A, CONTACT_B, LOCKED, CONTACTOR, STOP = 1 << 8, 1 << 9, 1 << 10, 1 << 11, 1 << 12
"""Operation condition bits of the guard unit."""

RED, GREEN = 1 << 9, 1 << 10
"""Questionable condition bits of the guard unit: which lamp is lit."""

CONTACTS = ("contact_a", "contact_b")

PATIENCE = 3.0  # s; a person who has closed the guard and sees nothing begin opens and closes it once more
_AGAIN = "guard opens again"


@dataclass(frozen=True, slots=True)
class EnclosureSettings:
    """How the guard behaves: hard-wired or not, and seconds to close by itself and between the two contacts.

    ``patience`` in seconds, or None for PATIENCE: after that a person opens it again when nothing begins.
    """

    hard_wired: bool
    closes_after: float
    contact_spread: float
    patience: float | None = None


class Enclosure:
    """The guard of one bay. The contactor is closed only while permitted, pulsed and, if hard-wired, guarded."""

    def __init__(self, world: World, settings: EnclosureSettings) -> None:
        self.world = world
        self.settings = settings
        self.contacts = dict.fromkeys(CONTACTS, False)
        self.stop_pressed = False
        self.locked = False
        self.permit = False
        self.contactor = False
        self.timer = 0.3  # s
        self.alive = False
        self.expires = 0.0
        self.lamp_fault = ""  # "red" or "green": that lamp is dead
        self.closes_by_itself = True
        self._loading = True
        self.operation_bits = 0
        self.questionable_bits = GREEN

    def load(self) -> None:
        """A person changes the unit: the guard opens; it closes by itself a while after it was looked at."""
        self.open("both")
        self.locked = False
        self._loading = True
        self._settle()

    def looked_at(self) -> None:
        """The guard unit is pulsed and looked at: an open guard that waits for it now begins to close."""
        if not self._loading or not self.closes_by_itself:
            return
        self._loading = False
        now = self.world.now
        for place, contact in enumerate(CONTACTS):
            self.world.due(f"guard {contact} closes", now + self.settings.closes_after
                           + place * self.settings.contact_spread, partial(self.close, contact))
        patience = PATIENCE if self.settings.patience is None else self.settings.patience
        self.world.due(_AGAIN, now + self.settings.closes_after + self.settings.contact_spread + patience, self.load)

    def begun(self) -> None:
        """Something was switched for the unit in the bay: the person leaves the guard closed until the next unit."""
        self.world.cancel(_AGAIN)

    def open(self, which: str = "both") -> None:
        """Open one contact or both at once."""
        self._set(which, False)

    def close(self, which: str = "both") -> None:
        """Close one contact or both at once."""
        self._set(which, True)

    def press_stop(self, pressed: bool = True) -> None:
        """Press or release the stop button."""
        self.stop_pressed = pressed
        self.world.changed("stop", "pressed" if pressed else "released", "guard")
        self._settle()

    def set_lock(self, locked: bool) -> None:
        """Lock or unlock the guard; error -221 when asked to lock an open one."""
        if locked and not all(self.contacts.values()):
            raise CommandError(-221)
        if locked:
            self.begun()
        self.locked = locked
        self._settle()

    def set_permit(self, permit: bool) -> None:
        """Allow the contactor to close, or open it."""
        if permit:
            self.begun()
        self.permit = permit
        self._settle()

    def set_timer(self, seconds: float) -> None:
        """Set the watchdog's time in seconds, which also counts as a pulse."""
        self.timer = seconds
        self.world.cancel("watchdog")
        self.alive = False
        self.pulse()

    def pulse(self) -> None:
        """The program is alive; without the next pulse in time the contactor opens."""
        self.expires = self.world.now + self.timer
        if not self.alive:
            self.alive = True
            self.world.due("watchdog", self.expires, self._watchdog)
            self._settle()

    def _watchdog(self) -> None:
        """Look whether a pulse came since; if not, the contactor opens and the permit has to be asked for again."""
        if self.expires > self.world.now:
            self.world.due("watchdog", self.expires, self._watchdog)
            return
        self.alive = False
        self.permit = False
        self.world.changed("watchdog", "expired", "watchdog")
        self._settle()

    def _set(self, which: str, closed: bool) -> None:
        wanted = CONTACTS if which == "both" else (which if which in CONTACTS else f"contact_{which}",)
        for contact in wanted:
            if contact not in self.contacts:
                raise CommandError(-224, f"contact {which!r}; there are contact_a, contact_b, both")
            if not closed:
                self.world.cancel(_AGAIN)
            self.world.cancel(f"guard {contact} closes")
            if self.contacts[contact] != closed:
                self.contacts[contact] = closed
                self.world.changed(contact, "closed" if closed else "open", "guard")
        self._settle()

    def _settle(self) -> None:
        """Let contactor and lamps follow."""
        guarded = all(self.contacts.values()) and not self.stop_pressed
        closed = self.permit and self.alive and (guarded or not self.settings.hard_wired)
        if closed != self.contactor:
            self.world.settle()
            self.contactor = closed
            self.world.changed("contactor", "closed" if closed else "open", "contactor")
            self.world.replan()
        bits = (CONTACT_A if self.contacts["contact_a"] else 0) | (CONTACT_B if self.contacts["contact_b"] else 0)
        bits |= (LOCKED if self.locked else 0) | (CONTACTOR if closed else 0) | (STOP if self.stop_pressed else 0)
        self.operation_bits = bits
        lamp = "red" if closed else "green"
        self.questionable_bits = 0 if self.lamp_fault == lamp else (RED if closed else GREEN)

    def set_lamp_fault(self, lamp: str) -> None:
        """Let a lamp ("red", "green") be dead, or none ("")."""
        self.lamp_fault = lamp
        self._settle()

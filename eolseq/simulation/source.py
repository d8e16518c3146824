"""The output stage of an energising instrument: on and off, its own timed profile, and what a stuck output does."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import TYPE_CHECKING

from eolseq.simulation.status import CommandError

if TYPE_CHECKING:
    from eolseq.simulation.world import World

RISING, HOLDING, FALLING = 1 << 3, 1 << 4, 1 << 8
"""Bits of the operation condition register: on the way up, measuring, on the way down."""

WAITS_FOR_START = 1.0
"""Seconds after which an output that was switched on, but whose list was never started, goes off by itself."""


class Source:
    """One output. In list mode ``start`` runs rise, hold and fall, and the output goes off by itself at their end."""

    def __init__(self, key: str, name: str, world: World, serial: str, accuracy: float) -> None:
        self.key = key           # "withstand", "continuity" or "power": what kind of source the physics sees
        self.name = name
        self.world = world
        self.gain = 1.0 + Random(f"output of {serial}").uniform(-0.5, 0.5) * accuracy
        self.on = False          # what really is at the terminals
        self.commanded = False   # what the instrument believes
        self.tripped = False
        self.stuck = ""          # "", "stuck" or "stuck-silent"
        self.sag = 1.0           # below 1 when overloaded
        self.look: Callable[[], None] = lambda: None
        self.tests = 0           # lists begun in its life
        self.reset()

    def reset(self) -> None:
        """Default settings; the output is not touched."""
        self.listed = False
        self.level = 0.0
        self.points: tuple[float, ...] = ()
        self.dwells: tuple[float, ...] = ()
        self.rise = self.hold = self.fall = 0.0
        if not self.on:  # a stuck one stays where it is
            self.top = 0.0
        self.started: float | None = None
        self.held_seconds = 0.0
        self.frozen: tuple[float, float, float] | None = None

    def amplitude(self, time: float) -> float:
        """What the output would give at this time, V rms (or A), if nothing but its settings ruled."""
        if not self.on:
            return 0.0
        if not self.commanded:
            return self.top * self.gain * self.sag
        if not self.listed:
            return self.level * self.gain * self.sag
        if self.started is None:
            return 0.0
        gone = time - self.started
        if gone < self.rise:
            part = gone / self.rise
        elif gone <= self.rise + self.hold:
            part = 1.0
        else:
            part = max(0.0, 1.0 - (gone - self.rise - self.hold) / self.fall) if self.fall else 1.0
        return self.top * part * self.gain * self.sag

    def phase(self) -> int:
        """The operation condition bit of the profile's phase now, or 0."""
        if not self.commanded:
            return 0
        if not self.listed:
            return HOLDING
        if self.started is None:
            return 0
        gone = self.world.now - self.started
        if gone < self.rise:
            return RISING
        return HOLDING if gone < self.rise + self.hold else FALLING

    def seconds_at_top(self) -> float:
        """How long the profile has stood at full level, in seconds; kept after the end until the next switching on."""
        if not self.commanded or self.started is None:
            return self.held_seconds
        return min(max(0.0, self.world.now - self.started - self.rise), self.hold)

    def switch_on(self) -> None:
        """Close the output; in list mode it stays at zero until started."""
        if self.commanded:
            return
        self.world.settle()
        self.tripped = False
        self.frozen = None
        self.held_seconds = 0.0
        self.started = None
        self.commanded = True
        self.top = 0.0 if self.listed else self.level
        if not self.on:
            self.on = True
            self.world.changed(self.name, "on")
        if self.listed:
            self.world.due(f"{self.name} waits", self.world.now + WAITS_FOR_START, self.switch_off)
        self.world.replan()

    def start(self) -> None:
        """Begin the list; error -221 when the output is off or the list makes no profile."""
        if not self.commanded or not self.listed:
            raise CommandError(-221)
        if self.started is not None:
            raise CommandError(-213)
        top, times = self._profile()
        self.world.settle()
        self.top, (self.rise, self.hold, self.fall) = top, times
        now = self.world.now
        self.started = now
        self.tests += 1
        self.world.cancel(f"{self.name} waits")
        self.world.due(f"{self.name} phase", now + self.rise, self._next_phase)
        self.world.replan()
        self.look()

    def switch_off(self) -> None:
        """Open the output, and end the list; a stuck output only acknowledges."""
        if not self.on and not self.commanded:
            return
        self.held_seconds = self.seconds_at_top()
        self.world.settle()
        if not self.listed and self.commanded:
            self.top = self.level
        self.commanded = False
        self.started = None
        for what in ("waits", "phase"):
            self.world.cancel(f"{self.name} {what}")
        if self.on and not self.stuck:
            self.on = False
            self.world.changed(self.name, "off")
        self.world.replan()

    def trip(self) -> None:
        """Open the output because a limit was passed; what was measured then stays to be read until the next OFF."""
        self.tripped = True
        if self.key == "withstand":
            self.frozen = self.world.at_trip()
        self.switch_off()
        self.look()

    def set_stuck(self, kind: str) -> None:
        """Make the output stick, or free it; a freed one that is believed to be off goes off."""
        self.stuck = kind
        if not kind and self.on and not self.commanded:
            self.switch_off()

    def _profile(self) -> tuple[float, tuple[float, float, float]]:
        points, dwells = self.points, self.dwells
        if len(points) == 1 and len(dwells) == 1:
            return points[0], (0.0, dwells[0], 0.0)
        if len(points) == 4 and len(dwells) == 3 and points[0] == points[3] == 0.0 and points[1] == points[2]:
            return points[1], (dwells[0], dwells[1], dwells[2])
        raise CommandError(-221)

    def _next_phase(self) -> None:
        """At the end of rise and hold let the status see it; at the end of fall go off."""
        self.look()
        started = self.started
        if started is None:
            return
        ends = (started + self.rise, started + self.rise + self.hold, started + self.rise + self.hold + self.fall)
        if self.world.now >= ends[2] - 1e-12:
            self.switch_off()
            return
        following = ends[1] if self.world.now < ends[1] else ends[2]
        self.world.due(f"{self.name} phase", following, self._next_phase)

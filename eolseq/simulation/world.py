"""One simulated bay: unit, relays, sources, guard and contactor, moved on from one internal deadline to the next.

Everything timed happens at its exact time although nobody speaks: ends of rise, hold and fall, trips on the way up,
the watchdog, contactor coils. ``changes`` is the simulator's own view, by which safety is judged, whatever the
instruments say. ``sources`` has the three outputs by kind: withstand, continuity, power.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from functools import partial
from typing import Any

from eolseq.simulation.deadlines import Deadlines
from eolseq.simulation.enclosure import Enclosure, EnclosureSettings
from eolseq.simulation.network import (
    LOOP_LEADS,
    SQRT2,
    TESTER_BLEEDS,
    TIE,
    Fixture,
    Withstand,
    bond_loop,
    decay_times,
    ohms_line_to_neutral,
    parts,
    supply_current,
    swapped_current,
    trip_level,
    withstand_load,
)
from eolseq.simulation.source import Source
from eolseq.simulation.unit import OPEN, Unit

_FAN_NEEDS = 60.0  # V; below it the fan's semiconductor switch does not conduct
PLUG = "route-plug"
"""The channel, where a station has one, that puts the coded plug of the fixture before the resistance meter."""

TAP = "tap-"
"""How the channel begins that leads the volts across a known load to the residual meter."""

RELEASE = "release"
"""The channel, where a station has one, of the normally open contact that lets a unit go on; part of no unit."""

_ALMOST = 1e-12    # s
_KEPT = 20_000     # changes: hundreds of runs


class World(Deadlines):
    """The physics of one station; ``advance_to`` is told the time, everything else is as of then."""

    def __init__(self, unit: Unit, fixture: Fixture, enclosure: EnclosureSettings, now: float) -> None:
        super().__init__(now)
        self.unit = unit
        self.fixture = fixture
        self.changes: deque[dict[str, Any]] = deque(maxlen=_KEPT)
        self.emit: Callable[[dict[str, Any]], None] | None = None
        self.hertz = 60.0           # of the power source
        self.tester_hertz = 60.0    # of the withstand tester; 0: direct
        self.limits: list[float] = [math.inf, math.inf]  # A, of the tester: total, in phase
        self.protection = math.inf  # A, of the power source
        self.open_volts = 12.0      # V, of the continuity tester
        self.closed: set[int] = set()
        self._aside: Unit | None = None  # the unit, while known loads are in its place
        self.pumped: float | None = None  # Pa that a hand pump holds at the gauge's hose; None: it is at the unit
        self.contactors: set[str] = set()
        self._coils: dict[str, bool] = {}
        self._open_guard_after: float | None = None
        self._trip_level: float | None = None  # V
        self._driver: Source | None = None
        self._fan = False
        self._between = self._to_earth = 0.0
        self._since = self._moved = now
        self._decay = (1.0, 1.0)
        self.load_seen = Withstand(0.0, 0.0, 0.0, math.inf, 1.0)
        self.sources: dict[str, Source] = {}
        self.guard = Enclosure(self, enclosure)

    # -- what a person or a test may do -------------------------------------------------------------------------

    def set_unit(self, unit: Unit) -> None:
        """Let another unit, cold and without charge, be connected from now on."""
        self.settle()
        self.unit = unit
        for name in self._coils:
            self.cancel(f"coil {name}")
        self._coils.clear()
        self.contactors.clear()
        self._between = self._to_earth = 0.0
        self._moved = self.now
        self._drive_coils()
        self.replan()

    def open_guard(self, contact: str = "both") -> None:
        """Open a guard contact ("a", "b" or "both"), locked or not."""
        self.guard.open(contact)

    def close_guard(self, contact: str = "both") -> None:
        """Close a guard contact or both."""
        self.guard.close(contact)

    def press_stop(self, pressed: bool = True) -> None:
        """Press or release the stop button."""
        self.guard.press_stop(pressed)

    def open_guard_after(self, seconds: float) -> None:
        """Open the guard so many seconds after the next time an output is switched on."""
        self._open_guard_after = seconds

    def switch(self, channels: list[int], closed: bool) -> None:
        """Close or open relays."""
        changed = [number for number in channels if (number in self.closed) != closed]
        if not changed:
            return
        self.settle()
        channels_of = self.fixture.channels
        if closed and not set(changed) <= {channels_of.get(part) for part in ("discharge", RELEASE, PLUG)}:
            self.guard.begun()
        for number in changed:
            if closed:
                self.closed.add(number)
            else:
                self.closed.discard(number)
        if channels_of.get(RELEASE) in changed:
            self.note({"time": self.now, "name": RELEASE, "contact": "closed" if closed else "open"})
        if self.fixture.loads:
            self._change_over()
        self._drive_coils()
        self.replan()

    def power_fails(self) -> None:
        """The mains of relays and contactor fail for a moment: every normally open contact falls open."""
        self.switch(sorted(self.closed), False)
        self.guard.set_permit(False)

    def _change_over(self) -> None:
        """Put the known loads whose relays are closed in the unit's place, or the unit back."""
        ohms = self.fixture.load_on(self.closed)
        if ohms is not None:
            self._aside = self._aside or self.unit
            self.set_unit(Unit.known_load(ohms))
        elif self._aside is not None:
            unit, self._aside = self._aside, None
            self.set_unit(unit)

    def stick_contactor(self, stage: str, closed: bool) -> None:
        """Change a stage's contactor at once, whatever its coil does."""
        self.settle()
        if closed:
            self.contactors.add(stage)
        else:
            self.contactors.discard(stage)
        self.replan()

    # -- the simulator's own view -------------------------------------------------------------------------------

    def changed(self, name: str, state: str, key: str = "output") -> None:
        """Note a change: of an output (name, on or off), the guard, the contactor, or an OFF that arrived."""
        self.note({"time": self.now, "name": name, key: state})
        if key == "output" and state == "on" and self._open_guard_after is not None:
            self.due("guard opens", self.now + self._open_guard_after, self.guard.open)
            self._open_guard_after = None

    def note(self, change: dict[str, Any]) -> None:
        """Keep a change and hand it to the listener."""
        self.changes.append(change)
        if self.emit is not None:
            self.emit(change)

    def off_received(self, name: str) -> None:
        """An OFF arrived at an instrument."""
        self.note({"time": self.now, "off_received": name})

    def output_on(self, name: str) -> bool:
        """Whether the output of the instrument by this name really is on, whatever it says."""
        return any(source.on for source in self.sources.values() if source.name == name)

    def voltage_at_unit(self) -> float:
        """The highest absolute voltage at the unit's terminals now, in V (for an alternating one: the crest)."""
        return max(abs(each) for each in self._volts())

    def volts_at_meter(self) -> float:
        """What the residual meter is put to, in V: the unit's terminals, or a shunt whose tap leads there.

        A tap joins the shunt's end to the terminal of line; the continuity tester here drives a direct current.
        """
        tapped = self._aside is not None and any(
            self.has(f"load-{name}") for name in parts(self.fixture.channels, TAP, self.closed))
        return max(self.voltage_at_unit(), self._across_shunt() if tapped else 0.0)

    def _across_shunt(self) -> float:
        current, _ = self.bond()
        return current * self.unit.earth_screw

    def energised_at_unit(self) -> bool:
        """Whether a source's output reaches the unit with anything above zero now, be it through its earth path."""
        return (self._driver is not None and self._driver.amplitude(self.now) > 0.0) or self.bond()[0] > 0.0

    # -- what instruments ask -----------------------------------------------------------------------------------

    def has(self, part: str) -> bool:
        """Whether the relay of a part is closed."""
        return self.fixture.channels.get(part) in self.closed

    def tester_volts(self) -> float:
        """The voltage at the tester's output, V rms (direct: V)."""
        return self.sources["withstand"].amplitude(self.now)

    def tester_current(self) -> tuple[float, float]:
        """Total and in-phase current in A at the tester."""
        source = self.sources["withstand"]
        return self.load_seen.current(source.amplitude(self.now), self.tester_hertz, self._slope(source))

    def at_trip(self) -> tuple[float, float, float]:
        """Volts, total and in-phase current at the moment the tester trips; never a hair below what made it trip."""
        source = self.sources["withstand"]
        volts = max(source.amplitude(self.now), self._trip_level or 0.0)
        return (volts, *self.load_seen.current(volts, self.tester_hertz, self._slope(source)))

    def bond(self) -> tuple[float, float]:
        """The current in A through the bonded points, and the sensed voltage in V."""
        source = self.sources["continuity"]
        ohms = math.inf
        if self.guard.contactor:
            ohms = self.unit.earth_screw if self._aside is not None else \
                bond_loop(self.unit, self.fixture, parts(self.fixture.channels, "bond-", self.closed))
        current = min(source.amplitude(self.now), self.open_volts / (ohms + LOOP_LEADS)) if source.on else 0.0
        sensed = 0.0 if self.fixture.sense_lead >= OPEN or not math.isfinite(ohms) else current * ohms
        return current, sensed

    def supply_volts(self) -> float:
        """The voltage at the power source's output, V rms."""
        return self.sources["power"].amplitude(self.now)

    def supply_amps(self) -> float:
        """The current drawn from the power source now, A rms."""
        return abs(self._supply_current())

    def supply_at_unit(self) -> tuple[float, float, float]:
        """Volts (rms), amps (rms) and watts that reach the unit from the power source now."""
        if self._driver is None or self._driver is not self.sources["power"]:
            return 0.0, 0.0, 0.0
        current, volts = self._supply_current(), self._driver.amplitude(self.now)
        return volts, abs(current), volts * current.real

    def fan_pressure(self) -> float:
        """The pressure across the unit's fan now, in Pa; it needs no connection to the supply."""
        self._move()
        return self.unit.fan_pressure()

    def coil_gauge(self) -> float:
        """The pressure at the gauge's hose now, in Pa above the air's: a hand pump's, or that in the unit's coil."""
        return self.unit.coil_gauge() if self.pumped is None else self.pumped

    def coil_celsius(self) -> float:
        """The temperature of the unit's coil now, in degC."""
        return self.unit.ambient

    def _supply_current(self) -> complex:
        """The phasor of the current drawn from the power source now, in A; its real part is in phase."""
        source = self.sources["power"]
        if self._driver is not source:
            return 0j
        self._move()
        volts = source.amplitude(self.now)
        if self.fixture.swapped:
            return swapped_current(self.unit, self._across(), volts, self.hertz)
        return supply_current(self.unit, self.contactors, self._fan, self._across(), volts, self.hertz)

    def ohms_line_to_neutral(self) -> float:
        """What a four-wire resistance meter sees between L and N: infinity when not connected, NaN over a charge."""
        if self.has(PLUG):
            return self.fixture.plug or math.inf
        if not self.has("route-resistance"):
            return math.inf
        self._move()
        if abs(self._volts()[0]) > 1.0:
            return math.nan
        whole = [name for name in self.contactors if not self.unit.stages[name].parted]
        return ohms_line_to_neutral(self.unit, self.fixture, whole, self._across())

    def _across(self) -> float:
        """The siemens that the relays put across L and N."""
        return (1.0 / self.fixture.discharge if self.has("discharge") else 0.0) \
            + (1.0 / TIE if self.has("tie-L-N") else 0.0)

    # -- the network --------------------------------------------------------------------------------------------

    def settle(self) -> None:
        """Before a change: bring what has a memory up to now."""
        self._move()
        self._between, self._to_earth = self._volts()
        self._since = self.now

    def replan(self) -> None:
        """After a change: who drives the unit now, how a charge decays if there is one, when a source will trip."""
        tester, power = self.sources.get("withstand"), self.sources.get("power")
        discharged, reaching = self.has("discharge"), self.guard.contactor
        tester_there = reaching and self.has("route-withstand")
        self._driver = None
        if tester is not None and tester.on and tester_there:
            self._driver = tester
        elif power is not None and power.on and reaching and self.has("route-power"):
            self._driver = power
        self._fan = self._driver is not None and self._driver is power and power.amplitude(self.now) >= _FAN_NEEDS \
            and self.has("fan") and self.unit.branch_whole and self.unit.motor is not None and not self.fixture.swapped
        if self._driver is None and (self._between or self._to_earth):
            to_earth = (1.0 / TESTER_BLEEDS if tester_there else 0.0) \
                + (1.0 / self.fixture.discharge if discharged else 0.0)
            self._decay = decay_times(self.unit, self.fixture, self.contactors, self._across(), to_earth)
        if tester is not None and tester.on:
            self.load_seen = withstand_load(self.unit, self.fixture, self.contactors, discharged, tester_there)
        self._watch_limits()

    def _volts(self) -> tuple[float, float]:
        """Crest volts between L and N and between L and earth now."""
        driver = self._driver
        if driver is None:
            gone = self.now - self._since
            if not (self._between or self._to_earth):
                return 0.0, 0.0
            return self._between * math.exp(-gone / self._decay[0]), self._to_earth * math.exp(-gone / self._decay[1])
        level = driver.amplitude(self.now)
        if driver.key == "power":
            return level * SQRT2, level * SQRT2
        crest = level * (SQRT2 if self.tester_hertz else 1.0)
        return 0.0, crest if self.fixture.return_lead < OPEN else 0.0

    def _move(self) -> None:
        """Let the unit's own time pass up to now."""
        seconds = self.now - self._moved
        if seconds > 0.0:
            self._moved = self.now
            power = self._driver is not None and self._driver.key == "power" and not self.fixture.swapped
            volts = self.sources["power"].amplitude(self.now) if power else 0.0
            self.unit.advance(seconds, volts, self.contactors, self._fan)

    def _slope(self, source: Source) -> float:
        """Volts a second on the way up of a direct voltage."""
        rising = source.started is not None and self.now - source.started < source.rise
        return source.top * source.gain / source.rise if rising and source.rise else 0.0

    def _drive_coils(self) -> None:
        """Contactors follow their coils after their own times; a broken one does not close."""
        for name, stage in self.unit.stages.items():
            wanted = self.has(name) and stage.closes
            if wanted == self._coils.get(name, False):
                continue
            self._coils[name] = wanted
            delay = stage.closes_in if wanted else stage.opens_in
            self.due(f"coil {name}", self.now + delay, partial(self.stick_contactor, name, wanted))

    def _watch_limits(self) -> None:
        """Plan the moment at which a source's own limit switches it off."""
        tester, power = self.sources.get("withstand"), self.sources.get("power")
        if tester is not None:
            self.cancel("withstand trip")
            moment = self._tester_trips(tester) if tester.commanded and tester.started is not None else None
            if moment is not None:
                self.due("withstand trip", max(moment, self.now), tester.trip)
        if power is not None:
            self.cancel("power trip")
            if power.commanded and self._driver is power and self.supply_amps() > self.protection:
                self.due("power trip", self.now, power.trip)

    def _tester_trips(self, source: Source) -> float | None:
        """When the current will pass a limit: on the way up, at full level now, or never."""
        if source.started is None or min(self.limits) == math.inf:
            return None
        top = source.top * source.gain * source.sag
        slope = top / source.rise if source.rise and self.tester_hertz == 0.0 else 0.0
        self._trip_level = at_level = trip_level(self.load_seen, self.tester_hertz, self.limits, top, slope)
        if at_level is None:
            return None
        if source.rise == 0.0 or at_level <= 0.0:
            moment = source.started
        else:
            moment = source.started + source.rise * at_level / top
        end = source.started + source.rise + source.hold
        return None if end < self.now - _ALMOST else max(moment, self.now)

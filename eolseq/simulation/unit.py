"""The unit under test as physics: earth path, insulation, heater stages, filter capacitor, fan motor; all in SI floats.

Only physical fields, no step, instrument or reading. What depends on time is a function of seconds, and ``advance``
moves on what has a memory: the temperature of the elements, what heat or load has opened, and the speed of the motor.

The paths: L and N meet the filter capacitor with its bleeder at the terminals. Each stage lies between two poles of its
own contactor. Where there is a fan interlock, a relay across the fan lets the supply through to the stages. The
control board and the fan, with most of the neutral side's insulation, hang on a branch of the neutral conductor. The
fan's switch is a semiconductor that stops conducting at a current zero once supply or drive is gone, so the filter
capacitor keeps its charge.
"""

from __future__ import annotations

import cmath
import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

OPEN = 1e6
"""Ohms at and above which a conductor that carries current counts as broken."""

JOINS_AGAIN = 40.0
"""Kelvin by which an element must cool before a weld that has parted with heat touches again."""

DROPS_IN = 0.1
"""Seconds under too much current after which a weak contactor lets go; it closes again once the supply is gone."""

AIR = 100_400.0
"""Pa of the air in the simulated hall (invented)."""

BLOWS_BACK = 0.35
"""Part of its pressure that an axial wheel makes, the other way, when it turns backwards (invented)."""

_CELSIUS = (20, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1100, 1200)
ALLOYS: Mapping[str, tuple[float, ...]] = {
    "NiCr 80/20": (1.000, 1.006, 1.012, 1.018, 1.025, 1.026, 1.018, 1.010, 1.008, 1.010, 1.014, 1.021, 1.025),
    "NiCr 60/15": (1.000, 1.011, 1.024, 1.038, 1.052, 1.064, 1.069, 1.073, 1.078, 1.088, 1.095, 1.109),
    "NiCr 70/30": (1.000, 1.007, 1.016, 1.028, 1.038, 1.044, 1.036, 1.030, 1.028, 1.029, 1.033, 1.037, 1.043),
    "FeCrAl 25/5": (1.000, 1.002, 1.005, 1.008, 1.013, 1.021, 1.030, 1.038, 1.040, 1.042, 1.044, 1.046, 1.047),
}
"""C_t = R_T/R_20 at 20, 100, 200 ... degC, by alloy (an alloy maker's table, seen second-hand)."""


def temperature_factor(alloy: str, celsius: float) -> float:
    """How many times its resistance at 20 degC a heating alloy has, linear between the rows of its table."""
    factors = ALLOYS[alloy]
    at = _CELSIUS[:len(factors)]
    place = min(max(bisect_right(at, celsius), 1), len(at) - 1)
    low, high = at[place - 1], at[place]
    slope = (factors[place] - factors[place - 1]) / (high - low)
    return factors[place - 1] + slope * (min(max(celsius, -40.0), at[-1]) - low)


@dataclass(slots=True)
class Stage:
    """One heater stage: the element, its leads and its two-pole contactor."""

    alloy: str            # a name in ALLOYS
    resistance: float     # ohm of the element at 20 degC
    shorted_turns: float  # part of the turns bridged, 0 to 1
    works_at: float       # degC at rated power
    rated_power: float    # W
    warms_in: float       # s, time constant
    lead: float           # ohm
    contact: float        # ohm of the closed contactor
    closes: bool          # whether the contactor follows its coil
    closes_in: float      # s
    opens_in: float       # s
    to_earth: float       # F
    opens_at: float | None = None  # degC at which a weld of the element parts; None: never
    holds: float | None = None     # A that the closed contactor holds against; None: any
    temperature: float = 20.0  # degC
    parted: bool = False       # opened by heat
    loaded: float = 0.0        # s under more current than the contactor holds against

    @property
    def whole(self) -> bool:
        """Whether neither heat nor load has opened the stage."""
        return not self.parted and self.loaded < DROPS_IN

    def ohms(self) -> float:
        """The resistance of the closed stage in ohm at the element's temperature."""
        element = self.resistance * (1.0 - self.shorted_turns)
        return element * temperature_factor(self.alloy, self.temperature) + self.lead + self.contact

    def advance(self, seconds: float, volts: float, ambient: float) -> None:
        """Let so many seconds pass with this voltage (rms) across the stage."""
        if self.holds is not None:
            over = volts > 0.0 and (self.loaded >= DROPS_IN or volts / self.ohms() > self.holds)
            self.loaded = min(self.loaded + seconds, DROPS_IN) if over else 0.0
        while seconds > 0.0:
            carries = volts if self.whole else 0.0
            final = ambient + (self.works_at - ambient) * carries * carries / self.ohms() / self.rated_power
            part = self._until_weld_moves(seconds, final)
            self.temperature = final + (self.temperature - final) * math.exp(-part / self.warms_in)
            seconds -= part

    def _until_weld_moves(self, seconds: float, final: float) -> float:
        """How much of the time passes until the weld parts or touches again, on the way to a final temperature."""
        if self.opens_at is None:
            return seconds
        at = self.opens_at - JOINS_AGAIN if self.parted else self.opens_at
        reached = self.temperature <= at if self.parted else self.temperature >= at
        if reached:
            self.parted = not self.parted
            return 0.0
        if (final > at) is self.parted or final == at:  # never on this way
            return seconds
        moment = self.warms_in * math.log((self.temperature - final) / (at - final))
        if moment >= seconds:
            return seconds
        self.parted = not self.parted
        return moment


@dataclass(slots=True)
class Insulation:
    """What lies between the live conductors and earth; the elements' part hangs on their contactors."""

    resistance: float  # ohm
    line: float        # F, wiring on the line side
    neutral: float     # F, wiring, board and motor on the neutral branch
    breakdown: float   # V rms of an alternating voltage at which it gives way; a direct one at sqrt(2) times
    arc: float         # ohm once it has given way


@dataclass(slots=True)
class Across:
    """What lies between L and N with all stages open."""

    capacitor: float  # F
    bleeder: float    # ohm, across the capacitor
    board: float      # ohm, the control board's input, on the neutral branch


@dataclass(slots=True)
class Interlock:
    """A relay across the fan's terminals; its contact lets the supply through to the stages while the fan is fed."""

    pulls_in: float  # V rms
    welded: bool     # the contact stays closed whatever the coil does

    def closed(self, fan_volts: float) -> bool:
        """Whether the contact is closed with this voltage (rms) at the fan."""
        return self.welded or fan_volts >= self.pulls_in


@dataclass(slots=True)
class Motor:
    """A single-phase fan motor with a run capacitor.

    The running current is the sum of three phasors at rated voltage: magnetising current, the current of losses and
    load (both of the main winding, falling with the square of its turns), and the auxiliary winding's through the run
    capacitor. From rest it goes from the locked-rotor current to the running one exponentially, once the rotor moves.
    """

    rated_volts: float   # V
    magnetising: float   # A, lagging 90 degrees
    losses: float        # A in phase
    load: float          # A in phase at full air flow
    airflow: float       # part of the full flow, 0 to 1
    turns: float         # of the main winding at the tap in use, as a part of the right one's
    aux_resistance: float  # ohm
    aux_reactance: float   # ohm at 60 Hz
    capacitor: float     # F
    locked: float        # A with the rotor standing
    locked_angle: float  # degrees that it lags
    stands_still: float  # s from the voltage's coming to the rotor's first move
    runs_up: float       # s, time constant
    runs_down: float     # s from full speed to rest
    speed: float = 0.0   # part of the running speed
    powered: float = 0.0  # s since the voltage came

    def running(self, volts: float, hertz: float) -> complex:
        """The phasor of the running current in A (imaginary part: lagging negative)."""
        main = complex(self.losses + self.load * self.airflow, -self.magnetising) / self.turns ** 2
        reactance = self.aux_reactance * hertz / 60.0 - 1.0 / (math.tau * hertz * self.capacitor)
        return (main + self.rated_volts / complex(self.aux_resistance, reactance)) * volts / self.rated_volts

    def current(self, volts: float, hertz: float) -> complex:
        """The phasor of the current in A at this moment of starting."""
        standing = cmath.rect(self.locked, -math.radians(self.locked_angle)) * volts / self.rated_volts
        running = self.running(volts, hertz)
        return running + (standing - running) * (1.0 - self.speed)

    def advance(self, seconds: float, on: bool) -> None:
        """Let so many seconds pass with the voltage on or off."""
        if not on:
            self.powered = 0.0
            self.speed = max(0.0, self.speed - seconds / self.runs_down)
            return
        moving = min(seconds, max(0.0, self.powered + seconds - self.stands_still))
        self.powered += seconds
        self.speed = 1.0 - (1.0 - self.speed) * math.exp(-moving / self.runs_up)


@dataclass(slots=True)
class Fan:
    """The fan's wheel on the motor's shaft; pressures across it at the running speed."""

    pressure: float   # Pa at full air flow
    shut: float       # Pa with the outlet closed
    backwards: bool   # whether it turns the wrong way

    def pascals(self, speed: float, airflow: float) -> float:
        """The pressure across it at a part of the running speed and of the full air flow.

        It goes with the square of the speed (fan laws), and falls from shut to full flow with the square of the flow.
        """
        forwards = (self.shut - (self.shut - self.pressure) * airflow ** 2) * speed ** 2
        return -BLOWS_BACK * forwards if self.backwards else forwards


@dataclass(slots=True)
class Coil:
    """A closed coil, charged with dry gas that does not condense."""

    charge: float  # Pa absolute at 20 degC, as it was charged
    lost: float    # part of the gas that has leaked since

    def pascals(self, celsius: float) -> float:
        """The absolute pressure in it at a temperature: an ideal gas's, and the air's when all that can has left."""
        return max(AIR, self.charge * (1.0 - self.lost) * (celsius + 273.15) / 293.15)


@dataclass(slots=True)
class Unit:
    """One unit under test; resistances in ohm, capacitances in F."""

    earth_screw: float            # ohm, between the earth terminal and the frame
    earth: dict[str, float]       # ohm from the frame to each bonded point
    neutral_branch: float         # ohm of the neutral conductor to board and fan
    insulation: Insulation
    across: Across
    stages: dict[str, Stage]
    motor: Motor | None
    interlock: Interlock | None   # None: nothing but their contactors keeps the stages off
    ambient: float                # degC
    fan: Fan | None = None        # None: the pressure across it is of no interest
    coil: Coil | None = None      # None: it has no charge

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> Unit:
        """Make one from nested fields in SI floats, as the simulator file's loader gives them."""
        motor, fan, interlock = values["motor"], values["fan"], values["interlock"]
        ambient = values["ambient"]
        return cls(
            earth_screw=values["earth_screw"], earth=dict(values["earth"]), neutral_branch=values["neutral_branch"],
            insulation=Insulation(**values["insulation"]), across=Across(**values["across"]),
            stages={name: Stage(**stage, temperature=ambient) for name, stage in values["stages"].items()},
            motor=Motor(**motor) if motor else None, fan=Fan(**fan) if fan else None,
            interlock=Interlock(**interlock) if interlock else None, ambient=ambient,
            coil=Coil(**coil) if (coil := values.get("coil")) else None)

    @classmethod
    def known_load(cls, ohms: float) -> Unit:
        """A plain resistor in the unit's place, between L and N as well as between L and earth."""
        return cls(earth_screw=ohms, earth={}, neutral_branch=0.0,
                   insulation=Insulation(ohms, 1e-13, 1e-13, math.inf, ohms), across=Across(1e-13, ohms, 1e15),
                   stages={}, motor=None, interlock=None, ambient=22.0)

    @classmethod
    def none(cls, points: Iterable[str], frame: float) -> Unit:
        """No unit in the fixture: open leads; ``frame`` is the ohm between the chassis leads and earth (1e12: air)."""
        return cls(earth_screw=frame, earth=dict.fromkeys(points, 0.0), neutral_branch=0.0,
                   insulation=Insulation(1e12, 1e-13, 1e-13, math.inf, 1e12), across=Across(1e-13, 1e12, 1e15),
                   stages={}, motor=None, interlock=None, ambient=22.0)

    @property
    def branch_whole(self) -> bool:
        """Whether the neutral conductor reaches board and fan."""
        return self.neutral_branch < OPEN

    def bond_ohms(self, point: str) -> float:
        """The resistance in ohm from the earth terminal to a bonded point."""
        return self.earth_screw + self.earth[point]

    def fan_pressure(self) -> float:
        """The pressure across the fan in Pa at the motor's present speed; below zero when it blows the wrong way."""
        if self.fan is None or self.motor is None:
            return 0.0
        return self.fan.pascals(self.motor.speed, self.motor.airflow)

    def coil_gauge(self) -> float:
        """The pressure in the coil in Pa above the air's; not a number where there is no coil to put a hose on."""
        return math.nan if self.coil is None else self.coil.pascals(self.ambient) - AIR

    def supplied(self, closed: Iterable[str], volts: float, fan: bool) -> list[str]:
        """Which of the stages with closed contactors carry current from a supply of so many volts (rms)."""
        if self.interlock is not None and not self.interlock.closed(volts if fan else 0.0):
            return []
        return [name for name in closed if self.stages[name].whole]

    def siemens_line_to_neutral(self, closed: Iterable[str]) -> float:
        """The conductance in siemens between L and N with these stages' contactors closed (no motor)."""
        board = 1.0 / (self.across.board + self.neutral_branch)
        return 1.0 / self.across.bleeder + board + sum(1.0 / self.stages[name].ohms() for name in closed)

    def farads_to_earth(self, closed: Iterable[str]) -> float:
        """The capacitance in F from the tied live conductors to earth with these stages' contactors closed."""
        neutral = self.insulation.neutral if self.branch_whole else 0.0
        return self.insulation.line + neutral + sum(self.stages[name].to_earth for name in closed)

    def advance(self, seconds: float, volts: float, closed: Iterable[str], fan: bool) -> None:
        """Let so many seconds pass with this supply voltage (rms), these stages closed, the fan switched on or not."""
        blocked = self.interlock is not None and not self.interlock.closed(volts if fan else 0.0)
        for name, stage in self.stages.items():
            if volts and name in closed and not blocked:
                stage.advance(seconds, volts, self.ambient)
            elif stage.loaded or abs(stage.temperature - self.ambient) > 1e-6:
                stage.advance(seconds, 0.0, self.ambient)
        if self.motor is not None and (fan or self.motor.speed or self.motor.powered):
            self.motor.advance(seconds, fan)


def field_names(kind: type) -> set[str]:
    """The names of a part's physical fields that a file sets."""
    return {each.name for each in fields(kind)} - {"temperature", "parted", "loaded", "speed", "powered"}

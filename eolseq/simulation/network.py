"""What flows between a source and the unit under the relays' present state: pure arithmetic on physical fields."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from eolseq.simulation.unit import OPEN, Unit

SQRT2 = math.sqrt(2.0)

TESTER_BLEEDS = 1e6
"""Ohm across the withstand tester's output while it is off."""

METER_DRAWS = 1e7
"""Ohm of the residual meter's input, which is always at the unit's terminals (common practice, no source). Without it a
charge to earth would stay the longer, the better the insulation is, and the best units would fail."""

LOOP_LEADS = 0.04
"""Ohm of the two current leads of the continuity tester together; four-wire sensing leaves them out of the reading."""

TIE = 0.01
"""Ohm of the relay that ties line to neutral."""


@dataclass(slots=True)
class Fixture:
    """The bay's leads and relays, in SI floats."""

    channels: dict[str, int]  # part -> relay channel
    discharge: float          # ohm that the discharge relay puts across L-N and across L-earth
    return_lead: float        # ohm of the return lead to earth; at least OPEN: it is off
    sense_lead: float         # ohm of the continuity tester's and resistance meter's sense lead; same
    pallet: float             # ohm of a way from the unit's frame to earth past the leads; at least OPEN: none
    stray: float              # F of the leads alone
    swapped: bool = False     # line and earth have changed places at the unit
    contacts: float = 0.0     # ohm of leads and contacts that a two-wire continuity measurement sees
    plug: float = 0.0         # ohm of the resistor in the fixture's coded plug; 0: no plug is in
    loads: dict[str, float] = field(default_factory=dict)  # ohm of each known load; relay load-NAME switches over to it

    def load_on(self, closed: set[int]) -> float | None:
        """Ohm of the known loads that relays have put in the unit's place; None when it is the unit that is there."""
        siemens = [1.0 / ohms for name, ohms in self.loads.items() if self.channels[f"load-{name}"] in closed]
        return 1.0 / sum(siemens) if siemens else None


@dataclass(frozen=True, slots=True)
class Withstand:
    """The load on the withstand tester as admittances: in phase (siemens), capacitive (farads), share it measures."""

    siemens: float
    farads: float
    broken: float  # siemens added once the insulation has given way
    breakdown: float  # V rms
    share: float

    def current(self, volts: float, hertz: float, slope: float = 0.0) -> tuple[float, float]:
        """Total and in-phase current in A that the tester measures; ``hertz`` 0: direct, with volts a second."""
        in_phase = volts * (self.siemens + (self.broken if self.gives_way(volts, hertz) else 0.0))
        if hertz == 0.0:
            total = in_phase + self.farads * slope
            return total * self.share, in_phase * self.share
        reactive = volts * math.tau * hertz * self.farads
        return math.hypot(in_phase, reactive) * self.share, in_phase * self.share

    def gives_way(self, volts: float, hertz: float) -> bool:
        """Whether the insulation breaks down at this voltage."""
        return volts >= self.breakdown * (1.0 if hertz else SQRT2)


def withstand_load(unit: Unit, fixture: Fixture, closed: set[str], discharged: bool, reached: bool) -> Withstand:
    """What the tester sees; ``reached``: its output gets to the unit."""
    if not reached or fixture.return_lead >= OPEN:
        return Withstand(0.0, fixture.stray, 0.0, math.inf, 1.0)
    insulation = unit.insulation
    siemens = 1.0 / insulation.resistance + (1.0 / fixture.discharge if discharged else 0.0)
    share = fixture.pallet / (fixture.pallet + fixture.return_lead)
    if fixture.swapped:  # frame and neutral are tied and tested against line: what lies across L and N is in the way
        siemens += unit.siemens_line_to_neutral(closed)
        farads = unit.across.capacitor + unit.insulation.line + fixture.stray
        return Withstand(siemens, farads, 1.0 / insulation.arc, insulation.breakdown, share)
    return Withstand(siemens, unit.farads_to_earth(closed) + fixture.stray, 1.0 / insulation.arc,
                     insulation.breakdown, share)


def trip_level(load: Withstand, hertz: float, limits: Sequence[float], top: float, slope: float) -> float | None:
    """The lowest volts up to ``top`` at which total or in-phase current passes its limit, or None if none does."""
    def over(volts: float) -> bool:
        total, in_phase = load.current(volts, hertz, slope)
        return total > limits[0] or in_phase > limits[1]

    gives_way = load.breakdown * (1.0 if hertz else SQRT2)
    if over(0.0):
        return 0.0
    sound_top = min(top, math.nextafter(gives_way, 0.0))
    if not over(sound_top):
        return gives_way if top >= gives_way and over(gives_way) else None
    low, high = 0.0, sound_top
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (low, middle) if over(middle) else (middle, high)
    return high


def bond_loop(unit: Unit, fixture: Fixture, points: list[str]) -> float:
    """Ohm between the continuity tester's sense points over the bonded points that are switched to it."""
    if not points or fixture.return_lead >= OPEN:
        return math.inf
    ohms = 1.0 / sum(1.0 / unit.bond_ohms(point) for point in points) + fixture.contacts
    if fixture.swapped:  # the earth lead is on line, so that insulation lies in the loop
        ohms += unit.insulation.resistance
    return ohms if fixture.pallet >= OPEN else ohms * fixture.pallet / (ohms + fixture.pallet)


def ohms_line_to_neutral(unit: Unit, fixture: Fixture, closed: Iterable[str], across: float) -> float:
    """Ohm that a four-wire meter sees between the bay's line and neutral; relays put ``across`` siemens there."""
    if fixture.sense_lead >= OPEN:
        return 0.0
    inside = 1.0 / unit.insulation.resistance if fixture.swapped else unit.siemens_line_to_neutral(closed)
    return 1.0 / (inside + across)


def swapped_current(unit: Unit, extra: float, volts: float, hertz: float) -> complex:
    """The phasor in A from the supply where line and earth have changed places: the frame is live, nothing runs."""
    insulation = unit.insulation
    siemens = 1.0 / insulation.resistance + extra
    return complex(siemens, math.tau * hertz * (insulation.line + insulation.neutral)) * volts


def supply_current(unit: Unit, closed: set[str], fan: bool, extra: float, volts: float, hertz: float) -> complex:
    """The phasor of the current in A that the unit draws from the supply now; relays add ``extra`` siemens."""
    carrying = unit.supplied(closed, volts, fan)
    current = complex(unit.siemens_line_to_neutral(carrying) + extra, math.tau * hertz * unit.across.capacitor)
    total = current * volts
    return total + unit.motor.current(volts, hertz) if fan and unit.motor is not None else total


def decay_times(unit: Unit, fixture: Fixture, closed: set[str], across: float, to_earth: float) -> tuple[float, float]:
    """Seconds in which a charge left between L and N, and between L and earth, falls to 1/e.

    ``across`` and ``to_earth`` are the siemens that relays and instruments put there.
    """
    between = unit.across.capacitor / (unit.siemens_line_to_neutral(closed) + across)
    siemens = 1.0 / unit.insulation.resistance + 1.0 / METER_DRAWS + to_earth
    return between, (unit.farads_to_earth(closed) + fixture.stray) / siemens


def parts(channels: Mapping[str, int], prefix: str, closed: set[int]) -> list[str]:
    """The names, without their prefix, of the closed channels whose part's name begins so."""
    if not closed:
        return []
    return [name[len(prefix):] for name, number in channels.items() if number in closed and name.startswith(prefix)]

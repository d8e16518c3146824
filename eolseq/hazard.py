"""Is it dangerous, and how long until it is not: numbers in, numbers out.

The limits are those of EN 50191:2010, scope 1.2 (seen in the catalogue text of the standard): at up to 500 Hz,
contact is not dangerous if any one of voltage, current or discharge energy stays within its own limit. Editions
differ and local codes rule; these are starting points, not legal advice.
"""

from __future__ import annotations

import math

SAFE_VOLTS_AC = 25.0       # V rms
SAFE_VOLTS_DC = 60.0       # V
SAFE_AMPS_AC = 0.003       # A rms, through 2 kohm without inductance
SAFE_AMPS_DC = 0.012       # A, through 2 kohm without inductance
SAFE_JOULES = 0.350        # J of discharge energy
BODY_OHMS = 2000.0         # ohm, the resistor through which the current is measured
SOURCE = "EN 50191:2010, scope 1.2"


def dangerous_volts(volts: float, *, dc: bool = False) -> bool:
    """Whether a voltage in V (rms for ac) is above what may be touched; one that is not a number is dangerous."""
    return not abs(volts) <= (SAFE_VOLTS_DC if dc else SAFE_VOLTS_AC)


def dangerous_amps(amps: float, *, dc: bool = False) -> bool:
    """Whether a current in A (rms for ac) through 2 kohm is above what may flow through a person."""
    return not abs(amps) <= (SAFE_AMPS_DC if dc else SAFE_AMPS_AC)


def dangerous_joules(joules: float) -> bool:
    """Whether a discharge energy in J is above what may be discharged through a person."""
    return not joules <= SAFE_JOULES


def dangerous(volts: float, *, dc: bool = False, amps: float | None = None, joules: float | None = None) -> bool:
    """Whether contact is dangerous: only if none of the known conditions, V, A through 2 kohm, J, makes it safe.

    ``amps`` is the most the source can reliably be limited to, ``joules`` the most that can be discharged while no
    current keeps flowing; None where that is not known, which makes nothing safe.
    """
    safe = (not dangerous_volts(volts, dc=dc),
            amps is not None and not dangerous_amps(amps, dc=dc),
            joules is not None and not dangerous_joules(joules))
    return not any(safe)


def stored_joules(farads: float, volts: float) -> float:
    """The energy in J of a capacitance in F at a voltage in V."""
    return 0.5 * farads * volts * volts


def stored_coulombs(farads: float, volts: float) -> float:
    """The charge in C of a capacitance in F at a voltage in V."""
    return farads * abs(volts)


def discharge_seconds(ohms: float, farads: float, volts: float, down_to: float) -> float:
    """How long in s until a capacitance in F has discharged through ohms from one voltage to another: R C ln(V0/Vs).

    Zero if it is there already; infinite through an open circuit or down to nothing.
    """
    if abs(volts) <= down_to:
        return 0.0
    if down_to <= 0 or math.isinf(ohms):
        return math.inf
    return ohms * farads * math.log(abs(volts) / down_to)


def volts_after(ohms: float, farads: float, volts: float, seconds: float) -> float:
    """The voltage in V left on a capacitance in F that discharges through ohms for so many seconds."""
    if ohms * farads <= 0:
        return 0.0
    return volts * math.exp(-seconds / (ohms * farads))

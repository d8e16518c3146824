"""Full-load currents of single-phase motors as a code prints them: a plausibility note, never a band.

The table sizes conductors and protection; it is not the current to expect of a given motor.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from eolseq.bands.working import Source, Standing, told
from eolseq.quantity import Quantity

SOURCE = Source("NEC Table 430.248", Standing.SECOND_HAND)
VOLTS = (Decimal(115), Decimal(200), Decimal(208), Decimal(230))

FULL_LOAD: Mapping[Decimal, tuple[Decimal, ...]] = {
    Decimal(hp): tuple(map(Decimal, amps)) for hp, amps in (
        ("0.167", ("4.4", "2.5", "2.4", "2.2")), ("0.25", ("5.8", "3.3", "3.2", "2.9")),
        ("0.333", ("7.2", "4.1", "4.0", "3.6")), ("0.5", ("9.8", "5.6", "5.4", "4.9")),
        ("0.75", ("13.8", "7.9", "7.6", "6.9")), ("1", ("16", "9.2", "8.8", "8.0")),
        ("1.5", ("20", "11.5", "11.0", "10")), ("2", ("24", "13.8", "13.2", "12")),
        ("3", ("34", "19.6", "18.7", "17")), ("5", ("56", "32.2", "30.8", "28")))}
"""Rated power (hp) -> amps at each of VOLTS."""

_SAME_POWER = Decimal("0.01")   # of the rated power: 1/3 hp is written 0.33 or 0.333
_SAME_VOLTS = Decimal("0.10")   # of the voltage: a motor of 240 V is looked up at 230 V


def full_load(motor: Quantity, volts: Quantity) -> tuple[Decimal, Decimal] | None:
    """The table's amps and the voltage (V) they stand under for a motor (hp) at a voltage (V); None off the table."""
    row = next((amps for hp, amps in FULL_LOAD.items() if abs(motor.base - hp) <= _SAME_POWER * hp), None)
    column = min(VOLTS, key=lambda each: abs(each - volts.base))
    if row is None or abs(column - volts.base) > _SAME_VOLTS * column:
        return None
    return row[VOLTS.index(column)], column


def note(current: Quantity, motor: Quantity | None, volts: Quantity) -> str:
    """A sentence that holds a stated current (A) against the table; empty if the table has nothing to say."""
    found = full_load(motor, volts) if motor is not None else None
    if found is None:
        return ""
    amps, column = found
    part = current.base / amps * 100
    verdict = "plausible" if part <= 110 else "more than the table: look at the nameplate again"
    return f"{SOURCE} says {amps} A for {motor} at {column} V; {current} is {told(part, digits=2)} % of it, " \
        f"{verdict}. It sizes conductors and is no band"

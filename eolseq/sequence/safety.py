"""What a sequence does to people and leaves unproved, beyond its order: findings that need no station.

The limits of danger are those of ``eolseq/hazard.py``; voltages and times of named rows those of ``eolseq/bands``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from decimal import Decimal

from eolseq.bands.withstand_rows import WITHSTAND_ROWS, WithstandRow
from eolseq.hazard import SAFE_VOLTS_DC, dangerous_joules, discharge_seconds, stored_joules
from eolseq.quantity import Quantity, nearest
from eolseq.sequence.finding import ERROR, NOTE, WARNING, Finding, about
from eolseq.sequence.hazards import hazard_of
from eolseq.sequence.model import Sequence, StoredCharge
from eolseq.shape import Item
from eolseq.steps.base import Step
from eolseq.steps.dielectric_withstand import DielectricWithstand
from eolseq.steps.ground_continuity import GroundContinuity
from eolseq.steps.heater_resistance import HeaterResistance
from eolseq.steps.power_input import PowerInput

HIGH_TRIP = 2
"""How many times the band's upper limit a trip may be; common practice, no source."""

_POWER = ("motor_current", "power_input")


def safety(sequence: Sequence) -> Iterator[Finding]:
    """Hazards, discharge, named rows, trips, weak sources, and what is left unproved."""
    powered: list[str] = []
    for index, (step, item) in enumerate(zip(sequence.steps, sequence.items, strict=True)):
        yield from _hazard(sequence, step, item)
        yield from _discharge(sequence, step, item)
        yield from _weak_source(step, item)
        if step.kind in _POWER:
            powered.append(step.name)
        if isinstance(step, DielectricWithstand):
            yield from _row(sequence, step, item)
            yield from _trip(step, item)
            yield from _reconnected(sequence, index, step, item)
            yield from _closed(sequence, index, step, item)
            yield from _power_before(sequence, step, item, powered)
            yield from _again(sequence, index, step, item)


# -- people -----------------------------------------------------------------------------------------------------


def peak_volts(step: Step) -> float:
    """The highest voltage (V, crest) that a step puts on the unit; 0 if it puts none on."""
    volts = step.highest_volts()
    if volts is None:
        return 0.0
    return float(volts) * (1.0 if getattr(step, "type", "ac") == "dc" else math.sqrt(2))


def charged(sequence: Sequence, step: Step) -> list[StoredCharge]:
    """The unit's capacitors that a step leaves charged: those whose two conductors it does not tie together."""
    if peak_volts(step) <= SAFE_VOLTS_DC:
        return []
    tied = set(step.connections.tied)
    return [each for each in sequence.unit.stored_charge
            if (len(tied & set(each.between)) == 1 if tied else True)]


def _hazard(sequence: Sequence, step: Step, item: Item) -> Iterator[Finding]:
    words = hazard_of(step)
    if not words.startswith("DANGER"):
        return
    for each in charged(sequence, step):
        joules = stored_joules(float(each.capacitance), peak_volts(step))
        more = "dangerous by itself" if dangerous_joules(joules) else "not dangerous by itself"
        words += f"; {each.capacitance} between {' and '.join(each.between)} then holds {joules:.3g} J, {more}"
    yield about(step, "hazard", item.place, f"{words}", NOTE)


def _discharge(sequence: Sequence, step: Step, item: Item) -> Iterator[Finding]:
    """A unit whose own resistors cannot do in time what its residual band asks fails however sound it is."""
    residual = getattr(step, "residual", None)
    if residual is None or residual.band.at_most is None:
        return
    for each in charged(sequence, step):
        volts, left = peak_volts(step), float(residual.band.at_most)
        seconds = discharge_seconds(float(each.bleeder), float(each.capacitance), volts, left)
        if seconds > float(residual.after):
            yield about(step, "slow-discharge", item.place_of("residual"), f"{each.capacitance} through "
                          f"{each.bleeder} needs {seconds:.2f} s from {volts:.0f} V (crest) to "
                          f"{residual.band.at_most}, and is looked at after {residual.after}: no sound unit can pass; "
                          "look later, or have a smaller bleeder", WARNING)


# -- withstand --------------------------------------------------------------------------------------------------


def _named_rows(item: Item) -> Mapping[str, tuple[str, WithstandRow]]:
    """The rows that a step names for its voltage and its time."""
    applied = item["applied"]
    return {what: (applied[what]["row"], WITHSTAND_ROWS[applied[what]["row"]]) for what in ("voltage", "time")
            if applied[what].get("from") == "row"}


def _row(sequence: Sequence, step: DielectricWithstand, item: Item) -> Iterator[Finding]:
    """Voltage and hold against the named row, also where only one of the two names it."""
    rows = _named_rows(item)
    if not rows:
        yield about(step, "no-row", item.place_of("applied"), "neither its voltage nor its time names a "
                      "row of a standard; name one under 'applied', or say in 'basis' why not", NOTE)
        return
    name, row = rows.get("time") or rows["voltage"]
    rated = sequence.unit.rated.get("voltage")
    least = row.voltage(rated.base) if rated is not None else Decimal(0)
    low, seconds = step.applied_voltage.at_least, step.applied_time.at_least
    if step.hold.base < row.seconds or seconds is None or seconds.base < row.seconds:
        yield about(step, "short-hold", item.place_of("hold"), f"it is held for {step.hold} and accepted "
                      f"from {seconds or 'no time at all'}, and the row {name} asks for {row.seconds} s; make both at "
                      "least that")
    if step.voltage.base < least or low is None or low.base < least:
        yield about(step, "low-voltage", item.place_of("voltage"), f"{step.voltage} is put on and "
                      f"accepted from {low or 'nothing'}, and the row {name} asks for {least} V; make both "
                      "at least that")
    if row.use == "type test":
        yield about(step, "type-test-row", item.place_of("applied"), f"the row {name} is that of a type "
                      "test; find the production-line clause of your standard", WARNING)


def _trip(step: DielectricWithstand, item: Item) -> Iterator[Finding]:
    most = step.band.at_most
    if most is not None and step.trip.base > HIGH_TRIP * most.base:
        yield about(step, "high-trip", item.place_of("trip"), f"the trip of {step.trip} is more than "
                      f"{HIGH_TRIP} times what the band needs, {most}; lower it, so that a breakdown burns less",
                      WARNING)
    for name, row in dict(_named_rows(item).values()).items():
        if row.sensitivity is None:
            continue
        current = step.voltage.base / row.sensitivity
        if step.trip.base > current:
            yield about(step, "insensitive-trip", item.place_of("trip"), f"{row.sensitivity / 1000:f} kohm, "
                          f"which the row {name} wants to be found, draws {current * 1000:.2f} mA at {step.voltage}, "
                          f"and the trip is {step.trip}; set it lower")


def _reconnected(sequence: Sequence, index: int, step: Step, item: Item) -> Iterator[Finding]:
    """What was taken off for a withstand test must be shown by a later step to be on again."""
    shown = {name for later in sequence.steps[index + 1:] for name in
             (*later.connections.reconnected, *(each.part for each in later.connections.closed))}
    places = getattr(item["connections"]["disconnected"], "places", ())
    for part, place in zip(item["connections"]["disconnected"], places, strict=True):
        if part not in shown:
            near = nearest(part, shown)
            yield Finding("not-reconnected", place, f"step '{step.name}' has '{part}' disconnected, and no later step "
                          "shows that it is on again; name it under 'reconnected' of a step whose band shows it"
                          + (f"; did you mean '{near}'?" if near else ""))


def _closed(sequence: Sequence, index: int, step: DielectricWithstand, item: Item) -> Iterator[Finding]:
    """What is closed for the test must have been seen to close: by a heater reading before it, or by power after it."""
    read = {part.part for before in sequence.steps[:index] if isinstance(before, HeaterResistance)
            for part in before.connections.closed}
    run = {part.part for after in sequence.steps[index + 1:] if after.kind in _POWER
           for part in after.connections.closed}
    for part in step.connections.closed:
        if part.part not in read | run:
            yield Finding("closed-unproved", item.place_of("connections"), f"step '{step.name}' closes '{part.part}', "
                          "and no heater reading before it goes through that part closed, so that nobody knows whether "
                          "what lies behind it has test voltage; add one just before", WARNING)


def _power_before(sequence: Sequence, step: Step, item: Item, powered: list[str]) -> Iterator[Finding]:
    if powered:
        severity = ERROR if sequence.unit.protection_class == "I" else WARNING
        yield about(step, "power-before-withstand", item.place, f"it comes after '{powered[0]}', which puts supply "
                    "power on a unit whose insulation nobody has tested; put the withstand test first", severity)


def _again(sequence: Sequence, index: int, step: DielectricWithstand, item: Item) -> Iterator[Finding]:
    """Each application of full voltage ages the insulation; a lower one is no test unless the row allows it."""
    same = [each for each in sequence.steps[:index] if isinstance(each, DielectricWithstand)
            and (set(each.connections.tied), each.connections.returned, each.type)
            == (set(step.connections.tied), step.connections.returned, step.type)]
    if not same:
        return
    yield Finding("repeated-withstand", item.place, f"step '{step.name}' is application {len(same) + 1} of test "
                  "voltage to the same conductors in one run, and the record counts them over all attempts; leave out "
                  "what no standard asks for", WARNING)
    if step.voltage.base < same[0].voltage.base:
        yield about(step, "reduced-retest", item.place_of("voltage"), f"it repeats the test with {step.voltage} in "
                    f"place of {same[0].voltage}, and no row known here allows a reduction; test at full voltage")


# -- sources ----------------------------------------------------------------------------------------------------


def _weak_source(step: Step, item: Item) -> Iterator[Finding]:
    """A source that cannot reach what the band is about ends the test first, or shows something else."""
    if isinstance(step, GroundContinuity) and step.band.at_most is not None:
        needed = step.current.base * step.band.at_most.base
        if needed > step.open_volts.base:
            yield about(step, "weak-source", item.place_of("open_volts"), f"{step.current} through the "
                          f"{step.band.at_most} that still pass takes {needed.normalize():f} V, and the open leads "
                          f"have {step.open_volts}; a lower current, or more volts where they are allowed")
    if isinstance(step, PowerInput):
        yield from _weak_supply(step, item)


def _weak_supply(step: PowerInput, item: Item) -> Iterator[Finding]:
    most: Quantity | None = step.band.at_most
    if most is not None and step.current_limit.base * step.volts.base < most.base:
        yield about(step, "weak-source", item.place_of("current_limit"), f"{most} at {step.volts} take "
                      f"{most.base / step.volts.base:.1f} A, and the source ends at {step.current_limit}; raise it "
                      "above that")

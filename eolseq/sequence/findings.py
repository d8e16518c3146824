"""What is wrong with a sequence beyond its fields: its order, what it leaves out, and whether a station can run it.

People and what is left unproved are in ``safety``, the quality of a station in ``bench``, the record in
``record_size``; all come together here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Protocol

from eolseq.quantity import Quantity, nearest
from eolseq.sequence.finding import ERROR, NOTE, WARNING, Finding, errors_in, refuse
from eolseq.sequence.model import Sequence
from eolseq.sequence.record_size import record_size
from eolseq.sequence.safety import safety
from eolseq.shape import Item
from eolseq.steps import STEP_KINDS
from eolseq.steps.base import Step
from eolseq.steps.ground_continuity import GroundContinuity
from eolseq.steps.heater_resistance import HeaterResistance
from eolseq.steps.power_input import PowerInput

__all__ = ["ERROR", "NOTE", "WARNING", "Finding", "errors_in", "findings", "fits_station", "refuse"]

_ORDER = "continuity, then cold heater and line-to-neutral short check, then withstand, then power"


class Page(Protocol):
    """What is asked of a driver page here."""

    @property
    def role(self) -> str:
        """The part that instruments of this model play."""

    @property
    def gives(self) -> Mapping[str, Any]:
        """What it can read, by reading, each with its ``ranges``."""

    def fits(self, setting: str, value: Any) -> str:
        """Why the instrument cannot be set so; an empty text if it can."""

    def range_for(self, reading: str, quantity: Quantity) -> Any:
        """The smallest range of a reading that covers a value, or None."""


class Limits(Protocol):
    """A station's ceilings, in V, A (trip current), A and s."""

    @property
    def volts(self) -> float:
        """The highest voltage."""

    @property
    def trip_current(self) -> float:
        """The highest trip current of a withstand test."""

    @property
    def amps(self) -> float:
        """The highest current of any other kind."""

    @property
    def seconds(self) -> float:
        """The longest time on."""


class StationFacts(Protocol):
    """What is asked of a station here."""

    @property
    def connections(self) -> Mapping[str, int]:
        """Relay channel by connection name."""

    @property
    def ceilings(self) -> Limits:
        """What no sequence may exceed."""

    @property
    def zero_points(self) -> Mapping[str, frozenset[str]]:
        """By fixture, the points at which it is or will be known what its leads read in a two-wire measurement."""


def findings(sequence: Sequence) -> list[Finding]:
    """The findings that need no station: order, safety, and the size of the record."""
    return [*_order(sequence), *_left_out(sequence), *_metal_parts(sequence), *_untested(sequence), *safety(sequence),
            *record_size(sequence)]


def _rank(step: Step) -> int:
    return STEP_KINDS[step.kind].rank


def _severity(sequence: Sequence) -> str:
    """Order and completeness bind a class I product; elsewhere they are good practice."""
    return ERROR if sequence.unit.protection_class == "I" else WARNING


def _order(sequence: Sequence) -> Iterator[Finding]:
    before: Step | None = None
    for step, item in zip(sequence.steps, sequence.items, strict=True):
        if before is not None and _rank(step) < _rank(before):
            yield Finding("order", item.place, f"step '{step.name}' ({step.kind}) comes after '{before.name}' "
                          f"({before.kind}); the order is {_ORDER}", _severity(sequence))
        else:
            before = step


def _left_out(sequence: Sequence) -> Iterator[Finding]:
    """What must stand before a step that puts test or mains voltage on the unit."""
    have = {step.kind for step in sequence.steps}
    if any(isinstance(step, HeaterResistance) and step.is_short_check() for step in sequence.steps):
        have.add("short check")
    needs: list[tuple[str, str, str, str]]
    needs = [("dielectric_withstand", "ground_continuity", "no-continuity", "a ground_continuity step")]
    for powered in ("motor_current", "power_input"):
        needs += [(powered, "ground_continuity", "no-continuity", "a ground_continuity step"),
                  (powered, "short check", "no-short-check",
                   "a line-to-neutral short check (heater_resistance with nothing closed)"),
                  (powered, "dielectric_withstand", "no-withstand", "a dielectric_withstand step")]
    if any(isinstance(step, PowerInput) and step.cooling for step in sequence.steps):
        needs.append(("power_input", "motor_current", "no-fan-current",
                      "a motor_current step, which shows that the fan runs before anything is heated,"))
    if sequence.unit.protection_class != "I":
        needs = [row for row in needs if row[1] != "ground_continuity"]
    for kind, needed, code, words in needs:
        if kind in have and needed not in have:
            step, item = next((s, i) for s, i in zip(sequence.steps, sequence.items, strict=True) if s.kind == kind)
            yield Finding(code, item.place, f"step '{step.name}' ({kind}) needs {words} before it",
                          _severity(sequence))


def _metal_parts(sequence: Sequence) -> Iterator[Finding]:
    """Every metal part of a class I product must be a point of some ground continuity step."""
    unit = sequence.item["unit"]
    if sequence.unit.protection_class != "I":
        return
    if not sequence.unit.metal_parts:
        yield Finding("no-metal-parts", unit.place, "the unit names no metal_parts, so nobody can see whether each is "
                      "bonded", WARNING)
        return
    points = {point for step in sequence.steps if isinstance(step, GroundContinuity) for point in step.points}
    for part, place in zip(unit["metal_parts"], unit["metal_parts"].places, strict=True):
        if points and part not in points:
            near = nearest(part, points)
            yield Finding("unbonded-part", place, f"metal part '{part}' is not a point of any ground_continuity step"
                          + (f"; did you mean '{near}'?" if near else ""))


def _untested(sequence: Sequence) -> Iterator[Finding]:
    """A withstand test that leaves something of the unit without voltage."""
    for step, item in zip(sequence.steps, sequence.items, strict=True):
        if step.kind != "dielectric_withstand":
            continue
        place = item.place_of("connections")
        if not step.connections.tied:
            yield Finding("not-tied", place, f"step '{step.name}': no conductors are tied, so one may be left without "
                          "test voltage", WARNING)
        if not step.connections.closed:
            yield Finding("nothing-closed", place, f"step '{step.name}': nothing is closed, so what lies behind "
                          "contactors and switches is left without test voltage", WARNING)


def fits_station(sequence: Sequence, station: StationFacts, pages: Mapping[str, Any]) -> list[Finding]:
    """What keeps a station from running a sequence, and how good it is for it.

    Roles, ranges and steps, ceilings and connections; then how sure its readings are and how soon its guard stops.

    ``pages`` are the driver pages of the station's instruments, by the instruments' names. Order and safety are in
    ``findings``, which need no station.
    """
    from eolseq.sequence.bench import bench  # without a station nobody needs the arithmetic of uncertainty

    by_role = {page.role: page for page in pages.values()}
    found: list[Finding] = []
    for step, item in zip(sequence.steps, sequence.items, strict=True):
        found += _roles(step, item, by_role)
        found += _roles_by_bay(step, item, station, pages)
        found += _settings(step, item, by_role)
        found += _ranges(step, item, by_role)
        found += _ceilings(step, item, station.ceilings)
        for bay, known in _by_bay(station):
            found += _connections(step, item, known, bay)
        found += _zero(step, item, station.zero_points)
    return [*found, *bench(sequence, station, pages)]


def _roles(step: Step, item: Item, pages: Mapping[str, Page]) -> Iterator[Finding]:
    for role in step.roles():
        if role not in pages:
            yield Finding("no-instrument", item.place, f"step '{step.name}' needs a {role}, and the station has none")


def _roles_by_bay(step: Step, item: Item, station: StationFacts, pages: Mapping[str, Page]) -> Iterator[Finding]:
    """A role that the station has, but at another of its bays only."""
    places = getattr(station, "places", ())
    everywhere = {page.role for page in pages.values()}
    for place in places if len(places) > 1 else ():
        elsewhere = {name for each in places if each is not place for name in each.own}
        here = {page.role for name, page in pages.items() if name not in elsewhere}
        for role in step.roles():
            if role in everywhere and role not in here:
                yield Finding("no-instrument", item.place,
                              f"step '{step.name}' needs a {role}, and {place.name} has none")


def _settings(step: Step, item: Item, pages: Mapping[str, Page]) -> Iterator[Finding]:
    for role, settings in step.settings():
        page = pages.get(role)
        for setting, value in settings.items() if page is not None else ():
            problem = page.fits(setting, value) if page is not None else ""
            if problem:
                yield Finding("off-range", item.place_of(setting), f"step '{step.name}', {role}: {problem}")


def _ranges(step: Step, item: Item, pages: Mapping[str, Page]) -> Iterator[Finding]:
    for role, reading, value in step.measures():
        page = pages.get(role)
        stated = page is not None and reading in page.gives and page.gives[reading].ranges
        if page is not None and stated and page.range_for(reading, value) is None:
            yield Finding("off-range", item.place_of("band"), f"step '{step.name}': the {role} has no range of "
                          f"{reading} up to {value}")


_CEILINGS: Mapping[str, tuple[str, str]] = {
    "voltage": ("volts", "V"), "volts": ("volts", "V"), "open_volts": ("volts", "V"), "trip": ("trip_current", "A"),
    "current": ("amps", "A"), "current_limit": ("amps", "A"), "rise": ("seconds", "s"), "hold": ("seconds", "s"),
    "longest_on": ("seconds", "s"),
}
"""Setting -> the station's ceiling for it, and that ceiling's unit."""


def _ceilings(step: Step, item: Item, ceilings: Limits) -> Iterator[Finding]:
    for _, settings in step.settings():
        for setting, value in settings.items():
            if setting in _CEILINGS and isinstance(value, Quantity):
                name, unit = _CEILINGS[setting]
                limit = float(getattr(ceilings, name))
                if not float(value) <= limit:
                    yield Finding("ceiling", item.place_of(setting), f"step '{step.name}': {setting} {value} is above "
                                  f"the station's ceiling of {limit:g} {unit}")


def _by_bay(station: StationFacts) -> list[tuple[str, Mapping[str, int]]]:
    """The connections of each of several bays with its name, or those of the only one."""
    places = getattr(station, "places", ())
    return [(each.name, each.connections) for each in places] if len(places) > 1 else [("", station.connections)]


def _connections(step: Step, item: Item, known: Mapping[str, int], bay: str) -> Iterator[Finding]:
    has_none = f"{bay} has none" if bay else "the station has none"
    for name in step.routes():
        if name not in known:
            near = nearest(name, list(known))
            yield Finding("no-connection", item.place_of("points" if name.startswith("bond-") else "connections"),
                          f"step '{step.name}' needs the connection '{name}', and {has_none}"
                          + (f"; did you mean '{near}'?" if near else ""))


def _zero(step: Step, item: Item, zeros: Mapping[str, frozenset[str]]) -> Iterator[Finding]:
    """A two-wire step whose fixture has no zero here, or none of some point; whether it is still good, the run sees."""
    if not isinstance(step, GroundContinuity) or not step.zero:
        return
    missing = list(step.points) if step.zero not in zeros else \
        [point for point in step.points if point not in zeros[step.zero]]
    if missing:
        yield Finding("no-zero", item.place_of("zero"), f"step '{step.name}': the station has no zero of fixture "
                      f"'{step.zero}' for {', '.join(missing)}; take it on a shorting piece, with no unit connected")

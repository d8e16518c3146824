"""A simulator file: read, checked as a whole, and made into a simulated station with one unit in it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from eolseq.errors import WrongUse
from eolseq.quantity import Quantity, nearest, parse
from eolseq.shape import Amount, Field, Findings, Group, Item, MapOf, Word, YesNo, load_file
from eolseq.simulation.bay import Bay
from eolseq.simulation.enclosure import EnclosureSettings
from eolseq.simulation.faulty import BAY, Fault, check_bay_fault, check_fault
from eolseq.simulation.fields import FIXTURE, MANNERS, OPTIONAL, ROLES, SIMULATOR, UNIT
from eolseq.simulation.hall import Hall, HallBay
from eolseq.simulation.hall_fields import BayData, check_bays, groups, read_bays
from eolseq.simulation.network import Fixture
from eolseq.simulation.references import ReferenceData, read_references
from eolseq.simulation.roles.base import InstrumentData, RoleInstrument
from eolseq.simulation.unit import Unit
from eolseq.simulation.world import PLUG, RELEASE, TAP

_PARTS = re.compile(r"stage-[0-9]|fan|route-(?:withstand|power|resistance)|tie-L-N|discharge|bond-[a-z0-9-]+")
_NOT_PHYSICAL = ("model", "serial_pattern")

Setting = tuple[str, Any]
"""A field path, and its value in SI (a float, bool or word)."""


@dataclass(frozen=True)
class UnitModel:
    """One model of unit: which serials it has, and its physical fields in SI."""

    model: str
    serial_pattern: str
    values: Mapping[str, Any]

    def has(self, path: str) -> bool:
        """Whether a unit of this model has a physical field."""
        *way, last = path.split(".")
        place: Any = self.values
        for name in way:
            place = place.get(name) if isinstance(place, dict) else None
        return isinstance(place, dict) and place.get(last) is not None

    def unit(self, settings: tuple[Setting, ...]) -> Unit:
        """A unit of this model with some fields set otherwise; WrongUse when it has no such field."""
        values = self.values
        if settings:
            values = changed = deepcopy(dict(values))
            for path, value in settings:
                if not self.has(path):
                    raise WrongUse(f"A {self.model} has no {path}, so it cannot have this defect.",
                                   "Take another defect or unit.")
                _set(changed, path, value)
        return Unit.of(values)


@dataclass(frozen=True)
class Defect:
    """What a defect changes, and what its sound twin does; ``in_model`` has both for models where it is otherwise."""

    about: str
    settings: tuple[Setting, ...]
    twin: tuple[Setting, ...]
    in_model: Mapping[str, tuple[tuple[Setting, ...], tuple[Setting, ...]]] = field(default_factory=dict)

    def of(self, model: str, *, twin: bool) -> tuple[Setting, ...]:
        """What the defect, or its twin, changes in a unit of a model."""
        return self.in_model.get(model, (self.settings, self.twin))[1 if twin else 0]


@dataclass(frozen=True)
class Simulator:
    """A simulator file, checked."""

    name: str
    path: str
    serial: str  # of the unit in the bay when none is named
    instruments: tuple[InstrumentData, ...]
    guard: EnclosureSettings
    fixture: Mapping[str, Any]
    units: tuple[UnitModel, ...]
    defects: Mapping[str, Defect]
    faults: Mapping[str, tuple[Setting, ...]]
    about_faults: Mapping[str, str] = field(default_factory=dict)  # of the bay: what is wrong
    faulty: tuple[Fault, ...] = ()  # what is wrong from the start
    bays: tuple[BayData, ...] = ()  # none: there is one
    references: Mapping[str, ReferenceData] = field(default_factory=dict)  # the reference meters

    def check_fault(self, fault: Fault) -> None:
        """WrongUse, with every name there is, when this station cannot have a fault."""
        if not fault.instrument:
            check_bay_fault(fault, self.about_faults)
            return
        models = {each.name: _model(each) for each in self.instruments}
        if fault.instrument not in models:
            raise WrongUse(f"There is no instrument {fault.instrument!r}.",
                           f"The instruments are {', '.join(models)}; {BAY} stands for the bay's leads.")
        check_fault(fault, models[fault.instrument])

    def model_of(self, serial: str) -> UnitModel:
        """The model of unit that a serial belongs to; WrongUse when none fits."""
        for each in self.units:
            if re.fullmatch(each.serial_pattern, serial):
                return each
        patterns = ", ".join(each.serial_pattern for each in self.units)
        raise WrongUse(f"This simulated station has no unit with the serial {serial!r}.",
                       f"Take a serial that fits one of: {patterns}.")

    def unit(self, serial: str, defect: str | None = None, *, twin: bool = False) -> Unit:
        """The unit of a serial, with a defect or with that defect's sound twin; WrongUse lists the defects."""
        model = self.model_of(serial)
        if defect is None:
            return model.unit(())
        found = self.defects.get(defect)
        if found is None:
            names = "\n".join(self.defects_of(serial))
            raise WrongUse(f"There is no defect named {defect!r} for a {model.model}.", f"The names are:\n{names}")
        return model.unit(found.of(model.model, twin=twin))

    def defects_of(self, serial: str) -> tuple[str, ...]:
        """The names of the defects that the unit of a serial can have."""
        model = self.model_of(serial)
        return tuple(name for name, each in self.defects.items()
                     if all(model.has(path) for path, _ in each.of(model.model, twin=False)))


def load_simulator(path: Path) -> Simulator:
    """Read a simulator file; FileMistakes with everything that is wrong in it."""
    item, findings, _ = load_file(path, {"simulator": SIMULATOR})
    if not findings.mistakes:
        _check(item, findings)
    findings.raise_if_any()
    units = tuple(UnitModel(each["model"], each["serial_pattern"], _physical(each)) for each in item["units"])
    models = list(item["units"])
    defects = {name: _defect(each, models) for name, each in (item["defects"] or {}).items()}
    faults = {name: _settings(each["set"], FIXTURE, [item["fixture"]])
              for name, each in (item["faults"] or {}).items()}
    instruments = tuple(_instrument(*each) for each in item["instruments"].items())
    return Simulator(item["name"], str(path), item["unit"], instruments,
                     EnclosureSettings(**_si(item["guard"])), _si(item["fixture"]), units, defects, faults,
                     {name: each["about"] for name, each in (item["faults"] or {}).items()}, tuple(item["faulty"]),
                     read_bays(item), read_references(item["reference_meters"]))


def build(simulator: Simulator, serial: str | None = None, defect: str | None = None, *, now: float,
          twin: bool = False, emit: Callable[[dict[str, Any]], None] | None = None,
          faults: Sequence[Fault] = (), bay: str | None = None) -> Bay | Hall:
    """A simulated station with the unit of a serial (or the file's own) in it, at a time in seconds of the clock.

    Where the file has several bays it is a hall; serial, defect, twin and what is ordered without naming a bay are then
    of the bay named here, or of the first.
    ``faults`` are there from the start, beside the file's own. ``emit`` is told of every change of an output, the guard
    and the contactor, and of every OFF that arrives.
    """
    built: Bay | Hall
    if simulator.bays:
        built = _build_hall(simulator, serial, defect, now, twin, bay or simulator.bays[0].name)
    else:
        serial = serial or simulator.serial
        built = Bay(simulator.unit(serial, defect, twin=twin), _fixture(simulator, simulator.fixture["channels"]),
                    simulator.guard, now)
        built.references = simulator.references
        built.equip([_model(each)(each, built) for each in simulator.instruments], serial, simulator)
    built.emit = emit
    for each in (*simulator.faulty, *faults):
        simulator.check_fault(each)
        built.set_fault(each.name, each.instrument or None, each.number)
    return built


def _fixture(simulator: Simulator, channels: Mapping[str, int]) -> Fixture:
    return Fixture(**{**simulator.fixture, "channels": dict(channels), "loads": dict(simulator.fixture["loads"])})


def _build_hall(simulator: Simulator, serial: str | None, defect: str | None, now: float, twin: bool,
                first: str) -> Hall:
    """Several bays; the serial, the defect and the twin are of the one that comes first."""
    hall: Any = Hall(now, first)  # what a shared instrument takes for its world
    serials = {each.name: each.serial for each in simulator.bays}
    if first not in serials:
        raise WrongUse(f"There is no bay {first!r}.", f"The bays are {', '.join(serials)}.")
    serials[first] = serial or serials[first]
    for each in simulator.bays:
        unit = simulator.unit(serials[each.name], defect if each.name == first else None, twin=twin)
        hall.bays[each.name] = HallBay(hall, each.name, unit, _fixture(simulator, each.channels), simulator.guard)
        hall.bays[each.name].references = simulator.references
    at = {name: each.name for each in simulator.bays for name in each.instruments}
    own: dict[str, list[RoleInstrument]] = {name: [] for name in hall.bays}
    shared: list[RoleInstrument] = []
    for data in simulator.instruments:
        world = hall.bays[at[data.name]] if data.name in at else hall
        (own[at[data.name]] if data.name in at else shared).append(_model(data)(data, world))
    hall.equip(shared, own, serials, simulator)
    return hall  # type: ignore[no-any-return]


def _check(item: Item, findings: Findings) -> None:
    """What the table of fields cannot know."""
    check_bays(item, findings)
    _check_instruments(item, findings)
    _check_channels(item, findings)
    if not any(re.fullmatch(each["serial_pattern"], item["unit"]) for each in item["units"]):
        findings.add(item.place_of("unit"), f"'{item['unit']}' is the serial of no unit here",
                     "one that fits a serial_pattern")
    models = list(item["units"])
    for each in item["reference_meters"].values():
        if each["unit"] and not any(re.fullmatch(one["serial_pattern"], each["unit"]) for one in models):
            findings.add(each.place_of("unit"), f"'{each['unit']}' is the serial of no unit here",
                         "one that fits a serial_pattern")
    for name, defect in (item["defects"] or {}).items():
        for part in ("set", "twin"):
            _check_settings(defect[part], UNIT, models, f"a unit of this file (defect {name})", findings)
        for model, changed in (defect["in_model"] or {}).items():
            of_model = [each for each in models if each["model"] == model]
            if not of_model:
                known = [each["model"] for each in models]
                findings.add(defect["in_model"].place_of_key(model), f"no unit of this file is a '{model}'",
                             "one of " + ", ".join(known), nearest(model, known))
            for part in ("set", "twin") if of_model else ():
                _check_settings(changed[part], UNIT, of_model, f"a {model} (defect {name})", findings)
    for name, fault in (item["faults"] or {}).items():
        _check_settings(fault["set"], FIXTURE, [item["fixture"]], f"the fixture (fault {name})", findings)
    _check_faulty(item, findings)


def _check_faulty(item: Item, findings: Findings) -> None:
    """What is to be wrong from the start must be something that can be."""
    faulty, instruments = item["faulty"], item["instruments"]
    for fault, place in zip(faulty, getattr(faulty, "places", ()), strict=True):
        try:
            if not fault.instrument:
                check_bay_fault(fault, {name: each["about"] for name, each in (item["faults"] or {}).items()})
            elif fault.instrument in instruments:
                check_fault(fault, _model(_instrument(fault.instrument, instruments[fault.instrument])))
            else:
                findings.add(place, f"there is no instrument '{fault.instrument}'", "one of " + ", ".join(instruments),
                             nearest(fault.instrument, instruments))
        except WrongUse as error:
            findings.add(place, error.what.rstrip("."), error.do)


def _check_instruments(item: Item, findings: Findings) -> None:
    serials: dict[str, str] = {}
    for name, each in item["instruments"].items():
        first = serials.setdefault(each["serial"], name)
        if first != name:
            findings.add(each.place_of("serial"), f"'{first}' has the same serial", "each serial once")
    for bay, instruments in groups(item):
        roles: dict[str, str] = {}
        for name, each in instruments.items():
            first = roles.setdefault(each["role"], name)
            if first != name:
                findings.add(each.place_of("role"), f"'{first}' has the same role", "each role once")
        for role in ROLES:
            if role not in roles and role not in OPTIONAL:
                findings.add(item.place_of("instruments"), f"no instrument is a {role}"
                             + (f" for {bay}" if bay else ""), "one of each role")


def _check_channels(item: Item, findings: Findings) -> None:
    for place in list(item["bays"]) or [item["fixture"]]:
        if place["channels"] is not None:
            _check_channels_of(item, place, findings)


def _check_channels_of(item: Item, place: Item, findings: Findings) -> None:
    channels = place["channels"]
    points = {f"bond-{point}" for unit in item["units"] for point in unit["earth"]}
    stages = {stage for unit in item["units"] for stage in unit["stages"]}
    loads = {f"load-{name}" for name in item["fixture"]["loads"]}
    taps = [f"{TAP}{name}" for name in item["fixture"]["loads"]]
    known = [*sorted(points), *sorted(stages), *sorted(loads), "fan", "route-withstand", "route-power",
             "route-resistance", "tie-L-N", "discharge"]
    numbers: dict[int, str] = {}
    for name, number in channels.items():
        foreign = name.startswith(("bond-", "stage-")) and _PARTS.fullmatch(name)
        if name not in (*known, *taps, RELEASE, PLUG) and not foreign:
            findings.add(channels.place_of(name), f"'{name}' is no part known here", "one of " + ", ".join(known),
                         nearest(name, known))
        first = numbers.setdefault(number, name)
        if first != name:
            findings.add(channels.place_of(name), f"channel {number} is already '{first}'", "a channel for each part")
    for name in known:
        if name not in channels:
            findings.add(place.place_of("channels"), f"'{name}' has no channel", "one from 101 to 140")


def _check_settings(settings: Item, group: Group, items: list[Item], where: str, findings: Findings) -> None:
    for path, text in settings.items():
        kinds = [kind for kind in (_kind(group, each, path) for each in items) if kind is not None]
        if not kinds:
            known = sorted({name for each in items for name in _paths(group, each)})
            findings.add(settings.place_of(path), f"'{path}' is no field of {where}",
                         "a path such as " + known[0], nearest(path, known))
            continue
        try:
            _value(kinds[0], text)
        except ValueError as error:
            findings.add(settings.place_of(path), f"'{path}': {error}")


def _settings(settings: Item, group: Group, items: list[Item]) -> tuple[Setting, ...]:
    found = []
    for path, text in settings.items():
        kind = next(kind for kind in (_kind(group, each, path) for each in items) if kind is not None)
        found.append((path, _value(kind, text)))
    return tuple(found)


def _defect(item: Item, models: list[Item]) -> Defect:
    def both(each: Item) -> tuple[tuple[Setting, ...], tuple[Setting, ...]]:
        return _settings(each["set"], UNIT, models), _settings(each["twin"], UNIT, models)

    return Defect(item["about"], *both(item), {name: both(each) for name, each in (item["in_model"] or {}).items()})


def _kind(group: Group, item: Item, path: str) -> Any:
    """What may stand at a field path of an item, or None when it has no such field."""
    kind: Any = group
    value: Any = item
    for name in path.split("."):
        if not isinstance(value, Item) or value.get(name) is None or (kind is UNIT and name in _NOT_PHYSICAL):
            return None
        kind = kind.of if isinstance(kind, MapOf) else kind.fields[name].of
        value = value[name]
    return kind if isinstance(kind, Amount | Word | YesNo) else None


def _paths(group: Group, item: Item, before: str = "") -> list[str]:
    """All field paths of an item."""
    paths: list[str] = []
    fields: Mapping[str, Field] = group.fields
    for name, value in item.items():
        kind = fields[name].of
        if isinstance(value, Item) and isinstance(kind, Group):
            paths += _paths(kind, value, f"{before}{name}.")
        elif isinstance(value, Item) and isinstance(kind, MapOf):
            for key, each in value.items():
                paths += _paths(kind.of, each, f"{before}{name}.{key}.") if isinstance(each, Item) \
                    else [f"{before}{name}.{key}"]
        elif value is not None and not (group is UNIT and name in _NOT_PHYSICAL):
            paths.append(f"{before}{name}")
    return paths


def _value(kind: Any, text: str) -> Any:
    """A text as the value of a field, in SI; ValueError says what is wrong with it."""
    if isinstance(kind, YesNo):
        if text not in ("yes", "no"):
            raise ValueError(f"'{text}' is neither yes nor no")
        return text == "yes"
    if isinstance(kind, Word):
        if text not in kind.choices:
            raise ValueError(f"'{text}' is none of {', '.join(kind.choices)}")
        return text
    quantity = parse(text)
    if quantity.dimension != kind.dimension:
        raise ValueError(f"'{text}' is not in {kind.dimension}, as in '{kind.example}'")
    base = quantity.base
    if (kind.at_least is not None and base < kind.at_least) or (kind.at_most is not None and base > kind.at_most) \
            or (kind.above is not None and base <= kind.above):
        raise ValueError(f"'{text}' is outside what is possible here")
    return _plain(quantity)


def _plain(value: Any) -> Any:
    if isinstance(value, Quantity):
        return float(value.base / 100) if value.dimension == "%" else float(value.base)
    return float(value) if isinstance(value, Decimal) else value


def _si(item: Item) -> dict[str, Any]:
    """An item as nested dicts of floats in SI units; percentages as parts of one."""
    return {name: _si(value) if isinstance(value, Item) else _plain(value) for name, value in item.items()}


def _physical(item: Item) -> dict[str, Any]:
    return {name: value for name, value in _si(item).items() if name not in _NOT_PHYSICAL}


def _instrument(name: str, item: Item) -> InstrumentData:
    values = _si(item)
    return InstrumentData(name, values["role"], values["model"], values["serial"], values["link"], values["instant"],
                          values.get("accuracy", {}), values.get("resolution", {}), values.get("manner", "plain"),
                          values["connections"] == "one")


def _model(data: InstrumentData) -> type[RoleInstrument]:
    """The simulated model that plays a role with these manners."""
    return MANNERS.get(data.role, {}).get(data.manner, ROLES[data.role])


def _set(values: dict[str, Any], path: str, value: Any) -> None:
    *way, last = path.split(".")
    for name in way:
        values = values[name]
    values[last] = value

"""The bays of a simulator file: what stands at each, its relay channels, and the unit in it at the beginning."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from eolseq.quantity import nearest
from eolseq.shape import Count, Field, Findings, Group, Item, ListOf, MapOf, Text

MOST_BAYS = 8
AT_A_BAY = ("guard_unit", "residual_meter", "airflow_meter")
"""The roles of instruments that stand at one bay, whatever else is shared."""

_NAME = r"[a-z][a-z0-9_-]{0,39}"

BAYS = Field(ListOf(Group({
    "name": Field(Text(20, _NAME, "a name such as bay-1")),
    "unit": Field(Text(at_most=60), about="serial of the unit in it when none is named"),
    "instruments": Field(ListOf(Text(40, _NAME, "an instrument's name"), 1, 20), about="what stands at this bay alone"),
    "channels": Field(MapOf(Count(101, 999), names=r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*", at_least=1),
                      about="what each relay channel of its switching unit does"),
}, "a bay"), 2, MOST_BAYS), required=False, default=(), about="where there are several")


@dataclass(frozen=True)
class BayData:
    """One bay of a simulator file."""

    name: str
    serial: str
    instruments: tuple[str, ...]
    channels: Mapping[str, int]


def read_bays(item: Item) -> tuple[BayData, ...]:
    """The bays of a checked file."""
    return tuple(BayData(bay["name"], bay["unit"], tuple(bay["instruments"]), dict(bay["channels"]))
                 for bay in item["bays"])


def groups(item: Item) -> list[tuple[str, dict[str, Item]]]:
    """The instruments that work together, by bay: its own and those that stand at none; all where there is one bay."""
    every = dict(item["instruments"].items())
    taken = {name for bay in item["bays"] for name in bay["instruments"]}
    shared = {name: each for name, each in every.items() if name not in taken}
    return [(bay["name"], {**shared, **{name: every[name] for name in bay["instruments"] if name in every}})
            for bay in item["bays"]] or [("", every)]


def check_bays(item: Item, findings: Findings) -> None:
    """Names once, instruments known and at one bay, what must stand at a bay does, serials of units there are."""
    names: set[str] = set()
    taken: dict[str, str] = {}
    for bay in item["bays"]:
        if bay["name"] in names:
            findings.add(bay.place_of("name"), f"two bays are named '{bay['name']}'", "each name once")
        names.add(bay["name"])
        _check_instruments(item, bay, taken, findings)
        if not any(re.fullmatch(each["serial_pattern"], bay["unit"]) for each in item["units"]):
            findings.add(bay.place_of("unit"), f"'{bay['unit']}' is the serial of no unit here",
                         "one that fits a serial_pattern")
    for name, each in item["instruments"].items() if item["bays"] else ():
        if each["role"] in AT_A_BAY and name not in taken:
            findings.add(each.place, f"'{name}', a {each['role']}, stands at no bay", "its name at a bay")
    if bool(item["bays"]) == (item["fixture"]["channels"] is not None):
        findings.add(item.place_of("fixture"), "channels stand in the fixture where there is one bay, else at each bay",
                     "channels in one of these places")


def _check_instruments(item: Item, bay: Item, taken: dict[str, str], findings: Findings) -> None:
    known: Sequence[str] = list(item["instruments"])
    places: Any = getattr(bay["instruments"], "places", ())
    for name, place in zip(bay["instruments"], places, strict=True):
        if name not in known:
            findings.add(place, f"there is no instrument '{name}'", "one of " + ", ".join(known), nearest(name, known))
        elif name in taken:
            findings.add(place, f"'{name}' stands at {taken[name]} already", "an instrument of its own")
        taken.setdefault(name, bay["name"])

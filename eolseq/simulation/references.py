"""Reference meters as a simulated station has them: what each really shows, which lies a little off the truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from eolseq.shape import Amount, Field, Group, Item, MapOf, Text, Word

if TYPE_CHECKING:
    from eolseq.simulation.world import World

MEASURES = ("frequency", "airflow", "pressure")

REFERENCE_METERS = Field(MapOf(Group({
    "measures": Field(Word(MEASURES), about="what it sees: the supply at the unit, its fan's flow, the gauge's hose"),
    "error": Field(Amount("%"), about="how far it shows too much, as a part of the reading; below 0: too little"),
    "unit": Field(Text(at_most=60), required=False, default="", about="serial of the unit in whose place it is read, "
                  "such as one with a fan"),
}, "the reference meter"), names=r"[a-z][a-z0-9-]{0,39}"), required=False, default={},
    about="by name: meters outside the program that a station's instruments are held against")


class ReferenceData(NamedTuple):
    """One reference meter; ``error`` is a part of the reading, ``unit`` a serial or empty."""

    measures: str
    error: float
    unit: str


def read_references(items: Mapping[str, Item]) -> dict[str, ReferenceData]:
    """The reference meters of a checked file, by name."""
    return {name: ReferenceData(each["measures"], float(each["error"].base / 100), each["unit"])
            for name, each in items.items()}


def shown(meter: ReferenceData, world: World) -> float:
    """What it shows now, in Hz or Pa; not a number where there is nothing to see."""
    if meter.measures == "frequency":
        true = world.hertz if world.supply_at_unit()[0] > 1.0 else math.nan
    else:
        true = world.fan_pressure() if meter.measures == "airflow" else world.coil_gauge()
    return true * (1.0 + meter.error)

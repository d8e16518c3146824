"""The bays of a station file: where units are connected, each with its guard unit, own instruments and relays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from eolseq.bands.zero import ZERO, FixtureZero, read_zeros
from eolseq.quantity import nearest
from eolseq.shape import Count, Field, Findings, Group, Item, ListOf, MapOf, Text

MOST_BAYS = 8
WORDS = frozenset({"end", "verify", "challenge", "sound", "destroyed", "found", "not-found", "out"})
"""What means something else when it is typed or scanned in a shift, so that no bay may be called so."""

_NAME = r"[a-z][a-z0-9-]{0,39}"

CONNECTIONS = MapOf(Count(1, 9999), r"[A-Za-z][A-Za-z0-9-]{0,39}")

BAYS = Field(ListOf(Group({
    "name": Field(Text(20, _NAME, "a name such as bay-1"), about="what people call it"),
    "guard": Field(Text(40, _NAME, "an instrument's name"), required=False, default="",
                   about="its guard unit, by the instrument's name; may be left out where the station has one bay"),
    "instruments": Field(ListOf(Text(40, _NAME, "an instrument's name"), at_most=50), required=False, default=(),
                         about="the instruments that stand at this bay alone, such as its residual meter; all that no "
                               "bay names are shared by all"),
    "connections": Field(CONNECTIONS, required=False, about="its relay channels by name; where the station has one "
                         "bay they may stand beside 'bays'"),
    "zeros": Field(MapOf(ZERO, _NAME), required=False, default={}, about="where there are several bays: by fixture, "
                   "what its leads read here in a two-wire ground continuity measurement"),
}, "the bay"), 1, MOST_BAYS), about="the places where a unit is connected")


@dataclass(frozen=True)
class BayPlace:
    """One bay of a station file: its guard unit (empty: the only one), its own instruments, relay channels, zeros."""

    name: str
    guard: str = ""
    own: tuple[str, ...] = ()
    connections: Mapping[str, int] = field(default_factory=dict)
    zeros: Mapping[str, FixtureZero] = field(default_factory=dict)  # by fixture, as they are typed


def read_bays(item: Item, findings: Findings) -> tuple[BayPlace, ...]:
    """The bays of a station file; a single one may have its connections beside it."""
    return tuple(BayPlace(bay["name"], bay["guard"], tuple(bay["instruments"]),
                          dict(bay["connections"] or item["connections"] or {}),
                          read_zeros(bay["zeros"] or {}, findings))
                 for bay in item["bays"])


def check_bays(item: Item, findings: Findings) -> None:
    """Names once, every guard and instrument known and at one bay only, channels once, nothing in two places."""
    bays = list(item["bays"])
    several = len(bays) > 1
    if several and item["zeros"]:
        findings.add(item.place_of_key("zeros"), "'zeros' beside several bays: each bay's relays and leads read "
                     "something else, so a zero is of one bay", "'zeros' under each bay")
    names: set[str] = set()
    taken: dict[str, str] = {}
    for bay in bays:
        if bay["name"] in names:
            findings.add(bay.place_of("name"), f"two bays are named '{bay['name']}'", "each name once")
        names.add(bay["name"])
        if several and bay["name"] in WORDS:
            findings.add(bay.place_of("name"), f"'{bay['name']}' is a word of a shift, and a bay's name is its code",
                         "another name, such as bay-1")
        _check_complete(item, bay, several, findings)
        _check_own(item, bay, taken, findings)
        check_channels(bay["connections"], findings)
    check_channels(item["connections"], findings)


def _check_complete(item: Item, bay: Item, several: bool, findings: Findings) -> None:
    if several and not bay["guard"]:
        findings.add(bay.place, f"bay '{bay['name']}' names no guard unit", "'guard' for each of several bays")
    if item["connections"] is not None and (several or bay["connections"] is not None):
        findings.add(item.place_of("connections"), "connections beside 'bays' would belong to no one bay",
                     "'connections' under each bay")
    elif item["connections"] is None and bay["connections"] is None:
        findings.add(bay.place, f"bay '{bay['name']}' has no connections", "'connections'")


def _check_own(item: Item, bay: Item, taken: dict[str, str], findings: Findings) -> None:
    """Each of its instruments is one of the station's, and stands nowhere else."""
    wanted: list[tuple[str, Any]] = [(bay["guard"], bay.place_of("guard"))] if bay["guard"] else []
    wanted += zip(bay["instruments"], getattr(bay["instruments"], "places", ()), strict=True)
    for name, place in wanted:
        if name not in item["instruments"]:
            findings.add(place, f"the station has no instrument '{name}'", "one of " + ", ".join(item["instruments"]),
                         nearest(name, item["instruments"]))
        elif name in taken:
            findings.add(place, f"'{name}' stands at {taken[name]} already", "an instrument of its own")
        taken.setdefault(name, bay["name"])


def check_channels(connections: Item | None, findings: Findings) -> None:
    """Each channel once."""
    seen: dict[int, str] = {}
    for name, channel in (connections or {}).items():
        if channel in seen and connections is not None:
            findings.add(connections.place_of(name), f"channel {channel} is also '{seen[channel]}'",
                         "each channel once")
        seen[channel] = name

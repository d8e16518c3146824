"""What a station file says of its fixtures and lead sets: what they fit, how they are known, how long they last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.quantity import Quantity
from eolseq.shape import Amount, Count, Field, Findings, Group, Item, ListOf, MapOf, Text

PLUG = "route-plug"
"""The connection that puts a fixture's coded plug before the resistance meter, in place of the unit."""

_NAME = r"[a-z][a-z0-9-]{0,39}"
_POINT = Text(40, r"[A-Za-z0-9][A-Za-z0-9-]{0,39}", "a point such as front-panel")
_NOTHING = Decimal(0)
_OHMS = Amount("ohm", above=_NOTHING)
_DAYS = Count(1, 3650)

FIXTURES = Field(MapOf(Group({
    "fits": Field(ListOf(Text(40), 1, 50), about="the models that it takes"),
    "bay": Field(Text(20), required=False, default="", about="where there are several bays: the one at which it stands "
                 "for good; left out, it may be at any, and needs a coded plug"),
    "plug": Field(_OHMS, False, about="the resistor in its coded plug; none: it has no coded plug"),
    "plug_within": Field(Amount("%", above=_NOTHING, at_most=Decimal(20)), False, about="how far the plug may read "
                         "off, with the meter's own error; 5 % if left out"),
    "cycles": Field(Count(1, 100_000_000), False, about="how many units it is used for between two inspections"),
    "inspect_every": Field(_DAYS, False, about="days between two inspections"),
    "zero": Field(Group({
        "shorting_piece": Field(Text(40), about="the shorting piece that stands in the unit's place"),
        "points": Field(ListOf(_POINT, 1, 40), about="the bond points that have a zero"),
        "at_least": Field(Amount("ohm", at_least=_NOTHING), about="the least that sound leads read"),
        "at_most": Field(_OHMS, about="the most that sound leads read"),
        "good_for": Field(_DAYS, about="days for which a zero counts"),
    }, "the zero"), False, about="what its leads read in a two-wire measurement, taken by 'eolseq fixture zero'"),
    "baseline": Field(Group({
        "voltage": Field(Amount("V", above=_NOTHING, at_most=Decimal(5000)), about="the test voltage, ac at 60 Hz, "
                         "with no unit in it"),
        "at_least": Field(Amount("A", at_least=_NOTHING), False, about="the least current that its leads draw alone"),
        "at_most": Field(Amount("A", above=_NOTHING), about="the most current that its leads draw alone"),
        "earth_current": Field(Amount("A", above=_NOTHING), False, about="the most that may flow from each chassis "
                               "lead to earth with no unit in it, at 12 V; more is an accidental earth"),
        "good_for": Field(_DAYS, about="days for which a baseline counts"),
    }, "the baseline"), False, about="what the empty fixture draws, taken by 'eolseq fixture baseline'"),
}, "the fixture"), _NAME), required=False, default={}, about="fixtures and lead sets by name")


@dataclass(frozen=True)
class ZeroRules:
    """How a fixture's zero is taken: on what, where, the band of sound leads (ohm), and for how many days it counts."""

    shorting_piece: str
    points: tuple[str, ...]
    at_least: Quantity
    at_most: Quantity
    good_for: int


@dataclass(frozen=True)
class BaselineRules:
    """What an empty fixture may draw: at which voltage (V), its band (A), the most to earth (A), for how many days."""

    voltage: Quantity
    at_least: Quantity | None
    at_most: Quantity
    earth_current: Quantity | None
    good_for: int


@dataclass(frozen=True)
class FixtureRules:
    """A fixture or lead set: what it fits, its coded plug (ohm, and in % how far off it may read), and what is due."""

    name: str
    fits: tuple[str, ...]
    plug: Quantity | None = None
    plug_within: Decimal = Decimal(5)
    cycles: int | None = None
    inspect_every: int | None = None
    zero: ZeroRules | None = None
    baseline: BaselineRules | None = None
    bay: str = ""  # where there are several, the one at which it stands for good

    def has_plug_of(self, ohms: Decimal) -> bool:
        """Whether a reading in ohm is that of its coded plug."""
        return self.plug is not None and abs(ohms - self.plug.base) * 100 <= self.plug.base * self.plug_within


def fitting(fixtures: Iterable[FixtureRules], models: Iterable[str]) -> list[FixtureRules]:
    """The fixtures that take every one of these models."""
    wanted = set(models)
    return [each for each in fixtures if wanted <= set(each.fits)]


def read_fixtures(items: Mapping[str, Any]) -> tuple[FixtureRules, ...]:
    """The fixtures of a checked station file."""
    return tuple(_fixture(name, each) for name, each in items.items())


def _fixture(name: str, item: Item) -> FixtureRules:
    zero, base = item["zero"], item["baseline"]
    return FixtureRules(
        name, tuple(item["fits"]), item["plug"], item["plug_within"].value if item["plug_within"] else Decimal(5),
        item["cycles"], item["inspect_every"],
        None if zero is None else ZeroRules(zero["shorting_piece"], tuple(zero["points"]), zero["at_least"],
                                            zero["at_most"], zero["good_for"]),
        None if base is None else BaselineRules(base["voltage"], base["at_least"], base["at_most"],
                                                base["earth_current"], base["good_for"]), item["bay"])


def check_fixtures(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say: which fixture is meant must be clear for every model."""
    fixtures, places = item["fixtures"], list(item["bays"])
    taken: dict[tuple[str, str], str] = {}
    for name, each in fixtures.items():
        _check_place(name, each, [place["name"] for place in places], findings)
        wired = [place for place in places if each["bay"] in ("", place["name"])]
        connections = [place["connections"] or item["connections"] or {} for place in wired]
        if each["plug"] is not None and not all(PLUG in known for known in connections):
            findings.add(each.place_of("plug"), f"a coded plug is read over the connection '{PLUG}', and there is none",
                         f"'{PLUG}' among 'connections', at each bay where it may be")
        for model in each["fits"] if each["plug"] is None else ():
            first = taken.setdefault((model, each["bay"]), name)
            if first != name:
                findings.add(each.place_of("fits"), f"'{first}' takes the model '{model}' too, and neither has a coded "
                             "plug", "one fixture for each model, or coded plugs")
        for part in ("zero", "baseline"):
            _check_band(each[part], findings)
        for point in each["zero"]["points"] if each["zero"] is not None else ():
            if not all(f"bond-{point}" in known for known in connections):
                findings.add(each["zero"].place_of("points"), f"'bond-{point}' is no connection of this station")
        typed = {*item["zeros"], *(one for place in places for one in place["zeros"])}
        if name in typed and each["zero"] is not None:
            findings.add(each.place_of_key("zero"), f"the zero of {name} stands under 'zeros' too", "one of the two")
    plugs = [(name, each["plug"]) for name, each in fixtures.items() if each["plug"] is not None]
    for at, (name, plug) in enumerate(plugs):
        for other, like in plugs[:at]:
            if abs(plug.base - like.base) * 100 <= max(plug.base, like.base) * 25:
                findings.add(fixtures[name].place_of("plug"), f"the plugs of {name} and {other} are too much alike",
                             "resistors that differ by more than a quarter")


def _check_place(name: str, each: Item, bays: list[str], findings: Findings) -> None:
    """Where there are several bays, it must be known at which one a fixture is."""
    if each["bay"] and each["bay"] not in bays:
        findings.add(each.place_of("bay"), f"the station has no bay '{each['bay']}'", "one of " + ", ".join(bays))
    if len(bays) > 1 and not each["bay"] and each["plug"] is None:
        findings.add(each.place_of("fits"), f"nobody knows at which bay {name} is", "a coded plug, or 'bay'")


def _check_band(item: Item | None, findings: Findings) -> None:
    if item is not None and item["at_least"] is not None and item["at_least"].base >= item["at_most"].base:
        findings.add(item.place_of("at_least"), f"at_least {item['at_least']} is not below at_most {item['at_most']}",
                     f"less than {item['at_most']}")

"""What a station file says of its reference meters: calibrated, outside the program, and read by a person who types."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from eolseq.quantity import Quantity
from eolseq.shape import Amount, Day, Field, Findings, Group, Item, ListOf, MapOf, OneOf, Text, Word

if TYPE_CHECKING:  # the arithmetic is not needed to read a file
    from eolseq.bands.uncertainty import Accuracy

NAME = r"[a-z][a-z0-9-]{0,39}"
_POSITIVE = Decimal(0)
_BASE = {"frequency": "Hz", "airflow": "Pa", "pressure": "Pa"}
_TYPED_IN = {"frequency": "Hz", "airflow": "Pa", "pressure": "bar"}
_LIKE = "an uncertainty such as '0.05 % of reading + 0.2 Pa'"
_TIME = Amount("s", at_least=Decimal(1), at_most=Decimal(60))

FAN = Group({
    "part": Field(Text(40), about="the connection that puts the fan on the supply"),
    "volts": Field(Amount("V", above=_POSITIVE), about="what the fan is supplied with"),
    "hertz": Field(Amount("Hz", above=_POSITIVE), about="at which frequency"),
    "current_limit": Field(Amount("A", above=_POSITIVE), about="more than it takes as it starts"),
    "runs": Field(_TIME, about="how long it is on: until its flow is steady, and time to press the hold key"),
    "run_down": Field(_TIME, about="how long it runs on after OFF; the guard stays locked so long"),
}, "the fan")


def _meter(measures: str, more: Mapping[str, Field]) -> Group:
    base = _BASE[measures]
    lowest = {} if base == "Pa" else {"above": _POSITIVE}
    return Group({
        "measures": Field(Word((measures,)), about="frequency, airflow or pressure"),
        "uncertainty": Field(Text(80), about="expanded, k = 2, by its certificate: '5 mHz', '0.1 % of reading'"),
        "certificate": Field(Text(80), about="number and date of the certificate"),
        "good_until": Field(Day(), about="the last day its certificate is good"),
        "from": Field(Amount(base, **lowest), about="the lowest that it shows rightly; less is not taken"),
        "to": Field(Amount(base, above=_POSITIVE), about="the highest that it shows rightly; more is not taken"),
        **more,
    }, "the reference meter")


REFERENCE_METERS = Field(MapOf(OneOf("measures", {
    "frequency": _meter("frequency", {}),
    "airflow": _meter("airflow", {
        "fan": Field(FAN, about="the fan of the good reference unit, or of a blower, that makes the flow")}),
    "pressure": _meter("pressure", {
        "at": Field(ListOf(Amount("Pa", above=_POSITIVE), 1, 2), about="the pressures that a hand pump sets")}),
}), NAME), required=False, default={}, about="by name: calibrated meters that stand outside the program; a person "
    "reads them and types what they show")


@dataclass(frozen=True)
class Blower:
    """The fan that makes the flow an airflow meter is held at; V, Hz, A, and times in s."""

    part: str
    volts: Quantity
    hertz: Quantity
    current_limit: Quantity
    runs: Quantity
    run_down: Quantity


@dataclass(frozen=True)
class ReferenceMeter:
    """A calibrated meter outside the program; ``uncertainty`` is expanded with k = 2, as worded.

    ``least`` and ``most``: what it shows rightly. ``fan``: of one for airflow. ``at``: the pressures to set, of one for
    pressure.
    """

    name: str
    measures: str
    uncertainty: Accuracy
    certificate: str
    good_until: date
    least: Quantity
    most: Quantity
    fan: Blower | None = None
    at: tuple[Quantity, ...] = ()

    @property
    def called(self) -> str:
        """Its name in a sentence."""
        return f"reference meter {self.name}"

    @property
    def unit(self) -> str:
        """The base unit of what it measures."""
        return _BASE[self.measures]

    @property
    def typed_in(self) -> str:
        """The unit in which a person types what it shows."""
        return _TYPED_IN[self.measures]

    def covers(self, value: Decimal) -> bool:
        """Whether it shows a value, in base units, rightly."""
        return self.least.base <= value <= self.most.base

    def expanded(self, value: Decimal) -> float:
        """Its expanded uncertainty (k = 2) at a value, in base units."""
        return float(self.uncertainty.limits(value))


def read_references(items: Mapping[str, Any]) -> tuple[ReferenceMeter, ...]:
    """The reference meters of a checked station file."""
    return tuple(_read(name, each) for name, each in items.items())


def _read(name: str, item: Item) -> ReferenceMeter:
    from eolseq.bands.uncertainty import read_accuracy

    fan = item.get("fan")
    return ReferenceMeter(
        name, item["measures"], read_accuracy(item["uncertainty"], _BASE[item["measures"]]), item["certificate"],
        item["good_until"], item["from"], item["to"],
        None if fan is None else Blower(*(fan[key] for key in ("part", "volts", "hertz", "current_limit", "runs",
                                                               "run_down"))), tuple(item.get("at") or ()))


def check_references(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    seen: dict[str, str] = {}
    connections = item["connections"] or (item["bays"][0]["connections"] if item["bays"] else None) or {}
    for name, each in item["reference_meters"].items():
        first = seen.setdefault(each["measures"], name)
        if first != name:
            findings.add(each.place, f"'{first}' measures {each['measures']} already", "one reference meter for each")
        _check_uncertainty(each, findings)
        if each["from"].base >= each["to"].base:
            findings.add(each.place_of("to"), f"'to' {each['to']} is not above 'from' {each['from']}", "more than that")
        fan = each.get("fan")
        if fan is not None and fan["part"] not in connections:
            findings.add(fan.place_of("part"), f"'{fan['part']}' is no connection of this station",
                         "one of " + ", ".join(connections))
        for pressure in each.get("at") or ():
            if not each["from"].base <= pressure.base <= each["to"].base:
                findings.add(each.place_of("at"), f"{pressure} is outside what '{name}' shows",
                             f"{each['from']} to {each['to']}")


def _check_uncertainty(item: Item, findings: Findings) -> None:
    from eolseq.bands.uncertainty import read_accuracy

    try:
        found = read_accuracy(item["uncertainty"], _BASE[item["measures"]])
    except ValueError as error:
        findings.add(item.place_of("uncertainty"), str(error), _LIKE)
        return
    plain = not (found.of_range or found.counts or found.conditions) and found.distribution == "rectangular"
    if not plain or not (found.of_reading or found.fixed):
        findings.add(item.place_of("uncertainty"), f"'{item['uncertainty']}' is no expanded uncertainty", _LIKE)

"""The fields that every kind of step has in a sequence file, and how they become values.

The tables say what may stand where; the checks say what no table can: limits in the right order, a band that has the
limits its kind needs, a setting that lies inside the band it will be judged by.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.nameplate import WRITTEN, forms_for
from eolseq.bands.rule_fields import spread_field
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Group, Item, ListOf, OneOf, Text, Word
from eolseq.steps.base import Closed, Connections, Residual

NAME = r"[A-Za-z0-9][A-Za-z0-9-]{0,39}"
_NAMED = "letters, digits and dashes, such as front-panel"
SHORTEST_HOLD = Decimal("0.25")  # seconds: three looks, so that at least one lies wholly within the hold
_ZERO = Decimal(0)

POSITIVE_VOLTS = Amount("V", above=_ZERO)
POSITIVE_AMPS = Amount("A", above=_ZERO)
POSITIVE_SECONDS = Amount("s", above=_ZERO, at_most=Decimal(3600))
HERTZ = Amount("Hz", above=_ZERO, at_most=Decimal(500))
HOLD = Amount("s", at_least=SHORTEST_HOLD, at_most=Decimal(3600))

CONNECTIONS = Group({
    "tied": Field(ListOf(Text(40, NAME, _NAMED), 2, 6), required=False, default=(), about="conductors tied together"),
    "return": Field(Text(40, NAME, _NAMED), required=False, default="", about="where the current comes back"),
    "closed": Field(ListOf(Group({
        "part": Field(Text(40, NAME, _NAMED), about="the part of the unit that is switched on"),
        "by": Field(Word(("coil", "relay")), about="by what: the part's own coil, or a relay of the station"),
        "delay": Field(Amount("s", at_least=_ZERO, at_most=Decimal(60)), about="how long it takes to close"),
    }, "the closed part"), 0, 20), required=False, default=(), about="parts switched on for the step"),
    "disconnected": Field(ListOf(Text(80), 0, 20), required=False, default=(), about="what has been taken off"),
    "reconnected": Field(ListOf(Text(80), 0, 20), required=False, default=(),
                         about="what was taken off before, and this step's band shows to be on again"),
}, "the connections")


_FROM = Field(Word((WRITTEN,)), required=False, default=WRITTEN, about="written: limits and basis stand here")


def band_group(dimension: str, name: str = "the band", *, basis: bool = True) -> Group:
    """The fields of an acceptance band; ``basis`` says whether a reason must be given."""
    limit = Amount(dimension)
    return Group({
        "at_least": Field(limit, required=False, about=f"the lower limit, such as '{limit.example}'"),
        "at_most": Field(limit, required=False, about=f"the upper limit, such as '{limit.example}'"),
        "basis": Field(Text(400), required=basis, default="", about="why the limits are what they are"),
    }, name)


def band_of(dimension: str, purpose: str, name: str = "the band", *, basis: bool = True) -> OneOf:
    """The fields of a band that is written out, or worked out in one of the ways that its purpose allows.

    ``purpose`` is the kind of step, or ``applied`` with the name of what is applied.
    """
    written = band_group(dimension, name, basis=basis)
    return OneOf("from", {WRITTEN: Group({"from": _FROM, **written.fields}, written.name),
                          **{word: form.fields for word, form in forms_for(purpose).items()}}, default=WRITTEN)


def applied_group(**dimensions: str) -> Field:
    """The field ``applied``: for each thing that is put on the unit, the band it must stay in."""
    return Field(Group({name: Field(band_of(of, f"applied {name}", f"applied {name}", basis=False),
                                    about=f"the limits of the {name} that is put on the unit")
                        for name, of in dimensions.items()}, "applied"),
                 about="the limits of what is put on the unit")


RESIDUAL = Field(OneOf("from", {WRITTEN: Group({
    "from": _FROM,
    "after": Field(Amount("s", above=_ZERO, at_most=Decimal(60)), about="when after OFF, such as '0.5 s'"),
    "at_most": Field(POSITIVE_VOLTS, about="the highest voltage left then, such as '60 V'"),
    "basis": Field(Text(400), about="why that voltage and time"),
}, "the residual"), **{word: form.fields for word, form in forms_for("residual").items()}}, default=WRITTEN),
                 about="the volts that may be left at the unit's terminals after OFF")


def step_group(kind: str, dimension: str, fields: Mapping[str, Field]) -> Group:
    """The fields of a kind of step: those all have, and its own."""
    return Group({
        "kind": Field(Word((kind,)), about="the kind of step"),
        "name": Field(Text(60), about="what people call this step"),
        **fields,
        "band": Field(band_of(dimension, kind), about="the acceptance band of the reading"),
        "spread": spread_field(dimension),
        "connections": Field(CONNECTIONS, about="what is connected to what"),
        "look_at": Field(Text(160), required=False, default="", about="where to look when this step rejects a unit; "
                         "stands on its ticket"),
    }, f"this {kind} step")


def read_band(item: Item) -> AcceptanceBand:
    """The band of a checked group of fields."""
    return AcceptanceBand(item["at_least"], item["at_most"], item["basis"])


def read_residual(item: Item) -> Residual:
    """The residual of a checked group of fields."""
    return Residual(item["after"], AcceptanceBand(None, item["at_most"], item["basis"]))


def read_connections(item: Item) -> Connections:
    """The connections of a checked group of fields."""
    closed = tuple(Closed(each["part"], each["by"], each["delay"]) for each in item["closed"])
    return Connections(tuple(item["tied"]), item["return"], closed, tuple(item["disconnected"]),
                       tuple(item["reconnected"]))


def check_band(band: Item | None, findings: Findings, *, floor: str = "", ceiling: str = "") -> None:
    """Note a band without limits or with limits in the wrong order.

    ``floor`` and ``ceiling`` say what the limit is needed for; empty if the kind of step can do without it.
    """
    if band is None:
        return
    if not band.given("at_least") and not band.given("at_most"):
        findings.add(band.place, "a band without limits", "'at_least', 'at_most' or both")
        return
    for key, why in (("at_least", floor), ("at_most", ceiling)):
        if why and not band.given(key):
            findings.add(band.place, f"'{key}' is missing in the band", why)
    low, high = band["at_least"], band["at_most"]
    if low is not None and high is not None and low.base > high.base:
        findings.add(band.place_of("at_least"), f"at_least {low} is above at_most {high}", f"no more than {high}")


def check_inside(item: Item, setting: str, band: Item | None, findings: Findings) -> None:
    """Note a setting that lies outside the band of what is put on the unit."""
    value: Quantity | None = item.get(setting)
    if value is None or band is None:
        return
    low, high = band["at_least"], band["at_most"]
    outside = (low is not None and value.base < low.base) or (high is not None and value.base > high.base)
    if outside and not (low is not None and high is not None and low.base > high.base):
        findings.add(item.place_of(setting), f"{setting} {value} lies outside what 'applied' allows",
                     str(AcceptanceBand(low, high)))


def check_applied(item: Item, findings: Findings, **settings: str) -> None:
    """Check each band of ``applied`` and that the named setting lies inside it."""
    applied = item.get("applied")
    if applied is None:
        return
    for name, setting in settings.items():
        check_band(applied[name], findings)
        check_inside(item, setting, applied[name], findings)


_NOT_OF_A_UNIT = ("load-", "tap-")
"""How relays begin that put a known load in the unit's place or a meter at one: they serve verification alone."""


def check_connections(item: Item, findings: Findings) -> None:
    """Note a conductor tied twice, a part closed twice, or one that is no part of a unit."""
    connections = item.get("connections")
    if connections is None:
        return
    check_repeated(connections["tied"], findings, "tied")
    seen: set[str] = set()
    for part in [each for each in connections["closed"] or () if each is not None and each["part"] is not None]:
        if part["part"] in seen:
            findings.add(part.place_of("part"), f"'{part['part']}' is closed twice", "each part once")
        if part["part"].startswith(_NOT_OF_A_UNIT):
            findings.add(part.place_of("part"), f"'{part['part']}' is no part of a unit: it serves verification alone",
                         "a part of the unit")
        seen.add(part["part"])


def check_repeated(items: Any, findings: Findings, what: str) -> None:
    """Note a name that stands twice in a list."""
    for index, name in enumerate(items or ()):
        if name is not None and name in items[:index]:
            findings.add(items.places[index], f"'{name}' is {what} twice", "each name once")


def route_names(route: str, connections: Connections, *more: str) -> tuple[str, ...]:
    """The station's connections that a step needs, as a station file names them."""
    tie = ("tie-" + "-".join(connections.tied),) if connections.tied else ()
    return (*((route,) if route else ()), *more, *tie, *(each.part for each in connections.closed))


def as_text(settings: Mapping[str, Any]) -> dict[str, str]:
    """Settings as text with their units."""
    return {name: str(value) for name, value in settings.items()}

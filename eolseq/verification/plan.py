"""Which steps verify which instrument of a station, and why some cannot be verified as the station file stands."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from eolseq.bands.decision import Rule, Spread
from eolseq.errors import Place, Refused
from eolseq.quantity import Quantity
from eolseq.sequence.model import Sequence, UnitData
from eolseq.serials import KNOWN_LOADS, RESERVED
from eolseq.shape import Item
from eolseq.station.checks import KnownLoad
from eolseq.station.file import Station
from eolseq.steps.base import Step
from eolseq.verification.known_loads import to_step
from eolseq.verification.steps import OnResistance, OnShunt, OnSupply, OnWithstand, SpanOf
from eolseq.verification.tap import OnTappedShunt, refuse_tap, taps_first

SERIAL = KNOWN_LOADS
WITHSTAND_VOLTS, SUPPLY_VOLTS, SHUNT_AMPS = Decimal(1000), Decimal(230), Decimal(25)
MARGIN = Decimal("0.05")
"""How far from the known load's current the withstand tester's limit is set, on either side: common practice."""

CAUTIONS = (
    "A withstand tester is dangerous while it is verified: its full voltage is at the known load and its leads.",
    "Take the unit out of the bay. Known loads get hot; do not touch them afterwards.",
)
ORDER = ("residual_meter", "resistance_meter", "continuity_tester", "power_source", "power_meter", "current_meter",
         "withstand_tester")
"""Roles in the order of verifying: first what others are compared with. Relays and guard unit come by themselves."""

_USE = {"resistance_meter": "resistance", "continuity_tester": "continuity", "withstand_tester": "withstand",
        "power_source": "supply", "power_meter": "supply", "current_meter": "supply", "residual_meter": "supply"}
_SECONDS = {"resistance": Decimal(1), "continuity": Decimal("0.6"), "withstand": Decimal("1.5"), "supply": Decimal(2)}


class Plan(Sequence):
    """The steps of a verification in the place of a sequence; its digest is that of what it sets out to do."""

    def spread(self, index: int) -> Spread | None:
        """None: no product is judged."""
        return None


@dataclass(frozen=True)
class Planned:
    """A plan, with the instrument that each of its steps is about, in the order of the steps."""

    plan: Plan
    instruments: tuple[str, ...]


def plan_for(station: Station, roles: Mapping[str, str], chosen: tuple[str, ...], span_of: SpanOf,
             today: date, more: Iterable[tuple[str, Step]] = (), cautions: tuple[str, ...] = ()) -> Planned:
    """The steps that verify the chosen instruments; Refused when a known load is missing, past due or underrated.

    ``roles``: role by instrument name, of all instruments of the station. ``more``: steps that come last, each with its
    instrument, and what must have been done for them as ``cautions``.
    """
    steps: list[tuple[str, Step]] = []
    for role in ORDER:
        for name in chosen:
            if roles[name] == role:
                steps += [(name, step) for step in _steps(station, name, role, span_of, today)]
    return plan_of(station, [*steps, *more], (*CAUTIONS, *cautions))


def plan_of(station: Station, steps: list[tuple[str, Step]], cautions: tuple[str, ...]) -> Planned:
    """Steps, each with its instrument, as a plan."""
    text = json.dumps([[name, step.name, step.settings_for_log()] for name, step in steps]).encode()
    item = Item({"steps": ()}, Place(str(station.path), 1, 1), {})
    plan = Plan(name="Verification with known loads", version="1", path=station.path, unit=UnitData(
        ("known loads",), f"{RESERVED}[A-Z-]{{1,30}}", "I", {}, ()), cautions=cautions,
        steps=tuple(step for _, step in steps), source=text, item=item, decision=Rule(least_ratio=Decimal(0)))
    return Planned(plan, tuple(name for name, _ in steps))


def _steps(station: Station, name: str, role: str, span_of: SpanOf, today: date) -> list[Step]:
    ceilings = station.ceilings
    common: dict[str, Any] = {"instrument": name, "role": role, "span_of": span_of}
    loads = _loads(station, name, role, today)
    if role == "resistance_meter":
        return [OnResistance(name=f"{name} on {load.name}", load=load, **common) for load in loads]
    if role == "continuity_tester":
        amps = min(SHUNT_AMPS, Decimal(repr(ceilings.amps)))
        return [_on_shunt(load, Quantity(amps, "A"), common) for load in taps_first(loads)]
    if role == "withstand_tester":
        volts = min(WITHSTAND_VOLTS, Decimal(repr(ceilings.volts)))
        return [step for load in loads for step in _withstand(load, volts, common)]
    volts = min(SUPPLY_VOLTS, Decimal(repr(ceilings.volts)))
    for load in loads:
        _refuse(load, volts, "supply")
    return [OnSupply(name=f"{name} on {load.name}", load=load, volts=Quantity(volts, "V"), **common) for load in loads]


def _on_shunt(load: KnownLoad, amps: Quantity, common: Mapping[str, Any]) -> Step:
    """A shunt at the test current; with its volts seen on and off where it has a tap."""
    _refuse(load, amps.base * load.resistance.base, "continuity")
    if load.tap:
        refuse_tap(load, amps, common["span_of"])
    kind = OnTappedShunt if load.tap else OnShunt
    return kind(name=f"{common['instrument']} on {load.name}", load=load, current=amps, **common)


def _withstand(load: KnownLoad, volts: Decimal, common: Mapping[str, Any]) -> list[Step]:
    """The limit just above the known load's current, which must hold, and just below it, which must trip."""
    _refuse(load, volts, "withstand")
    amps = float(volts / load.resistance.base)
    above = to_step(amps * float(1 + MARGIN), "0.00001")
    below = to_step(amps * float(1 - MARGIN), "0.00001")
    if not below or below == above:
        raise Refused(f"Known load {load.name} draws {amps * 1000:.3g} mA, too little to set a limit beside.",
                      "Take one that draws 1 mA or more.")
    name = common["instrument"]
    return [OnWithstand(name=f"{name} on {load.name}, {words}", load=load, volts=Quantity(volts, "V"),
                        trip=Quantity(limit, "A"), must_trip=must, **common)
            for words, limit, must in (("limit just above", above, False), ("limit just below", below, True))]


def _loads(station: Station, name: str, role: str, today: date) -> list[KnownLoad]:
    use = _USE[role]
    found = [each for each in station.known_loads if each.use == use]
    if not found:
        raise Refused(f"{name} cannot be verified: the station file names no known load for {use}.",
                      "Add one under 'known_loads'; see 'eolseq manual checks'.")
    for each in found:
        if today > each.good_until:
            raise Refused(f"The certificate of known load {each.name} was good until {each.good_until}.",
                          "Have it calibrated, and its entry in the station file changed.")
    return found


def _refuse(load: KnownLoad, volts: Decimal, use: str) -> None:
    """Refused when a known load is not rated for what it would be put to."""
    why = load.refusal(volts, _SECONDS[use])
    if why:
        raise Refused(why, "Nothing was energised. Take a known load that is rated for it.")

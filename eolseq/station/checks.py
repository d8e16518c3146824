"""What a station file says of its own checks: how often, with which known loads and reference units."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from eolseq.quantity import Quantity
from eolseq.serials import OF_THE_PROGRAM, RESERVED
from eolseq.shape import Amount, Count, Day, Field, Findings, Group, Item, ListOf, MapOf, Text, Word, YesNo

NAME = r"[a-z][a-z0-9-]{0,39}"
USES = ("withstand", "continuity", "resistance", "supply")
"""Where a known load is connected: in place of the unit, at the end of that way."""

TAP = "tap-"
"""How the relay begins that leads the volts across a known load to the residual meter at the unit's terminals."""

_POSITIVE = Decimal(0)
_EVERY = {
    "every": Field(Word(("shift", "day", "never")), about="how long a good one counts; never: none is asked for"),
    "units": Field(Count(1, 1_000_000), required=False, about="and for so many units at most"),
}
_DEMAND = Group(_EVERY, "the demand")
_CHALLENGE_DEMAND = Group({
    **_EVERY,
    "at_end": Field(YesNo(), required=False, default=False, about="whether a shift that tested units must be "
                    "challenged after the last of them, before it ends"),
    "changeover": Field(Word(("fixture", "sequence")), required=False, default="fixture", about="after what one is "
                        "asked for anew: another or a mended fixture; or after another sequence too"),
}, "the demand")

CHECKS = Field(Group({
    "shifts": Field(ListOf(Text(5, r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", "a time of day in UTC such as '06:00'"), 1, 6),
                    required=False, default=(), about="when each shift begins, in UTC"),
    "verification": Field(_DEMAND, about="how often each instrument must be verified"),
    "challenge": Field(_CHALLENGE_DEMAND, about="how often the station must be challenged"),
}, "the checks"), required=False, about="what must be checked before units are tested; a real station without it asks "
    "for both every day, a simulated one for nothing")

KNOWN_LOADS = Field(MapOf(Group({
    "use": Field(Word(USES), about="what it is connected to"),
    "resistance": Field(Amount("ohm", above=_POSITIVE), about="its value, by its certificate"),
    "uncertainty": Field(Amount("ohm", above=_POSITIVE), about="expanded, k = 2, by its certificate"),
    "certificate": Field(Text(80), about="number and date of the certificate"),
    "good_until": Field(Day(), about="the last day its certificate is good"),
    "volts": Field(Amount("V", above=_POSITIVE), about="the most it may be put to"),
    "power": Field(Amount("W", above=_POSITIVE), about="the most it may turn into heat"),
    "duty": Field(Amount("s", above=_POSITIVE), about="the longest it may do so at a time"),
    "tap": Field(Word(("dc", "ac")), required=False, about="use continuity only: relay 'tap-NAME' leads the volts "
                 "across it to the residual meter; which kind of current the tester drives"),
}, "the known load"), NAME), required=False, default={}, about="by name: what instruments are verified with; relay "
    "'load-NAME' puts it in the unit's place")

_ONE_CHALLENGE = {
    "sequence": Field(Text(200), about="the sequence that the reference units are run through"),
    "drift": Field(Amount("%", above=_POSITIVE, at_most=Decimal(100)), required=False, about="the most that a reading "
                   "of the good unit may drift, as a part of its band; more is a miss"),
    "references": Field(MapOf(Group({
        "about": Field(Text(200), about="what is wrong with it"),
        "step": Field(Text(80), required=False, about="the step that must fail; none for the good unit"),
        "reading": Field(Text(80), required=False, about="the reading that must be outside, by its beginning"),
        "says": Field(Text(200), required=False, about="words that the step's sentence must contain"),
        "simulated": Field(Text(60), required=False, about="the simulator's defect of the unit, or fault of the bay"),
    }, "the reference unit"), NAME, 2), about="each reference unit by name"),
}
CHALLENGES = Field(Group({
    **_ONE_CHALLENGE,
    "also": Field(ListOf(Group(_ONE_CHALLENGE, "the challenge"), 1, 20), required=False, default=(), about="challenges "
                  "with other sequences, each with reference units of its own"),
}, "the challenges"), required=False, about="the reference units that the station is challenged with")


@dataclass(frozen=True)
class Demand:
    """How long a good check counts: until the next shift or day, and for so many units at most.

    Of a challenge also: whether one must follow the last unit of a shift, and after what change it is asked for anew.
    """

    every: str = "day"
    units: int | None = None
    at_end: bool = False
    changeover: str = "fixture"


@dataclass(frozen=True)
class Checks:
    """What must have been checked before units are tested; ``shifts`` are minutes after midnight, UTC."""

    verification: Demand = Demand()
    challenge: Demand = Demand()
    shifts: tuple[int, ...] = ()

    def since(self, demand: Demand, now: datetime) -> datetime | None:
        """The moment from which on a check still counts now; None where none is asked for."""
        if demand.every == "never":
            return None
        midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        if demand.every == "day":
            return midnight
        starts = [midnight + timedelta(minutes=minutes - back * 1440) for minutes in self.shifts for back in (0, 1)]
        return max(each for each in starts if each <= now)


@dataclass(frozen=True)
class KnownLoad:
    """A resistor with a certificate, with what it may be put to; ``uncertainty`` is expanded with k = 2."""

    name: str
    use: str
    resistance: Quantity
    uncertainty: Quantity
    certificate: str
    good_until: date
    volts: Quantity
    power: Quantity
    duty: Quantity
    tap: str = ""  # "dc" or "ac", as the current is, where a relay leads its volts to the residual meter

    @property
    def called(self) -> str:
        """Its name in a sentence."""
        return f"known load {self.name}"

    @property
    def relay(self) -> str:
        """The connection that puts it in the unit's place."""
        return f"load-{self.name}"

    @property
    def tap_relay(self) -> str:
        """The connection that leads its volts to the residual meter."""
        return f"{TAP}{self.name}"

    def refusal(self, volts: Decimal, seconds: Decimal) -> str:
        """Why it may not be put to so many volts for so many seconds, or an empty text."""
        watts = volts * volts / self.resistance.base
        for value, most, unit in ((volts, self.volts, "V"), (watts, self.power, "W"), (seconds, self.duty, "s")):
            if value > most.base:
                return f"Known load {self.name} would take {value:.3g} {unit}; it is rated {most}."
        return ""


@dataclass(frozen=True)
class Reference:
    """A reference unit: what is wrong with it, and what the station must find; without a step it is the good unit."""

    name: str
    about: str
    step: str
    reading: str
    says: str
    simulated: str


@dataclass(frozen=True)
class Challenges:
    """The sequence that reference units are run through, the units, and how far the good one may drift, in %.

    ``also``: challenges of the same station with other sequences.
    """

    sequence: str
    references: tuple[Reference, ...]
    drift: Decimal | None = None
    also: tuple[Challenges, ...] = ()

    @property
    def every(self) -> tuple[Challenges, ...]:
        """All of them, this one first."""
        return (self, *self.also)


def read_checks(item: Item | None, *, simulated: bool) -> Checks | None:
    """What a station asks for; None for a simulated one that asks for nothing."""
    if item is None:
        return None if simulated else Checks()
    shifts = tuple(int(each[:2]) * 60 + int(each[3:]) for each in item["shifts"])
    verification, challenge = item["verification"], item["challenge"]
    return Checks(Demand(verification["every"], verification["units"]), Demand(
        challenge["every"], challenge["units"], challenge["at_end"], challenge["changeover"]), shifts)


def read_loads(items: Mapping[str, Any]) -> tuple[KnownLoad, ...]:
    """The known loads of a checked station file."""
    keys = ("use", "resistance", "uncertainty", "certificate", "good_until", "volts", "power", "duty")
    return tuple(KnownLoad(name, tap=each["tap"] or "", **{key: each[key] for key in keys})
                 for name, each in items.items())


def read_challenges(item: Item | None) -> Challenges | None:
    """The reference units of a checked station file; None where it has none."""
    if item is None:
        return None
    return dataclasses.replace(_one_challenge(item), also=tuple(_one_challenge(each) for each in item["also"]))


def _one_challenge(item: Item) -> Challenges:
    return Challenges(item["sequence"], tuple(
        Reference(name, each["about"], *(each[key] or "" for key in ("step", "reading", "says", "simulated")))
        for name, each in item["references"].items()), None if item["drift"] is None else item["drift"].value)


def check_checks(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say."""
    checks, challenges = item["checks"], item["challenges"]
    if checks is not None and not checks["shifts"] and "shift" in [checks[key]["every"]
                                                                   for key in ("verification", "challenge")]:
        findings.add(checks.place, "'every: shift' without 'shifts'", "the times at which shifts begin")
    if checks is not None and checks["challenge"]["at_end"] and not checks["shifts"]:
        findings.add(checks["challenge"].place, "'at_end: yes' without 'shifts'", "the times at which shifts begin")
    _check_loads(item, findings)
    if challenges is not None:
        _check_challenges([challenges, *challenges["also"]], findings)


def _check_loads(item: Item, findings: Findings) -> None:
    """Each load has its relay at every bay; a tap hangs on nothing but a shunt, so that no test voltage gets to it."""
    loads = item["known_loads"]
    _check_load_relays(item, findings)
    for load in loads.values():
        if load["tap"] and load["use"] != "continuity":
            findings.add(load.place_of("tap"), f"a tap on a known load for {load['use']}, whose voltage it would carry",
                         "a tap on a known load for continuity, or none")
    for place in [item["connections"], *(bay["connections"] for bay in item["bays"])]:
        for relay in place or ():
            name = relay.removeprefix(TAP)
            if relay.startswith(TAP) and not (name in loads and loads[name]["tap"]):
                findings.add(place.place_of(relay), f"'{relay}' is the tap of no known load",
                             "'tap' at the known load of that name, or no such relay")


def _check_load_relays(item: Item, findings: Findings) -> None:
    """A bay's own meter is held against the loads there, and a verification of all holds what bays share there too."""
    loads = item["known_loads"]
    wanted = [(name, relay) for name, load in loads.items()
              for relay in (f"load-{name}", *([f"{TAP}{name}"] if load["tap"] else []))]
    for bay in item["bays"]:
        connections = item["connections"] or bay["connections"] or {}
        several = len(item["bays"]) > 1
        for name, relay in wanted:
            if relay not in connections:
                findings.add(bay.place_of_key("connections") if several and bay["connections"] else
                             loads.place_of_key(name),
                             f"'{relay}' is no connection of {bay['name'] if several else 'this station'}",
                             f"'{relay}' among 'connections'")


def _check_challenges(challenges: list[Item], findings: Findings) -> None:
    """One good unit for each sequence, and no name that two reference units share: their serials are made of it."""
    named: set[str] = set()
    for each in challenges:
        references = each["references"]
        if sum(not one.given("step") for one in references.values()) != 1:
            findings.add(each.place, "not exactly one reference unit is the good one", "one without 'step'")
        for name in references:
            place = references.place_of_key(name)
            if f"{RESERVED}{name.upper()}" in OF_THE_PROGRAM:
                findings.add(place, f"'{name}' is a name of the program's own", "another name for this reference unit")
            if name in named:
                findings.add(place, f"'{name}' is a reference unit of another sequence too",
                             "a name of its own for each reference unit")
            named.add(name)
    sequences = [each["sequence"] for each in challenges]
    for at, each in enumerate(challenges):
        if each["sequence"] in sequences[:at]:
            findings.add(each.place_of("sequence"), f"'{each['sequence']}' is listed twice",
                         "one challenge for each sequence")

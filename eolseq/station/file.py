"""The station file: this bench's instruments and addresses, guard, bays, relay channels, ceilings, records folder."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Any

from eolseq.bands.decision import Rule
from eolseq.bands.rule_fields import DECISION, check_decision, read_decision
from eolseq.bands.zero import ZERO, FixtureZero, read_zeros
from eolseq.guard.inputs import GuardSettings
from eolseq.instruments.line import Line
from eolseq.instruments.port_fields import PORT_FIELDS
from eolseq.instruments.spans import Known
from eolseq.quantity import parse
from eolseq.shape import Amount, Count, Day, Field, Findings, Group, Item, ListOf, MapOf, Parsed, Text, load_file
from eolseq.station.bay_fields import BAYS, CONNECTIONS, BayPlace, check_bays, read_bays
from eolseq.station.checks import (
    CHALLENGES,
    CHECKS,
    KNOWN_LOADS,
    Challenges,
    Checks,
    KnownLoad,
    check_checks,
    read_challenges,
    read_checks,
    read_loads,
)
from eolseq.station.earlier_fields import EARLIER, NO_EARLIER, EarlierRules, check_earlier, read_earlier
from eolseq.station.fixture_fields import FIXTURES, FixtureRules, check_fixtures, read_fixtures
from eolseq.station.known import read_known
from eolseq.station.label_fields import LABELS, RELEASE, LabelRules, check_labels, read_labels
from eolseq.station.line_fields import (
    ANYBODY,
    NO_REWORK,
    PEOPLE,
    REWORK,
    PeopleRules,
    ReworkRules,
    check_people,
    read_people,
    read_rework,
)
from eolseq.station.one_place import check_one_place
from eolseq.station.plant_fields import ZONE, check_plant, read_plant
from eolseq.station.plant_time import UTC_TIME, PlantTime
from eolseq.station.reference_fields import (
    REFERENCE_METERS,
    ReferenceMeter,
    check_references,
    read_references,
)
from eolseq.station.shift_fields import SHIFT, ShiftRules, check_shift, read_shift

_NAME = r"[a-z][a-z0-9-]{0,39}"
_TIME = Amount("s", above=Decimal(0), at_most=Decimal(60))

STATION = Group({
    "name": Field(Text(80), about="what people call this station"),
    "origin": Field(Text(80, r"[a-z0-9][a-z0-9.-]*(/[a-z0-9][a-z0-9-]*)+", "a name such as plant.example/bench-1"),
                    about="the name of the log, unique in the world; the key's fingerprint is added to it"),
    "simulated": Field(Text(200), required=False, default="", about="the simulator file, for a simulated station"),
    "faulty": Field(ListOf(Text(120, r"[a-z][a-z0-9_-]{0,39}:[a-z][a-z0-9-]{0,59}(?::[+-]?[0-9.]{1,20}(?:[eE][+-]?[0-9]"
                                r"{1,3})?)?", "a fault such as current:drifted:0.02 or bay:test-lead-off"), at_most=20),
                    required=False, default=(), about="what is wrong with a simulated station from the start"),
    "records": Field(Text(200), about="the folder of the log, relative to the working folder"),
    "key": Field(Text(200), about="the station's signing key, outside the records folder"),
    "bays": BAYS,
    "instruments": Field(MapOf(Group({
        "page": Field(Text(200), about="the driver page of its model"),
        "address": Field(Text(200), required=False, default="", about="its VISA address; none if simulated"),
        "serial": Field(Text(40), about="the serial number it must report"),
        "calibrated_until": Field(Day(), about="the last day its calibration is good"),
        "port": Field(Group(PORT_FIELDS, "the port"), required=False, about="how its serial port is set here, where it "
                      "is not as its page says"),
        "device": Field(Count(1, 255), required=False, default=1, about="its number on a line with registers"),
        "backend": Field(Text(200), required=False, default="", about="another pyvisa backend for its address"),
        "uncertainty": Field(MapOf(Group({
            "accuracy": Field(Text(120), required=False, about="better figures than the driver page's, by certificate"),
            "certificate": Field(Text(80), required=False, default="", about="number and date of that certificate"),
            "leads": Field(Parsed(parse, "a value such as '2 mohm'"), required=False,
                           about="the most that leads and contacts may add"),
            "temperature": Field(Text(120), required=False, about="the most that the bench's temperature may add, such "
                                 "as '0.1 % of reading'"),
        }, "what is known of the reading"), r"[a-z][a-z_]{0,39}"), required=False, default={},
            about="by reading: what is known of its accuracy here, beyond the driver page"),
    }, "the instrument"), _NAME, 1), about="every instrument by name"),
    "guard": Field(Group({
        "scan": Field(_TIME, about="time between two looks at the guard"),
        "freshness": Field(_TIME, about="oldest answer of the guard unit that is trusted"),
        "discrepancy": Field(_TIME, about="longest time the two contacts may disagree"),
        "watchdog": Field(_TIME, about="the guard unit drops the contactor after this time without a look"),
        "access_time": Field(_TIME, about="shortest time in which a person could reach a live part"),
    }, "the guard"), about="times of the guard"),
    "connections": Field(CONNECTIONS, required=False, about="relay channel by name, where the station has one bay"),
    "zeros": Field(MapOf(ZERO, _NAME), required=False, default={}, about="by fixture: what its leads read in a "
                   "two-wire ground continuity measurement"),
    "decision": DECISION,
    "checks": CHECKS,
    "known_loads": KNOWN_LOADS,
    "reference_meters": REFERENCE_METERS,
    "challenges": CHALLENGES,
    "fixtures": FIXTURES,
    "people": PEOPLE,
    "rework": REWORK,
    "earlier": EARLIER,
    "labels": LABELS,
    "release": RELEASE,
    "zone": ZONE,
    "shift": SHIFT,
    "ceilings": Field(Group({
        "volts": Field(Amount("V", above=Decimal(0), at_most=Decimal(10000))),
        "trip_current": Field(Amount("A", above=Decimal(0), at_most=Decimal("0.1"))),
        "amps": Field(Amount("A", above=Decimal(0), at_most=Decimal(100))),
        "seconds": Field(Amount("s", above=Decimal(0), at_most=Decimal(3600))),
    }, "the ceilings"), about="what no sequence may exceed here"),
}, "the station")


@dataclass(frozen=True)
class InstrumentPlace:
    """One instrument of a station: its driver page, VISA address, serial number and last day of calibration.

    ``known``: by reading, what the station knows of its accuracy beyond the driver page. ``port``: what is set
    otherwise at its serial port. ``device``: its number on a line with registers. ``backend``: another pyvisa backend.
    """

    name: str
    page: str
    address: str
    serial: str
    calibrated_until: date
    known: Mapping[str, Known] = field(default_factory=dict)
    port: Mapping[str, Any] = field(default_factory=dict)
    device: int = 1
    backend: str = ""

    def line(self, of_page: Line) -> Line:
        """How it is spoken to here: as its page says, but for what this bench sets otherwise at its port."""
        return replace(of_page, **self.port) if self.port else of_page


@dataclass(frozen=True)
class CeilingValues:
    """What this station never exceeds: V, A (trip current), A, s."""

    volts: float
    trip_current: float
    amps: float
    seconds: float


@dataclass(frozen=True)
class Station:
    """A checked station file. ``simulated`` is the simulator file's path, or empty for a real station."""

    name: str
    path: Path
    digest: str
    origin: str
    simulated: str
    records: str
    key: str
    places: tuple[BayPlace, ...]
    instruments: tuple[InstrumentPlace, ...]
    guard: GuardSettings
    ceilings: CeilingValues
    decision: Rule | None = None
    zeros: Mapping[str, FixtureZero] = field(default_factory=dict)
    faulty: tuple[str, ...] = ()
    checks: Checks | None = None
    known_loads: tuple[KnownLoad, ...] = ()
    challenges: Challenges | None = None
    fixtures: tuple[FixtureRules, ...] = ()
    people: PeopleRules = ANYBODY
    rework: ReworkRules = NO_REWORK
    earlier: EarlierRules = NO_EARLIER
    labels: LabelRules | None = None
    release: str = ""
    reference_meters: tuple[ReferenceMeter, ...] = ()

    @property
    def zero_points(self) -> Mapping[str, frozenset[str]]:
        """By fixture, the points that have a zero, typed for every bay or to be measured."""
        at_bays = [self.zeros_at(name) for name in self.bays]
        typed = {name: frozenset.intersection(*(frozenset(zeros[name].points) if name in zeros else frozenset()
                                                for zeros in at_bays)) for name in at_bays[0]}
        return typed | {each.name: frozenset(each.zero.points) for each in self.fixtures if each.zero is not None}
    shift: ShiftRules | None = None
    plant: PlantTime = UTC_TIME

    def zeros_at(self, bay: str) -> dict[str, FixtureZero]:
        """By fixture, the zeros that are typed for a bay."""
        return {**self.zeros, **next(each.zeros for each in self.places if each.name == bay)}

    @property
    def certified(self) -> tuple[KnownLoad | ReferenceMeter, ...]:
        """Everything with a certificate that instruments are held against."""
        return (*self.known_loads, *self.reference_meters)

    @property
    def bays(self) -> tuple[str, ...]:
        """The bays' names, in the order of the file."""
        return tuple(each.name for each in self.places)

    def bay_of(self, instrument: str) -> str:
        """The bay at which an instrument stands for good, where there are several; empty for one that they share."""
        return next((each.name for each in self.places if instrument in (each.guard, *each.own)), "") \
            if len(self.places) > 1 else ""

    @property
    def connections(self) -> Mapping[str, int]:
        """Relay channel by connection name, of the first bay."""
        return self.places[0].connections


def load_station(path: Path) -> Station:
    """Read and check a station file; FileMistakes with every mistake."""
    item, findings, source = load_file(path, {"station": STATION})
    if not findings.mistakes:
        _check(item, findings)
    known = {name: {} if each is None else read_known(each["uncertainty"], findings)
             for name, each in (item["instruments"] or {}).items()}
    zeros = read_zeros(item["zeros"] or {}, findings)
    places = read_bays(item, findings) if not findings.mistakes else ()
    findings.raise_if_any()
    guard, ceilings = item["guard"], item["ceilings"]
    return Station(
        name=item["name"], path=path, digest=hashlib.sha256(source).hexdigest(), origin=item["origin"],
        simulated=item["simulated"], records=item["records"], key=item["key"],
        places=places,
        instruments=tuple(
            InstrumentPlace(name, each["page"], each["address"], each["serial"], each["calibrated_until"], known[name],
                            _port(each["port"]), each["device"], each["backend"])
            for name, each in item["instruments"].items()),
        guard=GuardSettings(*(float(guard[key]) for key in ("scan", "freshness", "discrepancy", "watchdog",
                                                            "access_time"))),
        ceilings=CeilingValues(*(float(ceilings[key]) for key in ("volts", "trip_current", "amps", "seconds"))),
        decision=read_decision(item["decision"]), zeros=zeros, faulty=tuple(item["faulty"]),
        checks=read_checks(item["checks"], simulated=bool(item["simulated"])),
        known_loads=read_loads(item["known_loads"]), challenges=read_challenges(item["challenges"]),
        reference_meters=read_references(item["reference_meters"]),
        fixtures=read_fixtures(item["fixtures"]),
        labels=read_labels(item["labels"]), release=item["release"],
        shift=read_shift(item["shift"]), plant=read_plant(item),
        people=read_people(item["people"], simulated=bool(item["simulated"])),
        earlier=read_earlier(item["earlier"]),
        rework=read_rework(item["rework"], simulated=bool(item["simulated"])))


def _port(item: Item | None) -> dict[str, Any]:
    """What a station sets otherwise at a serial port."""
    return {} if item is None else {key: item[key] for key in item if item.given(key)}


def _check(item: Item, findings: Findings) -> None:
    """What the table of fields cannot say: times in order, channels used once, the key outside the records."""
    check_decision(item["decision"], findings)
    check_checks(item, findings)
    check_references(item, findings)
    check_fixtures(item, findings)
    check_people(item, findings)
    guard = item["guard"]
    if guard["freshness"].base >= guard["watchdog"].base:
        findings.add(guard.place_of("freshness"), f"freshness {guard['freshness']} is not below the watchdog",
                     f"less than {guard['watchdog']}")
    if guard["scan"].base * 2 > guard["freshness"].base:
        findings.add(guard.place_of("scan"), f"scan {guard['scan']} is too slow for the freshness",
                     f"at most half of {guard['freshness']}")
    check_bays(item, findings)
    check_one_place(item, findings)
    check_labels(item, findings)
    check_earlier(item, findings)
    check_shift(item, findings)
    check_plant(item, findings)
    key, records = PurePosixPath(item["key"]), PurePosixPath(item["records"])
    if records == key or records in key.parents:
        findings.add(item.place_of("key"), "the key lies in the records folder", "another folder")
    if item["faulty"] and not item["simulated"]:
        findings.add(item.place_of("faulty"), "a real station is not made faulty by its file", "no 'faulty'")
    for each in item["instruments"].values():
        if bool(each["address"]) == bool(item["simulated"]):
            findings.add(each.place, "an instrument of a simulated station has no address, a real one needs it",
                         "no 'address'" if item["simulated"] else "'address'")
        if each["port"] is not None and each["address"] and not each["address"].upper().startswith("ASRL"):
            findings.add(each.place_of_key("port"), f"'port' at {each['address']}, which is no serial line",
                         "an address such as ASRL/dev/ttyS0::INSTR")

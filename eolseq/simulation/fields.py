"""The fields of a simulator file, as one table; what may stand where, and what it is for."""

from __future__ import annotations

from decimal import Decimal

from eolseq.serials import LIKE, read_pattern, whole_pattern
from eolseq.shape import Amount, Count, Field, Group, ListOf, MapOf, OneOf, Parsed, Text, Word, YesNo
from eolseq.simulation.faulty import LIKE as FAULT_LIKE
from eolseq.simulation.faulty import pattern as fault_pattern
from eolseq.simulation.faulty import read_fault
from eolseq.simulation.hall_fields import BAYS
from eolseq.simulation.references import REFERENCE_METERS
from eolseq.simulation.roles.awkward import AwkwardResistanceMeter
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.roles.meters import (
    AirflowMeter,
    CurrentMeter,
    PowerMeter,
    PressureGauge,
    ResidualMeter,
    ResistanceMeter,
)
from eolseq.simulation.roles.registers import RegisterGuardUnit, RegisterPowerMeter
from eolseq.simulation.roles.sources import ContinuityTester, PowerSource, WithstandTester
from eolseq.simulation.roles.station import GuardUnit, ManyRelays, SwitchingUnit
from eolseq.simulation.unit import ALLOYS

ROLES: dict[str, type[RoleInstrument]] = {
    "withstand_tester": WithstandTester, "continuity_tester": ContinuityTester, "power_source": PowerSource,
    "resistance_meter": ResistanceMeter, "current_meter": CurrentMeter, "power_meter": PowerMeter,
    "airflow_meter": AirflowMeter, "pressure_gauge": PressureGauge, "residual_meter": ResidualMeter,
    "switching_unit": SwitchingUnit, "guard_unit": GuardUnit,
}
"""Role -> the simulated model that plays it."""

OPTIONAL = ("pressure_gauge",)
"""Roles that a simulated station may do without."""

MANNERS: dict[str, dict[str, type[RoleInstrument]]] = {
    "resistance_meter": {"awkward": AwkwardResistanceMeter},
    "switching_unit": {"many-relays": ManyRelays},
    "power_meter": {"registers": RegisterPowerMeter}, "guard_unit": {"registers": RegisterGuardUnit},
}
"""Role -> the models that play it with other manners on their line than plain ones."""

MEASURES_IN = {"voltage": "V", "current": "A", "resistance": "ohm", "frequency": "Hz", "power": "W",
               "pressure": "Pa", "temperature": "degC"}
"""Quantity that is measured -> its unit."""

_ZERO, _ONE = Decimal(0), Decimal(1)
_NAME = r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*"
DEFECT_NAME = r"[a-z][a-z0-9]*(?:-[a-z0-9]+)+"
"""Defects and faults of the bay: lower case, hyphenated, two words or more."""

_OHM = Amount("ohm", above=_ZERO)
_OHM_OR_NONE = Amount("ohm", at_least=_ZERO)
_FARAD = Amount("F", above=_ZERO, at_most=Decimal("0.01"))
_SECONDS = Amount("s", above=_ZERO, at_most=Decimal(100_000))
_SECONDS_OR_NONE = Amount("s", at_least=_ZERO, at_most=Decimal(100_000))
_VOLTS = Amount("V", above=_ZERO, at_most=Decimal(100_000))
_AMPS = Amount("A", above=_ZERO, at_most=Decimal(1000))
_PART = Amount("%", above=_ZERO, at_most=Decimal(500))
_PART_OR_NONE = Amount("%", at_least=_ZERO, at_most=Decimal(100))
_PASCALS = Amount("Pa", above=_ZERO, at_most=Decimal(100_000))
_BARS = Amount("Pa", above=Decimal(101_000), at_most=Decimal(5_000_000))
_CELSIUS = Amount("degC", at_least=Decimal(-40), at_most=Decimal(1200))


def _instrument(role: str) -> Group:
    measures = ROLES[role].measures

    def each(amount: str) -> Group:
        return Group({what: Field(Amount(amount or MEASURES_IN[what], above=_ZERO), about=f"of the {what}")
                      for what in measures}, "a measurement")

    fields = {
        "role": Field(Word((role,)), about="which part it plays"),
        "model": Field(Text(at_most=20, pattern=r"[A-Z0-9-]+", like="a model such as WT-5")),
        "serial": Field(Text(at_most=20, pattern=r"[A-Z0-9-]+", like="a serial such as SIM-0001")),
        "link": Field(Word(("tcp", "serial")), about="tcp or serial"),
        "instant": Field(YesNo(), required=False, default=True, about="no: it takes 50 ms to answer"),
    }
    fields["connections"] = Field(Word(("many", "one")), required=False, default="many",
                                  about="how many it takes at once over tcp; one more is closed at once")
    if role in MANNERS:
        fields["manner"] = Field(Word(("plain", *MANNERS[role])), required=False, default="plain",
                                 about="how it behaves on its line")
    if measures:
        fields["accuracy"] = Field(each("%"), about="of the reading; what it puts out is as accurate")
        fields["resolution"] = Field(each(""), about="the smallest step, on the finest range")
    return Group(fields, f"the {role}")


INSTRUMENT = OneOf("role", {role: _instrument(role) for role in ROLES})

GUARD = Group({
    "hard_wired": Field(YesNo(), about="yes: the contacts themselves open the contactor"),
    "closes_after": Field(_SECONDS, about="it closes by itself so long after it was looked at open"),
    "contact_spread": Field(_SECONDS_OR_NONE, about="the second contact follows the first so much later"),
    "patience": Field(_SECONDS, required=False, about="a person opens it again when nothing begins for so long; 3 s if "
                      "left out"),
}, "the guard")

FIXTURE = Group({
    "channels": Field(MapOf(Count(101, 140), names=r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*", at_least=1), required=False,
                      about="what each relay channel of the switching unit does, where there is one bay"),
    "discharge": Field(_OHM, about="what the discharge relay puts across L-N and across L-earth"),
    "return_lead": Field(_OHM, about="of the return lead to earth; 1 Mohm or more: it is off"),
    "sense_lead": Field(_OHM, about="of a sense lead; 1 Mohm or more: it is dead"),
    "pallet": Field(_OHM, about="a way from the unit's frame to earth past the leads; 1 Mohm or more: none"),
    "stray": Field(_FARAD, about="capacitance of the leads alone"),
    "loads": Field(MapOf(_OHM, names=r"[a-z][a-z0-9-]{0,39}"), required=False, default={},
                   about="each known load by name; relay load-NAME puts it in the unit's place"),
    "contacts": Field(_OHM_OR_NONE, required=False, default=0.0, about="of leads and contacts, as two wires "
                      "see them"),
    "plug": Field(_OHM_OR_NONE, required=False, default=0.0, about="the resistor in the coded plug; 0: no plug"),
    "swapped": Field(YesNo(), required=False, default=False, about="yes: line and earth have changed places"),
}, "the fixture")

STAGE = Group({
    "alloy": Field(Word(tuple(ALLOYS)), about="of the element"),
    "resistance": Field(_OHM, about="of the element at 20 degC"),
    "shorted_turns": Field(_PART_OR_NONE, about="part of the turns that is bridged"),
    "works_at": Field(_CELSIUS, about="temperature at rated power"),
    "rated_power": Field(Amount("W", above=_ZERO)),
    "warms_in": Field(_SECONDS, about="time constant"),
    "lead": Field(_OHM_OR_NONE), "contact": Field(_OHM_OR_NONE, about="of the closed contactor"),
    "closes": Field(YesNo(), about="no: the contactor does not follow its coil"),
    "closes_in": Field(_SECONDS), "opens_in": Field(_SECONDS),
    "to_earth": Field(_FARAD, about="capacitance of the element to earth"),
    "opens_at": Field(_CELSIUS, required=False, about="temperature at which a weld of the element parts; none: never"),
    "holds": Field(_AMPS, required=False, about="current that the closed contactor holds against; none: any"),
}, "a stage")

INSULATION = Group({
    "resistance": Field(_OHM, about="live conductors to earth"),
    "line": Field(_FARAD, about="capacitance of the line wiring to earth"),
    "neutral": Field(_FARAD, about="capacitance of the neutral branch, board and motor to earth"),
    "breakdown": Field(_VOLTS, about="V rms at which it gives way; direct: sqrt(2) times"),
    "arc": Field(_OHM, about="once it has given way"),
}, "the insulation")

ACROSS = Group({
    "capacitor": Field(_FARAD, about="filter capacitor across L-N"),
    "bleeder": Field(_OHM, about="across the capacitor"),
    "board": Field(_OHM, about="input of the control board"),
}, "what lies across L and N")

MOTOR = Group({
    "rated_volts": Field(_VOLTS), "magnetising": Field(_AMPS, about="lagging 90 degrees"),
    "losses": Field(_AMPS, about="in phase"), "load": Field(_AMPS, about="in phase, at full air flow"),
    "airflow": Field(_PART_OR_NONE, about="part of the full flow"),
    "turns": Field(_PART, about="of the main winding at the tap in use, as a part of the right one's"),
    "aux_resistance": Field(_OHM), "aux_reactance": Field(_OHM, about="at 60 Hz"),
    "capacitor": Field(_FARAD, about="run capacitor"),
    "locked": Field(_AMPS, about="current with the rotor standing"),
    "locked_angle": Field(Amount("", at_least=_ZERO, at_most=Decimal(90)), about="degrees that it lags"),
    "stands_still": Field(_SECONDS_OR_NONE, about="from the voltage's coming to the rotor's first move"),
    "runs_up": Field(_SECONDS, about="time constant"), "runs_down": Field(_SECONDS, about="full speed to rest"),
}, "the motor")

FAN = Group({
    "pressure": Field(_PASCALS, about="across the running fan at full air flow"),
    "shut": Field(_PASCALS, about="across the running fan with the outlet closed"),
    "backwards": Field(YesNo(), about="yes: the wheel turns the wrong way"),
}, "the fan's wheel")

INTERLOCK = Group({
    "pulls_in": Field(_VOLTS, about="voltage at the fan at which it lets the supply through to the stages"),
    "welded": Field(YesNo(), about="yes: it lets it through always"),
}, "the interlock")

COIL = Group({
    "charge": Field(_BARS, about="absolute pressure at 20 degC, as it was charged with dry gas"),
    "lost": Field(_PART_OR_NONE, about="part of the gas that has leaked since"),
}, "the coil")

UNIT = Group({
    "model": Field(Text(at_most=40)),
    "serial_pattern": Field(Parsed(read_pattern, LIKE, whole_pattern), about="which serials are such a unit"),
    "ambient": Field(_CELSIUS),
    "earth_screw": Field(_OHM, about="from the earth terminal to the frame"),
    "earth": Field(MapOf(_OHM, names=_NAME, at_least=1), about="from the frame to each bonded point"),
    "neutral_branch": Field(_OHM_OR_NONE, about="of the neutral conductor to board and fan"),
    "insulation": Field(INSULATION), "across": Field(ACROSS),
    "stages": Field(MapOf(STAGE, names=r"stage-[0-9]"), about="stage-1, stage-2, ..."),
    "motor": Field(MOTOR, required=False),
    "fan": Field(FAN, required=False, about="the fan's wheel, where the pressure across it is of interest"),
    "coil": Field(COIL, required=False, about="a closed coil with a charge of gas, if there is one"),
    "interlock": Field(INTERLOCK, required=False, about="the fan's relay in the way to the stages, if there is one"),
}, "a unit")

SET = MapOf(Text(at_most=60), names=r"[a-z0-9_-]+(?:\.[a-z0-9_-]+)*", at_least=1)

DEFECT = Group({
    "about": Field(Text(at_most=200), required=False, default=""),
    "set": Field(SET, about="field path: value, such as earth.front-panel: 5 Mohm"),
    "twin": Field(SET, about="the same, just inside what is sound"),
    "in_model": Field(MapOf(Group({
        "set": Field(SET, about="what it changes in this model"),
        "twin": Field(SET, about="the same, just inside what is sound"),
    }, "a defect in a model"), names=r"[A-Za-z0-9-]{1,40}"), required=False, default=None,
        about="models in which it needs other values"),
}, "a defect")

FAULT = Group({
    "about": Field(Text(at_most=200), required=False, default=""),
    "set": Field(SET, about="field path in the fixture: value"),
}, "a fault of the bay")

SIMULATOR = Group({
    "name": Field(Text(at_most=100)),
    "unit": Field(Text(at_most=60), about="serial of the unit in the bay when none is named"),
    "instruments": Field(MapOf(INSTRUMENT, names=r"[a-z][a-z0-9_-]{0,39}", at_least=1)),
    "bays": BAYS,
    "guard": Field(GUARD), "fixture": Field(FIXTURE),
    "reference_meters": REFERENCE_METERS,
    "units": Field(ListOf(UNIT, at_least=1, at_most=100)),
    "defects": Field(MapOf(DEFECT, names=DEFECT_NAME), required=False, default=None),
    "faults": Field(MapOf(FAULT, names=DEFECT_NAME), required=False, default=None),
    "faulty": Field(ListOf(Parsed(read_fault, FAULT_LIKE, fault_pattern), at_most=20), required=False, default=(),
                    about="what is wrong from the start"),
}, "the simulator")
"""All fields of a file of kind ``simulator``."""

"""What must come of a run of one step, for each fault, each place it can be in, and whether it comes before or after energise.

Which line the instrument hangs on makes no difference to what must come of it. A fault that spoils answers never passes;
one that only delays them may; and what a step cannot see, such as a meter that has drifted within the band, is left to
whoever verifies the bench, which the last column says.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

PASS, FAIL, FAULT = "pass", "fail", "fault"
LOCKED = "fault, locked"    # nobody can say that it is dead: red, locked, on record
SHUT = "not opened"         # the station was refused before anything was switched

EARTH, HEATER, WITHSTAND = "ground_continuity by continuity", "heater_resistance by resistance", "dielectric_withstand by withstand"
FAN_SOURCE, FAN_METER = "motor_current by power", "motor_current by current"
INPUT_SOURCE, INPUT_METER = "power_input by power", "power_input by input"
GAUGE = "holding_pressure by gauge"
SOURCES = (EARTH, WITHSTAND, FAN_SOURCE, INPUT_SOURCE)
METERS = (HEATER, FAN_METER, INPUT_METER, GAUGE)
PLACES = SOURCES + METERS

Outcomes = Mapping[str, str]
"""Place -> what must come of it."""


def all_(outcome: str, **others: tuple[str, ...]) -> Outcomes:
    """The same everywhere, but for places named under another outcome (``passes``, ``fails``, ``faults``, ``locks``)."""
    words = {"passes": PASS, "fails": FAIL, "faults": FAULT, "locks": LOCKED}
    return {place: next((words[word] for word, places in others.items() if place in places), outcome) for place in PLACES}


class Row(NamedTuple):
    """One fault: what must come of it from the start and after energise, and where it is found if a run may pass."""

    start: Outcomes
    on: Outcomes
    found: str = ""


BY_VERIFYING, BY_OPENING = "verifying against known loads", "identities, read whenever a line is opened"
NOT_IN_THE_WAY = "the step whose lead it is"
ALL_RIGHT = "nothing: no byte is lost, and every deadline is kept"

LOST = Row(all_(SHUT), all_(LOCKED, faults=METERS))  # a source that does not confirm OFF is not known to be off

TABLE: dict[str, Row] = {
    # of the wire
    "silent": LOST,
    "garbled": LOST,
    "truncated": LOST,
    "late": LOST,
    "closed": LOST,
    "split": Row(all_(PASS), all_(PASS), ALL_RIGHT),
    "split-at": Row(all_(PASS), all_(PASS), ALL_RIGHT),
    "slow": Row(all_(PASS), all_(PASS), ALL_RIGHT),
    "refused": Row(all_(SHUT), all_(PASS), "opening the station"),
    "error-in-queue": Row(all_(FAULT), all_(FAULT, passes=(FAN_METER, GAUGE)), "the next command; nothing more is sent to that meter"),
    # of the instrument
    "wrong-identity": Row(all_(SHUT), all_(PASS), BY_OPENING),
    "drifted": Row(all_(FAULT, passes=(HEATER,), fails=(FAN_METER, INPUT_METER, GAUGE)),
                   all_(FAULT, passes=(HEATER,), fails=(FAN_METER, INPUT_METER, GAUGE)), BY_VERIFYING),
    "noisy": Row(all_(FAULT, passes=(HEATER, FAN_METER, INPUT_SOURCE, GAUGE)),
                 all_(FAULT, passes=(HEATER, FAN_METER, INPUT_SOURCE, GAUGE)),
                 BY_VERIFYING),
    "overloaded": Row(all_(FAIL, faults=(EARTH, WITHSTAND)), all_(FAIL, faults=(EARTH, WITHSTAND))),
    "stuck": Row(all_(LOCKED), all_(LOCKED)),
    # 12 V at most, and no meter of the bench sees it in a test: relays and contactor part it from the unit. Verifying sees
    # it at the tap of a shunt
    "stuck-silent": Row(all_(LOCKED, passes=(EARTH,)), all_(LOCKED, passes=(EARTH,)), BY_VERIFYING),
    # of the bay's leads
    "swapped-leads": Row(all_(FAIL, passes=(GAUGE,)), all_(FAIL, passes=(GAUGE,)), NOT_IN_THE_WAY),
    "test-lead-off": Row(all_(PASS, fails=(EARTH,), locks=(WITHSTAND,)), all_(PASS, fails=(EARTH,), locks=(WITHSTAND,)),
                         NOT_IN_THE_WAY),
    "dead-sense-lead": Row(all_(PASS, fails=(EARTH, HEATER)), all_(PASS, fails=(EARTH, HEATER)), NOT_IN_THE_WAY),
    "earthed-pallet": Row(all_(PASS, fails=(EARTH, WITHSTAND)), all_(PASS, fails=(EARTH, WITHSTAND)), NOT_IN_THE_WAY),
}

OF_SOURCES = ("stuck", "stuck-silent")
OF_THE_BAY = ("swapped-leads", "test-lead-off", "dead-sense-lead", "earthed-pallet")
FALSE_READINGS = ("drifted", "noisy", "overloaded", *OF_THE_BAY)
"""Under these an instrument reads what is not so, or the unit is not as it was; all others leave every reading as it is."""

WRONG_SCALES: dict[str, tuple[tuple[str, str], ...]] = {
    # place: what its driver page says, and what stands there instead; nothing on the wire can tell
    EARTH: (("{resistance:ohm}", "{resistance:mohm}"), ("{current:A}", "{current:mA}"),
            ("current: {in: A, from: 1 A", "current: {in: mA, from: 1 A")),
    HEATER: (("{resistance:ohm}", "{resistance:kohm}"), ("{resistance:ohm}", "{resistance:mohm}")),
    WITHSTAND: (("{voltage:V}", "{voltage:kV}"), ("{current_total:A}", "{current_total:mA}"),
                ("voltage: {in: V,", "voltage: {in: kV,")),
    FAN_SOURCE: (("{volts:V}", "{volts:mV}"), ("{hertz:Hz}", "{hertz:kHz}"),
                 ("volts: {in: V, from: 10 V", "volts: {in: kV, from: 10 V")),
    FAN_METER: (("{current_rms:A}", "{current_rms:mA}"), ("{current_rms:A}", "{current_rms:kA}")),
    INPUT_SOURCE: (("{hertz:Hz}", "{hertz:kHz}"), ("volts: {in: V, from: 10 V", "volts: {in: kV, from: 10 V")),
    GAUGE: (("{pressure:Pa}", "{pressure:mbar}"), ("{pressure:Pa}", "{pressure:kPa}"), ("{air:Pa}", "{air:mbar}"),
            ("{air:Pa}", "{air:kPa}")),
    INPUT_METER: (("{watts:W}", "{watts:kW}"), ("{current_rms:A}", "{current_rms:mA}"), ("{volts:V}", "{volts:kV}")),
}

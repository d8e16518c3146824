"""What a station's known loads and reference meters can show of its instruments, and what they cannot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from eolseq.station.file import Station
    from eolseq.station.reference_fields import ReferenceMeter

BY_KNOWN_LOADS = frozenset({"residual_meter", "resistance_meter", "continuity_tester", "power_source", "power_meter",
                            "current_meter", "withstand_tester", "switching_unit", "guard_unit"})
"""Roles that known loads show to be good, relays and guard with them."""

BY_REFERENCE = {"airflow_meter": "airflow", "pressure_gauge": "pressure"}
"""Roles that nothing but a reference meter shows to be good, with what it must measure."""

_ADD = "Add a reference meter for it, or have it calibrated before 'calibrated_until'; see 'eolseq manual checks'."
_TAP = ("Give a known load for continuity a tap, or have 0 V measured across a shunt after OFF at each calibration; "
        "see 'eolseq manual checks'.")


def reference_for(station: Station, measures: str) -> ReferenceMeter | None:
    """The station's reference meter for frequency, airflow or pressure, if it has one."""
    return next((each for each in station.reference_meters if each.measures == measures), None)


def verifiable(station: Station, role: str) -> bool:
    """Whether known loads or reference meters of this station can show that an instrument of a role is good."""
    measures = BY_REFERENCE.get(role)
    return role in BY_KNOWN_LOADS or (measures is not None and reference_for(station, measures) is not None)


def seen_off(station: Station) -> bool:
    """Whether a known load has a tap, at which a continuity tester's output is seen on and seen off."""
    return any(each.tap for each in station.known_loads)


def off_not_shown(name: str) -> str:
    """What is not shown of a continuity tester by this name where nothing has a tap, with what to do."""
    return f"Verification does not show that the output of {name} really goes off. {_TAP}"


def not_shown(station: Station, roles: Mapping[str, str]) -> list[str]:
    """What no known load and no reference meter of this station shows, each as a sentence with what to do.

    ``roles``: role by name of all instruments.
    """
    found = []
    for name, role in roles.items():
        if role == "continuity_tester" and not seen_off(station):
            found.append(off_not_shown(name))
        if role == "power_source" and reference_for(station, "frequency") is None:
            found.append(f"Verification does not show the frequency of {name}. {_ADD}")
        elif not verifiable(station, role):
            found.append(f"Verification does not show whether {name} is good. {_ADD}")
        elif role == "pressure_gauge":
            found.append(f"Verification shows the pressure of {name}, not its air and temperature. Have those "
                         "calibrated before 'calibrated_until'.")
    return found

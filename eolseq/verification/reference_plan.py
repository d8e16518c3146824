"""What reference meters of a station can show: the steps for frequency, the run of its own for airflow, the gauge."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from eolseq.errors import Refused
from eolseq.quantity import Quantity, parse
from eolseq.station.file import Station
from eolseq.station.shown import reference_for
from eolseq.steps.base import Step
from eolseq.verification.plan import SUPPLY_VOLTS, Planned, plan_of
from eolseq.verification.reference_steps import ON_FOR, OnAirflow, OnFrequency
from eolseq.verification.references import References, refuse_past_due
from eolseq.verification.steps import SpanOf

HERTZ = (parse("50 Hz"), parse("60 Hz"))

FAN_CAUTIONS = (
    "The fan of what stands in the bay is supplied with mains voltage, and its wheel turns.",
    "Connect the good reference unit. Both tubes of the airflow meter and those of the reference meter end at its fan.",
)
FAN_WORDS = "Open the guard, connect the good reference unit with its fan and the tubes of {meter}, close the guard."

Fits = Callable[[str, str, Quantity], str]
"""Why an instrument by this name cannot have a setting, or an empty text."""


def frequency_steps(station: Station, chosen: Mapping[str, str], span_of: SpanOf, fits: Fits, references: References,
                    today: date) -> list[tuple[str, Step]]:
    """The steps that hold the chosen power source against a counter, at 50 and 60 Hz where both are allowed.

    ``chosen``: role by name. None where the station has no counter; Refused when it is past due.
    """
    meter = reference_for(station, "frequency")
    load = next((each for each in station.known_loads if each.use == "supply"), None)
    if meter is None or load is None:
        return []
    volts = min(SUPPLY_VOLTS, Decimal(repr(station.ceilings.volts)))
    found: list[tuple[str, Step]] = []
    for name in (name for name, role in chosen.items() if role == "power_source"):
        refuse_past_due(meter, today)
        why = load.refusal(volts, ON_FOR.base)
        if why:
            raise Refused(why, "Nothing was energised. Take a known load that is rated for it.")
        found += [(name, OnFrequency(
            name=f"{name} at {hertz} by {meter.name}", instrument=name, role="power_source", span_of=span_of,
            meter=meter, references=references, load=load, volts=Quantity(volts, "V"), hertz=hertz))
            for hertz in HERTZ if not fits(name, "hertz", hertz) and meter.covers(hertz.base)]
    return found


def airflow_plan(station: Station, name: str, span_of: SpanOf, references: References, today: date) -> Planned:
    """The one step that holds an airflow meter, as a run of its own; Refused when it may not be taken now."""
    meter = reference_for(station, "airflow")
    if meter is None or meter.fan is None:
        raise Refused(f"{name} cannot be verified: the station file names no reference meter for airflow.",
                      "Add one under 'reference_meters'; see 'eolseq manual checks'.")
    refuse_past_due(meter, today)
    if float(meter.fan.volts) > station.ceilings.volts:
        raise Refused(f"The fan would get {meter.fan.volts}, above this station's ceiling.",
                      "Have 'fan' of the reference meter corrected.")
    step = OnAirflow(name=f"{name} by {meter.name}", instrument=name, role="airflow_meter", span_of=span_of,
                     meter=meter, references=references, fan=meter.fan)
    return plan_of(station, [(name, step)], FAN_CAUTIONS)


def cautions_of(steps: Iterable[tuple[str, Step]]) -> tuple[str, ...]:
    """What must have been done before the guard is closed, each said once."""
    found: list[Any] = [getattr(step, "caution", "") for _, step in steps]
    return tuple(dict.fromkeys(each for each in found if each))

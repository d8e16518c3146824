"""The control signal of an electronically commutated motor: what it is, what puts it on, and how long it takes.

The station's wiring makes the signal, and a relay of the station or the part's own coil puts it on; the program waits
until the motor has followed it before it takes the current as settled.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from eolseq.quantity import Quantity, nearest, parse
from eolseq.shape import Amount, Field, Findings, Group, Item, Parsed, Text
from eolseq.steps.fields import NAME

_SIGNALS = ("V", "A", "%", "Hz")
_SIGNAL = "a value such as '7.5 V', '12 mA' or '80 %'"


def read_signal(text: str) -> Quantity:
    """The control signal of an electronically commutated motor, in V, A, % or Hz; ValueError with a sentence."""
    signal = parse(text)
    if signal.dimension not in _SIGNALS:
        raise ValueError(f"'{text}' is no control signal")
    return signal


CONTROL = Field(Group({
    "signal": Field(Parsed(read_signal, _SIGNAL, dimensions=_SIGNALS),
                    about="the signal for which the band holds, such as '7.5 V'"),
    "by": Field(Text(40, NAME, "a part under 'closed'"), about="the closed part that puts it on the motor"),
    "settles_in": Field(Amount("s", above=Decimal(0), at_most=Decimal(120)),
                        about="how long after ON the motor needs to follow it"),
}, "the control"), required=False, about="the control signal of an electronically commutated motor")


class Control(NamedTuple):
    """The control signal of an electronically commutated motor, the part that puts it on, and the time (s) it takes."""

    signal: Quantity
    by: str
    settles_in: Quantity


def read_control(item: Item | None) -> Control | None:
    """The control of a checked group of fields, or None."""
    return None if item is None else Control(item["signal"], item["by"], item["settles_in"])


def check_control(item: Item, findings: Findings) -> None:
    """Note a control signal that nothing puts on, or that leaves no time to settle."""
    control, connections, settled = (item.get(key) for key in ("control", "connections", "settled"))
    if control is None or connections is None or settled is None:
        return
    parts = [part["part"] for part in connections["closed"] or () if part is not None]
    if control["by"] is not None and control["by"] not in parts:
        findings.add(control.place_of("by"), f"'{control['by']}' is not closed in this step", "a part under 'closed'",
                     nearest(control["by"], [part for part in parts if part]))
    times = (control["settles_in"], settled["over"], settled["within"])
    if all(each is not None for each in times) and times[2].base <= times[0].base + times[1].base:
        findings.add(settled.place_of("within"), f"settled within {times[2]}, and the motor follows its control only "
                     f"after {times[0]}", "more than that and 'over' together")

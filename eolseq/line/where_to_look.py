"""Where to look when a step rejects a unit, by the kind of step and by how its reading lay: common practice, no source.

A sequence says it better with ``look_at``, since its writer knows the product; that comes first on a ticket.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

Way = Literal["above", "below", "none"]
"""How a reading lay: above its band, below it, or without a number."""

_ABOVE, _BELOW, _NONE = "above", "below", "none"

HINTS: Mapping[tuple[str, str], str] = {
    ("ground_continuity", _ABOVE): "The bond at this point: loose screw, bad crimp, paint under the terminal, washer "
                                   "missing. Then the fixture's clip and lead.",
    ("ground_continuity", _BELOW): "The fixture: leads that touch each other, or a clip on the earth terminal itself.",
    ("ground_continuity", _NONE): "Is the part bonded at all? Then the earth terminal, the clip and the lead.",
    ("dielectric_withstand", _ABOVE): "Insulation: a pinched or bared wire, moisture, chips of metal, a cracked "
                                      "element end; first where live wires pass through metal.",
    ("dielectric_withstand", _BELOW): "Too little current for a unit that is connected: a lead is off, a stage did not "
                                      "close, or neutral is not tied to line.",
    ("dielectric_withstand", _NONE): "Breakdown: look for a burn mark, a pinched wire, a cracked element end.",
    ("heater_resistance", _ABOVE): "A loose or missing connection of this stage, its contactor, or an element of less "
                                   "power.",
    ("heater_resistance", _BELOW): "An element of more power, turns that touch, or two stages connected as one.",
    ("heater_resistance", _NONE): "An open element, a lead that is off, or a contactor that did not close.",
    ("motor_current", _ABOVE): "The wheel rubs or is blocked, wrong tap, wrong capacitor or motor, something loose in "
                               "the air way.",
    ("motor_current", _BELOW): "A winding lead off, wrong tap or motor, capacitor off, outlet closed.",
    ("motor_current", _NONE): "The rotor may be locked: turn the wheel by hand, with the supply off.",
    ("power_input", _ABOVE): "An element of more power, two stages where one belongs, the fan's tap.",
    ("power_input", _BELOW): "A stage that does not close or an element that is open or of less power.",
    ("power_input", _NONE): "A short or an open circuit: element, contactor, terminal block.",
    ("insulation_resistance", _BELOW): "Moisture, dirt or a damaged wire at a live part.",
    ("leakage_current", _ABOVE): "Moisture in an element, a filter capacitor of the wrong value, a pinched wire.",
    ("holding_pressure", _BELOW): "A leak: joints, valve core, the hose of the gauge; or too little was charged.",
    ("holding_pressure", _ABOVE): "Too much was charged, or the temperature was taken in the wrong place.",
}

_READINGS: Mapping[str, str] = {
    "residual": "The bleeder across the filter capacitor: missing, open or of the wrong value. DANGER: the capacitor "
                "may hold charge; prove it dead first.",
    "direction": "The fan turns the wrong way: two leads of its winding are exchanged.",
    "airflow": "The fan's direction, its wheel, and whether the air way is open.",
}
_ANY = "What this step connects: terminals, leads and parts in its way; the record has the connections."


def where_to_look(kind: str, reading: str, way: Way) -> str:
    """One sentence for the person who repairs, by kind of step, name of the reading, and how it lay."""
    for part, words in _READINGS.items():
        if part in reading:
            return words
    return HINTS.get((kind, way), _ANY)

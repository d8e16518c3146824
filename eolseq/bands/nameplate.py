"""Every way to work a band out, by what the band is for: the forms a sequence may use under ``from``."""

from __future__ import annotations

from collections.abc import Mapping

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.bond import BOND
from eolseq.bands.charge import CHARGE
from eolseq.bands.elements import ELEMENTS
from eolseq.bands.idle import CAPACITOR, IDLE
from eolseq.bands.motor import MOTOR
from eolseq.bands.paths import PATHS
from eolseq.bands.plate_current import PLATE_CURRENT
from eolseq.bands.power import POWER
from eolseq.bands.reference import reference
from eolseq.bands.settings import RESIDUAL, SETTING
from eolseq.bands.withstand import WITHSTAND_CURRENT, WITHSTAND_TIME, WITHSTAND_VOLTAGE
from eolseq.bands.working import Around, Form, Worked, Working
from eolseq.errors import FileMistakes
from eolseq.shape import Field, Findings, Group, Item, Text

WRITTEN = "written"

_GIVES = Field(Text(80), required=False, default="", about="what it works out to, such as '17.84 ohm to 20.81 ohm'; "
               "another result is a mistake")


def _pinnable(form: Form) -> Form:
    """The form with a key for its result, so that a file can hold its own limits to a later program's rows."""
    return form._replace(fields=Group({**form.fields.fields, "gives": _GIVES}, form.fields.name))


_FORMS: Mapping[str, Mapping[str, Form]] = {
    "holding_pressure": {"charge": CHARGE, "units": reference("Pa")},
    "heater_resistance": {"rating": ELEMENTS, "paths": PATHS, "units": reference("ohm")},
    "ground_continuity": {"row": BOND, "units": reference("ohm")},
    "dielectric_withstand": {"capacitance": WITHSTAND_CURRENT, "units": reference("A")},
    "motor_current": {"rating": MOTOR, "units": reference("A")},
    "power_input": {"rating": POWER, "idle": IDLE, "units": reference("W")},
    "power_input amps": {"rating": PLATE_CURRENT, "capacitor": CAPACITOR, "units": reference("A")},
    "applied": {"setting": SETTING},
    "applied voltage": {"setting": SETTING, "row": WITHSTAND_VOLTAGE},
    "applied time": {"setting": SETTING, "row": WITHSTAND_TIME},
    "residual": {"row": RESIDUAL},
}

FORMS: Mapping[str, Mapping[str, Form]] = {
    purpose: {word: _pinnable(form) for word, form in forms.items()} for purpose, forms in _FORMS.items()}
"""What a band is for -> the word under ``from`` -> the form. A kind of step not named here takes written bands only."""


def forms_for(purpose: str) -> Mapping[str, Form]:
    """The forms of a kind of step, of ``residual``, or of something under ``applied``."""
    return FORMS.get(purpose, FORMS["applied"] if purpose.startswith("applied") else {})


def worked_out(item: Item, purpose: str, around: Around, findings: Findings) -> Item | None:
    """The same fields with limits, basis and ``working`` added; None, with the mistake noted, if that cannot be."""
    form = forms_for(purpose)[item["from"]]
    try:
        band, working = form.work_out(item, around)
    except FileMistakes as error:
        findings.mistakes += error.mistakes
        return None
    except ArithmeticError:  # decimal's own limits: 28 digits, and what no product has
        findings.add(item.place, "numbers out of all proportion to each other", "values that a product can have")
        return None
    if band.at_least is not None and band.at_most is not None and band.at_least.base > band.at_most.base:
        findings.add(item.place, f"rounding leaves nothing between {band.at_least} and {band.at_most}", "wider limits")
        return None
    if item["gives"] and item["gives"] != str(band):
        findings.add(item.place_of("gives"), f"the band works out to {band}", f"that, and not '{item['gives']}'; look "
                     "at the inputs, or at what changed in the rows")
        return None
    return item.replaced(at_least=band.at_least, at_most=band.at_most, basis=band.basis, working=working)


def of_item(item: Item) -> Worked:
    """The band of checked fields and how it was worked out; a written one is its own basis."""
    band = AcceptanceBand(item.get("at_least"), item["at_most"], item["basis"])
    working = item.get("working")
    return Worked(band, working if isinstance(working, Working) else Working(WRITTEN, (), (), ()))

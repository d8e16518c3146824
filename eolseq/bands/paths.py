"""Parallel paths: what lies beside an element and is measured with it, and the band of such paths alone.

A fan winding or a transformer primary across an element lowers what a meter reads; it is stated, worked out and shown.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.alloys import WINDINGS, winding_factor
from eolseq.bands.tolerances import PERCENT, PERCENT_BELOW, SOURCE
from eolseq.bands.working import Around, Form, Source, Worked, Working, limits, refuse, rounding, share, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, ListOf, Text, Word

COLD = Quantity(Decimal(20), "degC")
_ZERO = Decimal(0)
TEMPERATURE = Amount("degC", at_least=Decimal(-60), at_most=Decimal(1400))

PATH = {
    "name": Field(Text(40), about="what it is, such as 'fan winding'"),
    "resistance": Field(Amount("ohm", above=_ZERO), about="its resistance, such as '60 ohm'"),
    "above": Field(PERCENT, about="how much more it may be"),
    "below": Field(PERCENT_BELOW, about="how much less it may be"),
    "winding": Field(Word(tuple(WINDINGS)), required=False, about="metal of a winding, with the constant to go by"),
    "at": Field(TEMPERATURE, required=False, about="the temperature its resistance is given for, if it is a winding"),
    "source": Field(SOURCE, about="where its resistance comes from"),
}
MEASURED_AT = Field(TEMPERATURE, required=False, default=COLD, about="the temperature when measured, else 20 degC")


class Path(NamedTuple):
    """Lowest and highest resistance (ohm) of one path at the temperature when measured."""

    name: str
    low: Decimal
    high: Decimal
    words: str
    sources: tuple[Source, ...]


def read_path(item: Item, measured_at: Quantity) -> Path:
    """One path, a winding corrected to the temperature (degC) when measured; FileMistakes if that is not said."""
    by = stated(item["source"])
    value, words = item["resistance"].base, f"{item['name']} {item['resistance']}"
    sources: tuple[Source, ...] = (by,)
    if item["winding"] is not None:
        if item["at"] is None:
            raise refuse(item, "winding", "a winding without the temperature its resistance is given for", "'at'")
        factor = winding_factor(item["winding"], item["at"], measured_at)
        constant = WINDINGS[item["winding"]].constant
        value *= factor
        words += (f" at {item['at']} x ({constant} + {measured_at.value:f}) / ({constant} + {item['at'].value:f})"
                  f" = {told(value, 'ohm')} at {measured_at}")
        sources = (by, WINDINGS[item["winding"]].source)
    elif item["at"] is not None:
        raise refuse(item, "at", "a temperature for what is no winding", "'winding' beside it")
    low, high = value * (1 - share(item["below"])), value * (1 + share(item["above"]))
    words += f", -{item['below']} +{item['above']}: {told(low)} to {told(high, 'ohm')}"
    return Path(item["name"], low, high, words, sources)


def parallel(*resistances: Decimal) -> Decimal:
    """Resistances side by side (ohm)."""
    return 1 / sum((1 / each for each in resistances), _ZERO)


FIELDS = Group({
    "from": Field(Word(("paths",)), about="paths: what is left between the terminals, side by side"),
    "paths": Field(ListOf(Group(PATH, "the path"), 1, 12), about="every path between the terminals"),
    "measured_at": MEASURED_AT,
}, "the band from paths")


def _work_out(item: Item, _: Around) -> Worked:
    paths = [read_path(each, item["measured_at"]) for each in item["paths"]]
    low, high = parallel(*(each.low for each in paths)), parallel(*(each.high for each in paths))
    sources = tuple(dict.fromkeys(source for each in paths for source in each.sources))
    working = Working("paths", (("measured at", str(item["measured_at"])),
                                *((each["name"], str(each["resistance"])) for each in item["paths"])),
                      (*(each.words for each in paths),
                       "side by side: 1 / (" + " + ".join(f"1/{told(each.low)}" for each in paths)
                       + f") = {told(low, 'ohm')} to 1 / (" + " + ".join(f"1/{told(each.high)}" for each in paths)
                       + f") = {told(high, 'ohm')}"), sources)
    return _with_rounding(low, high, working)


def _with_rounding(low: Decimal, high: Decimal, working: Working) -> Worked:
    band = limits(low, high, "ohm", working.basis)
    formula = (*working.formula, *rounding(low, high, band))
    return Worked(band, Working(working.form, working.inputs, formula, working.sources, working.notes))


PATHS = Form("what is left between the terminals when every stage is open, side by side", FIELDS, _work_out)

"""Input current from the plate: the amps a product may take at its rated voltage, with the fan running.

At one voltage the current of a product that mostly heats goes as its power, so the tolerance of the power is its own.
"""

from __future__ import annotations

from decimal import Decimal

from eolseq.bands.tolerances import TOLERANCE, read_tolerance
from eolseq.bands.working import Around, Form, Worked, Working, limits, refuse, rounding, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, Word

FIELDS = Group({
    "from": Field(Word(("rating",)), about="rating: the current on the plate"),
    "current": Field(Amount("A", above=Decimal(0)), required=False, about="the rated current of what is measured, "
                     "else the unit's"),
    "tolerance": TOLERANCE,
}, "the band from the rating")


def _work_out(item: Item, around: Around) -> Worked:
    current: Quantity | None = item["current"] or around.rated("current")
    if current is None:
        raise refuse(item, "current", "no rated current", "'current', or the unit's rated current")
    supply, rated = around.step["volts"], around.rated("voltage")
    if rated is None or supply.base != rated.base:
        raise refuse(item, "current", f"the plate's current holds at {rated}, and the step supplies {supply}",
                     "the rated voltage, or limits written out")
    tolerance = read_tolerance(item["tolerance"], current.base * rated.base)
    low, high = (current.base * (1 + part / 100) for part in (-tolerance.below, tolerance.above))
    working = Working("rating", (("rated current", str(current)), ("rated voltage", str(rated))),
                      (tolerance.words, f"the current goes as the power: {current} -{told(tolerance.below)} % "
                       f"+{told(tolerance.above)} %: {told(low)} to {told(high, 'A')}"), tolerance.sources)
    band = limits(low, high, "A", working.basis)
    return Worked(band, working._replace(formula=(*working.formula, *rounding(low, high, band))))


PLATE_CURRENT = Form("the current on the plate", FIELDS, _work_out)
"""The form of a power input step's ``amps``."""

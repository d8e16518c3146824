"""Input power from the plate rating: the watts a product may take at its rated voltage, with the fan running."""

from __future__ import annotations

from decimal import Decimal

from eolseq.bands.tolerances import SOURCE, TOLERANCE, read_tolerance
from eolseq.bands.working import Around, Form, Source, Standing, Worked, Working, limits, refuse, rounding, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, Word

_ZERO = Decimal(0)
_SQUARE = Source("IEC 60335-1 5.8.4, power goes as the square of the voltage from the mean of the marked range",
                 Standing.SECOND_HAND)

FIELDS = Group({
    "from": Field(Word(("rating",)), about="rating: the power on the plate"),
    "power": Field(Amount("W", above=_ZERO), required=False, about="the rated power that is measured, else the unit's"),
    "marked": Field(Group({
        "at_least": Field(Amount("V", above=_ZERO), about="its lowest voltage, such as '220 V'"),
        "at_most": Field(Amount("V", above=_ZERO), about="its highest voltage, such as '240 V'"),
    }, "the marked range"), required=False, about="a range of voltages on the plate; the power is for its mean"),
    "heating": Field(Group({"source": Field(SOURCE, about="why heating alone counts")}, "heating"), required=False,
                     about="the power is heating, so it goes as the square of the voltage where the step's differs"),
    "tolerance": TOLERANCE,
}, "the band from the rating")


def _work_out(item: Item, around: Around) -> Worked:
    power: Quantity | None = item["power"] or around.rated("power")
    if power is None:
        raise refuse(item, "power", "no rated power", "'power', or the unit's rated power")
    watts, lines, sources = _at_the_supply(item, around, power)
    whole = around.rated("power") or power
    tolerance = read_tolerance(item["tolerance"], whole.base)
    low, high = watts * (1 - tolerance.below / 100), watts * (1 + tolerance.above / 100)
    band = limits(low, high, "W", Working("rating", (), (), (*tolerance.sources, *sources)).basis)
    formula = (*lines, tolerance.words, f"{told(watts)} x {told(1 - tolerance.below / 100)} to {told(watts)} x "
               f"{told(1 + tolerance.above / 100)}: {told(low)} to {told(high, 'W')}", *rounding(low, high, band))
    inputs = (("rated power", str(power)), ("rated voltage", str(around.rated("voltage"))),
              ("supply in the step", str(around.step.get("volts"))),
              ("tolerance", f"+{told(tolerance.above)} % -{told(tolerance.below)} %"))
    return Worked(band, Working("rating", inputs, formula, (*tolerance.sources, *sources)))


def _at_the_supply(item: Item, around: Around, power: Quantity) -> tuple[Decimal, tuple[str, ...], tuple[Source, ...]]:
    """The watts at the step's voltage, the lines on it, and the sources; FileMistakes where nobody says how."""
    supply: Quantity | None = around.step.get("volts")
    rated = around.rated("voltage")
    if item["marked"] is not None:
        mean = (item["marked"]["at_least"].base + item["marked"]["at_most"].base) / 2
        if supply is None:
            raise refuse(item, "marked", "a marked range in a step without a supply voltage", "'volts' in the step")
        watts = power.base * (supply.base / mean) ** 2
        return watts, (f"{power} at the mean {told(mean, 'V')}: x ({supply.value:f} / {told(mean)})^2 = "
                       f"{told(watts, 'W')}",), (_SQUARE,)
    if supply is None or rated is None or supply.base == rated.base:
        return power.base, (), ()
    if item["heating"] is None:
        raise refuse(item, "power", f"the rating is for {rated}, and the step supplies {supply}",
                     "the rated voltage, or 'heating' with a source where only elements are measured")
    watts = power.base * (supply.base / rated.base) ** 2
    return watts, (f"{power} x ({supply.value:f} / {rated.value:f})^2 = {told(watts, 'W')}",), \
        (stated(item["heating"]["source"]),)


POWER = Form("the power on the plate", FIELDS, _work_out)

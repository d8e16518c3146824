"""The pressure that a closed, gas-filled part must still have: from its charge, less the loss that is allowed.

The limits are absolute pressures at the reference temperature of the step. What is not known of the charge could hide
a loss as large, so it narrows the lower limit; it widens the upper one, for no more can be in it than was charged.
"""

from __future__ import annotations

from decimal import Decimal

from eolseq.bands.tolerances import SOURCE
from eolseq.bands.working import Around, Form, Worked, Working, limits, refuse, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, Word

_PASCALS = Amount("Pa", above=Decimal(0), at_most=Decimal(10_000_000))

FIELDS = Group({
    "from": Field(Word(("charge",)), about="charge: the pressure it was charged to, less what it may have lost"),
    "pressure": Field(_PASCALS, about="the charge as a gauge shows it at the reference temperature, such as '10 bar'"),
    "air": Field(Amount("Pa", at_least=Decimal(50_000), at_most=Decimal(110_000)),
                 about="the air's own pressure that this gauge reading is above, such as '1013 mbar'"),
    "loss": Field(_PASCALS, about="the loss that still passes, such as '200 mbar'"),
    "uncertainty": Field(_PASCALS, about="how far charge, gas temperature and air may be off together, in pressure; "
                         "the gauge's own accuracy comes on top by the decision rule"),
    "source": Field(SOURCE, about="where charge, loss and uncertainty come from"),
}, "the band of a charge")


def kelvin(celsius: Quantity) -> Decimal:
    """The absolute temperature in K (SI brochure, 9th edition, 2.3.1)."""
    return celsius.base + Decimal("273.15")


def at_reference(gauge: Decimal, air: Decimal, temperature: Quantity, reference: Quantity) -> Decimal:
    """The absolute pressure in Pa that gas in a closed part would have at the reference temperature.

    ``gauge`` and ``air`` are in Pa; the ideal gas law at constant volume and amount: p / T stays as it is.
    """
    return (gauge + air) * kelvin(reference) / kelvin(temperature)


def _work_out(item: Item, around: Around) -> Worked:
    pressure, air, loss, unsure = item["pressure"], item["air"], item["loss"], item["uncertainty"]
    charge = pressure.base + air.base
    low, high = charge - loss.base + unsure.base, charge + unsure.base
    if unsure.base >= loss.base:
        raise refuse(item, "uncertainty", f"an uncertainty of {unsure} hides a loss of {loss}",
                     f"less than {loss}: a better gauge, or a larger loss if that is safe")
    if loss.base >= charge:
        raise refuse(item, "loss", f"a loss of {loss} is more than was charged", f"less than {told(charge, 'Pa')}")
    source = stated(item["source"])
    band = limits(low, high, "Pa", "", exact=True)
    working = Working("charge", (("charge", f"{pressure} above air of {air}"), ("allowed loss", str(loss)),
                                 ("uncertainty", str(unsure)),
                                 ("reference temperature", str(around.step["reference"]))),
                      (f"{pressure} + {air} = {told(charge / 100_000, 'bar', 7)} absolute",
                       f"- {loss} + {unsure}: at least {band.at_least}", f"+ {unsure}: at most {band.at_most}"),
                      (source,))
    return Worked(limits(low, high, "Pa", working.basis, exact=True), working)


CHARGE = Form("the pressure of a charge of gas, less the loss that is allowed", FIELDS, _work_out)

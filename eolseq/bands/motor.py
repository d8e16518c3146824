"""A motor's running current from its nameplate, at a stated outlet condition, speed and tap.

No rule is published for how the current of a permanent-split-capacitor fan motor follows the supply. Only a rule that
the engineer states corrects the band for the volts measured during the test.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from eolseq.bands import full_load
from eolseq.bands.band import AcceptanceBand
from eolseq.bands.tolerances import PERCENT, PERCENT_BELOW, SOURCE
from eolseq.bands.working import Around, Form, Worked, Working, limits, refuse, rounding, share, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, Number, Text, Word

NO_RULE = "not corrected for the supply: no rule is published for permanent-split-capacitor fan motors, none is stated"

FIELDS = Group({
    "from": Field(Word(("rating",)), about="rating: the current on the nameplate"),
    "current": Field(Amount("A", above=Decimal(0)), about="the nameplate's current, such as '2.4 A'"),
    "above": Field(PERCENT, about="how much more a sound motor may take, such as '10 %'"),
    "below": Field(PERCENT_BELOW, about="how much less"),
    "outlet": Field(Text(80), about="condition at the air outlet for which it holds, such as 'free, grille on'"),
    "speed": Field(Text(40), about="the speed for which it holds, such as 'high'"),
    "tap": Field(Text(40), about="the tap of the winding for which it holds, such as 'black', or 'none'"),
    "source": Field(SOURCE, about="where current and tolerance come from"),
    "supply": Field(Group({
        "exponent": Field(Number(), about="current goes as the supply voltage to this power, such as 1 or -0.5"),
        "source": Field(SOURCE, about="who says so; none is published for such fan motors"),
    }, "the supply"), required=False, about="the engineer's own rule by which the band follows the volts measured"),
}, "the band from the rating")


class SupplyRule(NamedTuple):
    """The band follows the measured supply: its limits times (measured / rated) to a power that the engineer states."""

    rated: Quantity
    exponent: Decimal
    source: str

    def factor(self, measured: Decimal) -> Decimal:
        """How many times the current at rated voltage is expected at a measured voltage (V)."""
        return (measured / self.rated.base) ** self.exponent

    def corrected(self, band: AcceptanceBand, measured: Decimal) -> AcceptanceBand:
        """A band (A) that holds at rated voltage, as it holds at the measured voltage (V)."""
        factor = self.factor(measured)
        low, high = (limit.base * factor if limit is not None else None for limit in (band.at_least, band.at_most))
        words = f"x {told(factor)} for {told(measured, 'V')} measured, rule of {self.source} (stated)"
        return limits(low, high, "A", f"{band.basis}; {words}")


def supply_rule(band: Item, rated: Quantity) -> SupplyRule | None:
    """The rule of a checked band, for a rated supply voltage; None if the file states none."""
    rule = band.get("supply")
    return None if rule is None else SupplyRule(rated, rule["exponent"], rule["source"])


def _work_out(item: Item, around: Around) -> Worked:
    current, volts = item["current"].base, around.step["volts"]
    low, high = current * (1 - share(item["below"])), current * (1 + share(item["above"]))
    source = stated(item["source"])
    band = limits(low, high, "A", f"{source}; {item['outlet']}, speed {item['speed']}, tap {item['tap']}")
    inputs = (("nameplate current", str(item["current"])), ("outlet", item["outlet"]), ("speed", item["speed"]),
              ("tap", item["tap"]), ("supply", f"{volts} {around.step['hertz']}"))
    formula = (f"{item['current']} -{item['below']} +{item['above']}: {told(low)} to {told(high, 'A')}",
               *rounding(low, high, band))
    rule = item["supply"]
    if rule is not None and abs(rule["exponent"]) > 4:
        raise refuse(rule, "exponent", f"an exponent of {rule['exponent']}", "a number from -4 to 4")
    sources = (source,) if rule is None else (source, stated(rule["source"]))
    if rule is not None:
        formula = (*formula, f"during the test: x (volts measured / {volts.value:f}) ^ {rule['exponent']}, "
                   f"by {rule['source']}")
    plausible = full_load.note(item["current"], around.rated("motor"), volts)
    notes = (*((NO_RULE,) if rule is None else ()), *((plausible,) if plausible else ()))
    return Worked(band, Working("rating", inputs, formula, sources, notes))


MOTOR = Form("the current on the motor's nameplate", FIELDS, _work_out)

"""Input with nothing switched on that heats or turns: the watts of what always lies there, and a capacitor's amps."""

from __future__ import annotations

from decimal import Decimal

from eolseq.bands.paths import COLD, MEASURED_AT, PATH, read_path
from eolseq.bands.tolerances import PERCENT, PERCENT_BELOW, SOURCE
from eolseq.bands.withstand import PI
from eolseq.bands.working import Around, Form, Worked, Working, limits, rounding, share, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, ListOf, Word

WATTS_FIELDS = Group({
    "from": Field(Word(("idle",)), about="idle: what takes power although nothing is switched on"),
    "paths": Field(ListOf(Group(PATH, "the path"), 1, 12), about="every path between line and neutral"),
    "measured_at": MEASURED_AT,
    "allowance": Field(Amount("W", above=Decimal(0)), about="how many watts more are let pass, such as '20 W'; far "
                       "less than an element takes"),
    "source": Field(SOURCE, about="why so many"),
}, "the band of an idle unit")

AMPS_FIELDS = Group({
    "from": Field(Word(("capacitor",)), about="capacitor: the current of a filter capacitor shows the supply"),
    "capacitance": Field(Amount("F", above=Decimal(0)), about="between line and neutral, such as '6 uF'"),
    "above": Field(PERCENT, about="how much more it may be"),
    "below": Field(PERCENT_BELOW, about="how much less it may be"),
    "source": Field(SOURCE, about="where the capacitance and its tolerance come from"),
}, "the band of a capacitor's current")


def _watts(item: Item, around: Around) -> Worked:
    volts: Quantity = around.step["volts"]
    paths = [read_path(each, item["measured_at"] or COLD) for each in item["paths"]]
    most = sum((volts.base ** 2 / each.low for each in paths), Decimal(0))
    high = most + item["allowance"].base
    sources = (*dict.fromkeys(source for each in paths for source in each.sources), stated(item["source"]))
    working = Working("idle", (("supply in the step", str(volts)), ("allowance", str(item["allowance"])),
                               *((each["name"], str(each["resistance"])) for each in item["paths"])),
                      (*(each.words for each in paths),
                       f"{volts}^2 x (" + " + ".join(f"1/{told(each.low)}" for each in paths)
                       + f") = {told(most, 'W')}",
                       f"{told(most)} + {item['allowance']}: at most {told(high, 'W')}"), sources)
    return _with_rounding(None, high, "W", working)


def _amps(item: Item, around: Around) -> Worked:
    volts, hertz, farads = around.step["volts"], around.step["hertz"], item["capacitance"]
    amps = 2 * PI * hertz.base * farads.base * volts.base
    low, high = amps * (1 - share(item["below"])), amps * (1 + share(item["above"]))
    working = Working("capacitor", (("capacitance", str(farads)), ("supply in the step", f"{volts} {hertz}")),
                      (f"2 pi x {hertz} x {farads} x {volts} = {told(amps, 'A')}",
                       f"-{item['below']} +{item['above']}: {told(low)} to {told(high, 'A')}"),
                      (stated(item["source"]),))
    return _with_rounding(low, high, "A", working)


def _with_rounding(low: Decimal | None, high: Decimal, unit: str, working: Working) -> Worked:
    band = limits(low, high, unit, working.basis)
    lines = (*working.formula, *rounding(low, high, band))
    return Worked(band, Working(working.form, working.inputs, lines, working.sources))


IDLE = Form("what takes power although nothing is switched on", WATTS_FIELDS, _watts)
CAPACITOR = Form("the current of a capacitor between line and neutral", AMPS_FIELDS, _amps)

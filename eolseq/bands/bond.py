"""Ground continuity by a named row: highest resistance, least current, highest open-circuit voltage, lead allowance."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.tolerances import SOURCE
from eolseq.bands.working import Around, Form, Source, Standing, Worked, Working, limits, refuse, rounding, stated, told
from eolseq.shape import Amount, Field, Group, Item, Word

_ZERO = Decimal(0)


class BondRow(NamedTuple):
    """Highest resistance (ohm), least current (A) and highest open-circuit voltage (V) of a row; None: not said."""

    ohms: Decimal
    source: Source
    amps: Decimal | None = None
    open_volts: Decimal | None = None
    cord: str = "none"   # "included": the limit holds with the supply cord; "added": the cord's own is added to it


_EN_50106 = Source("EN 50106:2008, routine earth continuity", Standing.SEEN)

BOND_ROWS: Mapping[str, BondRow] = {
    "en-50106": BondRow(Decimal("0.1"), _EN_50106, Decimal(10), Decimal(12)),
    "en-50106-with-cord": BondRow(Decimal("0.2"), _EN_50106, Decimal(10), Decimal(12), "included"),
    "en-50106-cord-added": BondRow(Decimal("0.1"), _EN_50106, Decimal(10), Decimal(12), "added"),
    "ul-1086": BondRow(Decimal("0.1"), Source("UL 1086 34.1", Standing.SEEN)),
    "csa-c22-2-0-4": BondRow(Decimal("0.1"), Source("CSA C22.2 No. 0.4, 15 and 20 A circuits", Standing.FROM_MEMORY),
                             Decimal(30)),
}
"""Row -> what it says. In-service limits are none of a production line, and so are not here."""

FIELDS = Group({
    "from": Field(Word(("row",)), about="row: as a named row of a standard prints it"),
    "row": Field(Word(tuple(BOND_ROWS)), about="the row, such as en-50106"),
    "cord": Field(Amount("ohm", above=_ZERO), required=False,
                  about="resistance of the supply cord, where a row adds it"),
    "leads": Field(Amount("ohm", at_least=_ZERO), required=False,
                   about="allowance for leads that are measured with the unit, such as '5 mohm', else none"),
    "floor": Field(Amount("ohm", above=_ZERO),
                   about="the least a sound path has, which shows that leads are not shorted"),
    "source": Field(SOURCE, about="where floor and allowances come from"),
}, "the band from a row")


def _work_out(item: Item, around: Around) -> Worked:
    row, name = BOND_ROWS[item["row"]], item["row"]
    _fits(item, row, around)
    if (row.cord == "added") != item.given("cord"):
        raise refuse(item, "cord", f"the row {name} " + ("adds the cord's resistance" if row.cord == "added" else
                     "adds no cord"), "'cord'" if row.cord == "added" else "no 'cord'")
    added = [(what, item[key].base) for what, key in (("supply cord", "cord"), ("leads", "leads")) if item[key]]
    high = row.ohms + sum((value for _, value in added), _ZERO)
    sources = (row.source, stated(item["source"]))
    band = limits(item["floor"].base, high, "ohm", Working("row", (), (), sources).basis)
    sum_ = "".join(f" + {what} {told(value)}" for what, value in added)
    total = f"{sum_} = {told(high, 'ohm')}" if added else ""
    formula = (f"at most, as printed: {row.ohms} ohm{total}", f"at least: {item['floor']}, by {item['source']}",
               *rounding(item["floor"].base, high, band))
    inputs = (("row", name), ("cord", str(item["cord"] or row.cord)), ("leads", str(item["leads"] or "none")),
              ("floor", str(item["floor"])), ("current", f"{around.step['current']}, the row asks for "
               + (f"at least {row.amps} A" if row.amps is not None else "none in particular")),
              ("open-circuit voltage", f"{around.step['open_volts']}, the row allows "
               + (f"{row.open_volts} V" if row.open_volts is not None else "any")))
    return Worked(band, Working("row", inputs, formula, sources))


def _fits(item: Item, row: BondRow, around: Around) -> None:
    """FileMistakes if the step's current or open-circuit voltage is none of the row's."""
    current, volts = around.step["current"], around.step["open_volts"]
    if row.amps is not None and current.base < row.amps:
        raise refuse(item, "row", f"the row {item['row']} asks for at least {row.amps} A, and the step has {current}",
                     f"a current of {row.amps} A or more")
    if row.open_volts is not None and volts.base > row.open_volts:
        raise refuse(item, "row", f"the row {item['row']} allows {row.open_volts} V without load, and the step {volts}",
                     f"open_volts of {row.open_volts} V or less")


BOND = Form("the highest resistance of a named row, with allowances for cord and leads", FIELDS, _work_out)

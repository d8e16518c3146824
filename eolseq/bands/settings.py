"""What is put on the unit, around its setting; and the volts left after OFF, by a named row."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.tolerances import PERCENT, SOURCE
from eolseq.bands.working import (
    Around,
    Form,
    Source,
    Standing,
    Worked,
    Working,
    limits,
    refuse,
    rounding,
    share,
    stated,
    told,
)
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, Word

_SETTING_OF = {"time": "hold"}
"""What is applied -> the setting it comes from, where the two have different names."""

SETTING_FIELDS = Group({
    "from": Field(Word(("setting",)), about="setting: around what the step sets"),
    "above": Field(PERCENT, about="how much more there may be, such as '2 %'"),
    "below": Field(Amount("%", at_least=Decimal(0), at_most=Decimal(100)), about="how much less there may be"),
    "source": Field(SOURCE, about="why so much"),
}, "the band from the setting")


def _work_out(item: Item, around: Around) -> Worked:
    name = _SETTING_OF.get(around.what, around.what)
    setting: Quantity | None = around.step.get(name)
    if setting is None:
        raise refuse(item, "from", f"the step sets no {name}", "limits written out")
    low, high = setting.base * (1 - share(item["below"])), setting.base * (1 + share(item["above"]))
    source = stated(item["source"])
    band = limits(low, high, setting.dimension, str(source))
    formula = (f"{setting} -{item['below']} +{item['above']}: {told(low)} to {told(high, setting.dimension)}",
               *rounding(low, high, band))
    return Worked(band, Working("setting", ((name, str(setting)),), formula, (source,)))


SETTING = Form("so much above and below what the step sets", SETTING_FIELDS, _work_out)


class ResidualRow(NamedTuple):
    """At most so many volts so many seconds after OFF."""

    volts: Decimal
    seconds: Decimal
    source: Source


RESIDUAL_ROWS: Mapping[str, ResidualRow] = {
    "iec-60204-1": ResidualRow(Decimal(60), Decimal(5), Source("IEC 60204-1 6.2.4", Standing.SECOND_HAND)),
    "nfpa-79": ResidualRow(Decimal(60), Decimal(5), Source("NFPA 79:2024 6.5.1", Standing.SECOND_HAND)),
    "iec-60335-1-plug": ResidualRow(Decimal(34), Decimal(1), Source("IEC 60335-1 22.5", Standing.SECOND_HAND)),
}
"""Row -> what it says of the volts left."""

RESIDUAL_FIELDS = Group({
    "from": Field(Word(("row",)), about="row: as a named row of a standard prints it"),
    "row": Field(Word(tuple(RESIDUAL_ROWS)), about="the row, such as iec-60204-1"),
    "after": Field(Amount("s", above=Decimal(0), at_most=Decimal(60)), about="when after OFF, within the row's time"),
}, "the residual from a row")


def _residual(item: Item, _: Around) -> Worked:
    row = RESIDUAL_ROWS[item["row"]]
    if item["after"].base > row.seconds:
        raise refuse(item, "after", f"{item['after']} is longer than the {row.seconds} s of the row {item['row']}",
                     f"at most {row.seconds} s")
    working = Working("row", (("row", item["row"]), ("after", str(item["after"]))),
                      (f"as printed: at most {row.volts} V within {row.seconds} s; taken {item['after']} after OFF",),
                      (row.source,))
    return Worked(limits(None, row.volts, "V", working.basis, exact=True), working)


RESIDUAL = Form("the volts that a named row leaves after OFF", RESIDUAL_FIELDS, _residual)

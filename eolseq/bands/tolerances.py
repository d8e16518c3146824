"""The tolerance of a rating, by a row of a standard or as the file states it: how much above and below."""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.input_rows import INPUT_ROWS
from eolseq.bands.working import Source, refuse, stated, told
from eolseq.shape import Amount, Field, Group, Item, Text, Word

PERCENT = Amount("%", at_least=Decimal(0), at_most=Decimal(1000))
PERCENT_BELOW = Amount("%", at_least=Decimal(0), at_most=Decimal("99.9"))
SOURCE = Text(240)

TOLERANCE = Field(Group({
    "row": Field(Word(tuple(INPUT_ROWS)), required=False, about="a row of a standard that says how far it may differ"),
    "above": Field(PERCENT, required=False, about="how much more it may take, such as '5 %', where no row says so"),
    "below": Field(PERCENT_BELOW, required=False, about="how much less, such as '10 %', where the row says nothing"),
    "source": Field(SOURCE, required=False, about="where the percentages that no row gives come from"),
}, "the tolerance"), about="how far the input may differ from its rating")


class Tolerance(NamedTuple):
    """Percent above and below, with a line of words and the sources."""

    above: Decimal
    below: Decimal
    words: str
    sources: tuple[Source, ...]


def read_tolerance(item: Item, rated: Decimal) -> Tolerance:
    """The tolerance at a rated power (W); FileMistakes if it is not said on both sides, or said twice."""
    if item["row"] is None:
        return _stated(item)
    row = INPUT_ROWS[item["row"]]
    here = row.class_of(rated)
    if item.given("above"):
        raise refuse(item, "above", f"the row {item['row']} already says how much more", "no 'above' beside it")
    if here.below is not None and item.given("below"):
        raise refuse(item, "below", f"the row {item['row']} already says how much less", "no 'below' beside it")
    above = here.above_percent(rated)
    words = f"{row.source.text}, at {told(rated, 'W')}: +{told(above)} %"
    if here.below is not None:
        return Tolerance(above, here.below, f"{words}, -{told(here.below)} %", (row.source,))
    if item["below"] is None or item["source"] is None:
        raise refuse(item, "row", f"the row {item['row']} says nothing of how much less a product of "
                     f"{told(rated, 'W')} may take", "'below' and its 'source' beside the row")
    below = item["below"].base
    return Tolerance(above, below, f"{words}; -{told(below)} % by {item['source']}",
                     (row.source, stated(item["source"])))


def _stated(item: Item) -> Tolerance:
    for key in ("above", "below", "source"):
        if item[key] is None:
            raise refuse(item, key, f"a tolerance without a row and without '{key}'",
                         "'row', or 'above', 'below' and 'source'")
    above, below = item["above"].base, item["below"].base
    return Tolerance(above, below, f"+{told(above)} %, -{told(below)} % by {item['source']}",
                     (stated(item["source"]),))

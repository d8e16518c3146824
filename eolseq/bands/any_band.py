"""A band of a value of any kind, as the person who needs it writes it: two limits with their units."""

from __future__ import annotations

from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import UNITS, Quantity, parse
from eolseq.shape import Field, Findings, Group, Item, Parsed

_LIMIT = Parsed(parse, "a value with its unit, such as '9.8 bar'",
                dimensions=tuple(sorted({dimension for dimension, _ in UNITS.values() if dimension})))

ANY_BAND = Field(Group({
    "at_least": Field(_LIMIT, required=False, about="the lower limit of its value, such as '9.8 bar'"),
    "at_most": Field(_LIMIT, required=False, about="the upper limit of its value"),
}, "the band"), required=False, about="the band of its value; without it the stated result alone counts")


def read_any_band(item: Item | None) -> AcceptanceBand | None:
    """The band of checked fields; None where there is none."""
    return None if item is None else AcceptanceBand(item["at_least"], item["at_most"])


def check_any_band(item: Item | None, findings: Findings) -> None:
    """Note a band without limits, of two kinds, or with its limits in the wrong order."""
    if item is None:
        return
    low, high = item["at_least"], item["at_most"]
    if low is None and high is None:
        findings.add(item.place, "a band without limits", "'at_least', 'at_most' or both")
    elif low is not None and high is not None and low.dimension != high.dimension:
        findings.add(item.place_of("at_least"), f"{low} and {high} are of two kinds", "both in one kind of unit")
    elif low is not None and high is not None and low.base > high.base:
        findings.add(item.place_of("at_least"), f"at_least {low} is above at_most {high}", f"no more than {high}")


def outside(band: AcceptanceBand | None, value: Quantity | None) -> str:
    """Why a value does not lie in a band, in words; empty when it does, or where there is no band."""
    if band is None:
        return ""
    limits = [limit for limit in (band.at_least, band.at_most) if limit is not None]
    if value is None:
        return f"it gives no value, and {band} is asked for"
    if any(limit.dimension != value.dimension for limit in limits):
        return f"its value {value} cannot be held against {band}"
    low, high = band.at_least, band.at_most
    if (low is not None and value.base < low.base) or (high is not None and value.base > high.base):
        return f"its value {value} lies outside {band}"
    return ""


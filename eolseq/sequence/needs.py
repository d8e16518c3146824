"""What a sequence needs before its first step: checks made elsewhere that this very unit must have passed."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.any_band import ANY_BAND, check_any_band, read_any_band
from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Group, Item, MapOf, Text

CHECK_NAME = r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*"
CHECK_LIKE = "lower-case words with dashes, such as wiring-inspection"

NEEDS = Field(MapOf(Group({
    "within": Field(Amount("s", above=Decimal(0), at_most=Decimal(3660 * 86400)),
                    about="how old the result may be, such as '24 h' or '7 d'"),
    "band": ANY_BAND,
    "where": Field(Text(120), about="where it is made and whom to see, for a unit that lacks it"),
}, "the earlier check"), CHECK_NAME), required=False, default={},
    about="by name: checks that the unit must have passed before it is tested here; the latest result counts")


class Need(NamedTuple):
    """An earlier check that must have passed: its name, how old it may be, the band of its value, where to go."""

    check: str
    within: Quantity
    band: AcceptanceBand | None
    where: str


def read_needs(item: Mapping[str, Item]) -> tuple[Need, ...]:
    """The needs of a checked sequence file, in its order."""
    return tuple(Need(name, each["within"], read_any_band(each["band"]), each["where"]) for name, each in item.items())


def check_needs(item: Mapping[str, Item | None] | None, findings: Findings) -> None:
    """Note bands that cannot be."""
    for each in (item or {}).values():
        if each is not None:
            check_any_band(each["band"], findings)

"""What a station file says of a shift: the sequences by model, takt, scanner, rating plate, sound, whom to call."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from eolseq.shape import Amount, Count, Field, Findings, Group, Item, ListOf, MapOf, Text, YesNo
from eolseq.station.plant_fields import BREAKS
from eolseq.station.review_fields import REVIEW, ReviewRules, check_review, read_review

ROLES = ("lead", "maintenance", "quality")
"""Who can be called after a refusal."""

_SERIAL, _MODEL = "{serial}", "{model}"

SHIFT = Field(Group({
    "sequences": Field(ListOf(Text(200), 1, 60), about="the sequence files that are run here; the serial that is "
                       "scanned chooses among them"),
    "takt": Field(Amount("s", above=Decimal(0), at_most=Decimal(86400)), required=False,
                  about="the time in which the line brings one unit; for the pace on the screen"),
    "breaks": BREAKS,
    "plate": Field(Text(120), required=False, default=_SERIAL, about="what the code on a rating plate says, with "
                   "{serial} and {model} in their places"),
    "scanner": Field(Text(200, r"/dev/[A-Za-z0-9/_.:-]+", "a device such as /dev/ttyACM0"), required=False, default="",
                     about="the serial port of the scanner; without it a scanner types as a keyboard does"),
    "speed": Field(Count(300, 921_600), required=False, default=9600, about="the scanner's bits a second"),
    "sound": Field(YesNo(), required=False, default=True, about="whether the terminal's bell tells the outcome"),
    "call": Field(MapOf(Text(60), "lead|maintenance|quality"), required=False, default={},
                  about="how lead, maintenance and quality are reached, such as a telephone number"),
    "review": REVIEW,
}, "the shift"), required=False, about="what a shift at this station needs; without it there is none")


@dataclass(frozen=True)
class ShiftRules:
    """What a station asks of a shift; ``takt`` in seconds, None where none is stated."""

    sequences: tuple[str, ...]
    takt: float | None = None
    plate: str = _SERIAL
    scanner: str = ""
    speed: int = 9600
    sound: bool = True
    call: Mapping[str, str] = field(default_factory=dict)
    review: ReviewRules | None = None

    def plate_of(self, serial: str, model: str) -> str:
        """What the code on the rating plate of a unit says."""
        return self.plate.replace(_MODEL, model).replace(_SERIAL, serial)


def read_shift(item: Item | None) -> ShiftRules | None:
    """What a checked station file says of a shift; None when it says nothing."""
    if item is None:
        return None
    takt = item["takt"]
    return ShiftRules(tuple(item["sequences"]), None if takt is None else float(takt.base), item["plate"],
                      item["scanner"], item["speed"], item["sound"], dict(_words(item["call"])),
                      read_review(item["review"]))


def _words(item: Mapping[str, Any]) -> Mapping[str, str]:
    return {name: str(text) for name, text in item.items()}


def check_shift(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say: a plate without its serial would fit every unit."""
    shift = item["shift"]
    if shift is not None and _SERIAL not in shift["plate"]:
        findings.add(shift.place_of("plate"), f"'plate' without {_SERIAL} is the same on every unit",
                     f"a text such as PLATE {_SERIAL}")
    check_review(item, findings)

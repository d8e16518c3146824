"""What a station file says of checks made elsewhere: the bands of their values, and the folder where results arrive."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from eolseq.bands.any_band import ANY_BAND, check_any_band, read_any_band
from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import UNITS
from eolseq.sequence.needs import CHECK_LIKE, CHECK_NAME
from eolseq.shape import Field, Findings, Group, Item, ListOf, MapOf, Parsed, Text, Word


def _unit(text: str) -> str:
    if text not in UNITS:
        raise ValueError(f"'{text}' is not a unit known here")
    return text


_COLUMN = Text(60)
_WORDS = ListOf(Text(40), 1, 20)

SOURCE = Group({
    "files": Field(Text(80, r"[A-Za-z0-9*?][A-Za-z0-9*?._-]*\.(?:csv|jsonl)", "names such as leak-*.csv or *.jsonl"),
                   about="the names of its files; * stands for any letters. Ending in .csv or .jsonl"),
    "check": Field(Text(60, CHECK_NAME, CHECK_LIKE), required=False, default="",
                   about="the check that it makes, where its rows do not say so in a column"),
    "separator": Field(Word(("comma", "semicolon", "tab")), required=False, default="comma",
                       about="what parts the columns of a CSV file"),
    "unit": Field(Parsed(_unit, "a unit such as mbar", lambda: "|".join(map(re.escape, UNITS))),
                  required=False, default="",
                  about="the unit of its values, where they come without one"),
    "columns": Field(Group({
        "serial": Field(_COLUMN, about="the column or key with the unit's serial"),
        "result": Field(_COLUMN, about="the one with the result"),
        "made": Field(_COLUMN, about="the one with the time, ISO 8601; UTC where it names no offset"),
        "check": Field(_COLUMN, required=False, default="", about="the one with the check's name"),
        "value": Field(_COLUMN, required=False, default="", about="the one with the measured value"),
    }, "the columns"), about="what its columns, or the keys of its JSON, are called"),
    "pass": Field(_WORDS, about="the words in its result that mean pass"),
    "fail": Field(_WORDS, about="the words that mean fail; any other word sets the row aside"),
}, "the equipment")

EARLIER = Field(Group({
    "bands": Field(MapOf(Group({"band": ANY_BAND}, "the check"), CHECK_NAME), required=False, default={},
                   about="by check: the band that its value is held against as it comes in"),
    "folder": Field(Text(200), required=False, default="", about="the folder where files of other equipment arrive"),
    "equipment": Field(MapOf(SOURCE, r"[a-z][a-z0-9-]{0,39}"), required=False, default={},
                       about="by name: which files in the folder are whose, and how they are read"),
}, "the earlier checks"), required=False, about="checks made elsewhere, as their results arrive here")


@dataclass(frozen=True)
class Equipment:
    """Other equipment whose files arrive; ``columns``: our name -> its own. Empty texts: it has no such column."""

    name: str
    files: str
    check: str
    separator: str
    unit: str
    columns: Mapping[str, str]
    passes: tuple[str, ...]
    fails: tuple[str, ...]


@dataclass(frozen=True)
class EarlierRules:
    """What a station knows of earlier checks: bands by check, the watched folder (empty: none), who writes there."""

    bands: Mapping[str, AcceptanceBand] = field(default_factory=dict)
    folder: str = ""
    equipment: tuple[Equipment, ...] = ()


NO_EARLIER = EarlierRules()


def read_earlier(item: Item | None) -> EarlierRules:
    """What a checked station file says of earlier checks."""
    if item is None:
        return NO_EARLIER
    bands = {name: band for name, each in item["bands"].items() if (band := read_any_band(each["band"])) is not None}
    equipment = tuple(_equipment(name, each) for name, each in item["equipment"].items())
    return EarlierRules(bands, item["folder"], equipment)


def _equipment(name: str, item: Item) -> Equipment:
    return Equipment(name, item["files"], item["check"], item["separator"], item["unit"], dict(item["columns"]),
                     tuple(item["pass"]), tuple(item["fail"]))


def check_earlier(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say: whose files, which check, and words that mean two things."""
    earlier = item["earlier"]
    if earlier is None:
        return
    for each in earlier["bands"].values():
        check_any_band(each["band"], findings)
    if bool(earlier["folder"]) != bool(earlier["equipment"]):
        findings.add(item.place_of_key("earlier"), "a folder and the equipment that writes there belong together",
                     "both 'folder' and 'equipment', or neither")
    folder, records = PurePosixPath(earlier["folder"]), PurePosixPath(item["records"])
    if earlier["folder"] and (folder == records or records in folder.parents):
        findings.add(earlier.place_of("folder"), "the folder lies in the records folder", "another folder")
    for each in earlier["equipment"].values():
        if bool(each["check"]) == bool(each["columns"]["check"]):
            findings.add(each.place, "which check a row is of must be said once",
                         "'check', or 'check' among its 'columns'")
        both = set(each["pass"]) & set(each["fail"])
        if both:
            findings.add(each.place_of("fail"), f"'{sorted(both)[0]}' means pass and fail", "each word once")

"""A register page: how one model of instrument is spoken to by Modbus, as data. Pure; nothing here touches a line.

Only roles that make no danger may have one: an output that must go off at once needs a line that takes OFF from any
task.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from eolseq.errors import FileMistakes
from eolseq.instruments.line import Line
from eolseq.instruments.page import GIVEN, SETTING, UnitName
from eolseq.instruments.page_model import DEFAULT_WITHIN
from eolseq.instruments.page_values import Values
from eolseq.instruments.port_fields import PORT_FIELDS
from eolseq.instruments.register_actions import RegisterActions
from eolseq.instruments.register_blocks import Blocks
from eolseq.instruments.register_model import BIT_TABLES, FORMS, REGISTER_TABLES, RegisterPage
from eolseq.instruments.register_scenes import REGISTER_SCENE, RegisterScenes
from eolseq.instruments.roles import ROLES
from eolseq.shape import (
    Amount,
    Count,
    Field,
    Findings,
    Group,
    Item,
    ListOf,
    MapOf,
    Number,
    Text,
    Word,
    load_file,
)

HARMLESS = tuple(name for name, role in ROLES.items() if not role.danger and name != "switching_unit")

_TIME = Amount("s", at_most=Decimal(3600), above=Decimal(0))
_NAMES = r"[a-z][a-z0-9_]{0,39}"
_TABLE = Word((*REGISTER_TABLES, *BIT_TABLES))
_AT = Count(0, 65535)
_ROW = {"table": Field(_TABLE, about="which of the four tables"),
        "at": Field(_AT, about="the first address, counted from 0")}


@dataclass(frozen=True)
class _BitPlace:
    """An address, or an address and a bit of that register; gives both, with -1 where no bit is named."""

    _PATTERN = r"0*(?:[0-9]{1,4}|[1-5][0-9]{4}|6[0-4][0-9]{3}|65[0-4][0-9]{2}|655[0-2][0-9]|6553[0-5])" \
               r"(?:\.(?:0?[0-9]|1[0-5]))?"

    def read(self, node: Any, where: Any) -> Any:
        like = "an address such as 12, or a bit of a register such as 100.3"
        text = where.scalar(node, like)
        if text is None:
            return None
        if re.fullmatch(self._PATTERN, text, re.ASCII) is None:
            return where.mistake(node, f"'{text[:40]}' is no place of a bit", like)
        address, _, bit = text.partition(".")
        return int(address), int(bit) if bit else -1

    def schema(self, _: Any) -> dict[str, Any]:
        """The same as JSON Schema; an editor may have read it as a number."""
        from eolseq.schema import whole  # only whoever asks for schemas needs it

        return {"anyOf": [{"type": "string", "pattern": whole(self._PATTERN)},
                          {"type": "number", "minimum": 0, "maximum": 65535.15}]}


_WHOLE_LIST = ListOf(Count(-(1 << 31), (1 << 32) - 1), 1, 20)
_NUMBER = {
    "as": Field(Word(tuple(FORMS)), about="how it lies in registers"),
    "in": Field(UnitName(), about="the unit of what is counted"),
    "factor": Field(Number(), False, about="what one count is, in that unit; 1 if left out"),
}

BLOCK = Group({
    **_ROW,
    "count": Field(Count(1, 2000), about="how many registers or bits are read"),
    "values": Field(MapOf(Group({
        "at": Field(_AT, about="its first register"),
        **_NUMBER,
        "none": Field(_WHOLE_LIST, False, about="counts that say there is no value"),
        "above_range": Field(_WHOLE_LIST, False, about="counts that say it is too large"),
        "below_range": Field(_WHOLE_LIST, False, about="counts that say it is too small"),
    }, "a value"), _NAMES), False, about="readings in it"),
    "flags": Field(MapOf(_BitPlace(), _NAMES), False,
                   about="flags in it"),
    "texts": Field(MapOf(Group({
        "at": Field(_AT, about="its first register"),
        "count": Field(Count(1, 125), about="how many registers, two letters in each"),
    }, "a text"), _NAMES), False, about="texts in it"),
}, "a block")

WRITE = Group({
    **_ROW,
    "as": Field(Word(tuple(FORMS)[:4]), False, about="how the setting lies in registers"),
    "in": Field(UnitName(), False, about="the unit of what is counted"),
    "factor": Field(Number(), False, about="what one count is, in that unit; 1 if left out"),
    "value": Field(Count(0, 65535), False, about="always this, where it is no setting"),
}, "a register to write")

ACTION_LINE = Group({
    "read": Field(Text(40), False, about="a block"),
    "write": Field(Text(40), False, about="a register to write"),
    "wait": Field(Text(40), False, about="a block that is read until something holds"),
    "pause": Field(_TIME, False, about="a time in which nothing is sent"),
    "until": Field(ListOf(MapOf(Word(("on", "off")), at_least=1), 1, 10), False, about="any of these holds"),
    "within": Field(_TIME, False, about="the deadline"),
    "every": Field(_TIME, False, about="between two readings"),
}, "a line of an action")

REGISTER_PAGE = Group({
    "role": Field(Word(HARMLESS), about="the part it plays"),
    "line": Field(Group({
        "words": Field(Word(("high_first", "low_first")), False, about="which half of a number of 32 bits comes first"),
        "within": Field(_TIME, False, about="the deadline of each exchange"),
        "pause": Field(_TIME, False, about="to leave before each request"),
        "open_within": Field(_TIME, False, about="for opening the line"),
        **PORT_FIELDS,
    }, "the line"), about="what its line is like"),
    "identity": Field(Group({
        "read": Field(Text(40), about="a block with the texts 'model' and 'serial'"),
        "model": Field(Text(60), about="the model this page is for"),
    }, "identity"), about="how it says who it is"),
    "takes": Field(MapOf(SETTING), False, about="what it can be set to"),
    "gives": Field(MapOf(GIVEN), False, about="what it measures"),
    "reads": Field(MapOf(BLOCK, _NAMES, 1), about="blocks that are read in one request each"),
    "writes": Field(MapOf(WRITE, _NAMES), False, about="registers that are written"),
    "does": Field(MapOf(ListOf(ACTION_LINE, 1, 50)), about="its actions, line by line"),
    "transcript": Field(ListOf(REGISTER_SCENE, 1, 100), False,
                        about="requests that the page must make, as they were seen"),
}, "the register page")
"""The keys of a register page."""


def load_register_page(path: Path) -> RegisterPage:
    """Read and check a register page; FileMistakes with everything that is wrong with it."""
    return build_register_page(*load_file(path, {"register page": REGISTER_PAGE}), str(path))


def build_register_page(item: Item, findings: Findings, source: bytes, path: str) -> RegisterPage:
    """Give the page of its checked keys; FileMistakes with everything found."""
    if item["role"] is None or item["line"] is None or item["identity"] is None:
        findings.raise_if_any()
    role = ROLES[item["role"]]
    values = _Values(item, findings, role)
    takes, gives = values.takes(), values.gives()
    blocks = Blocks(item, findings, role)
    reads, writes = blocks.reads(), blocks.writes(takes)
    within = DEFAULT_WITHIN if item["line"]["within"] is None else float(item["line"]["within"])
    actions = RegisterActions(item, findings, role, reads, writes, within)
    does, who = actions.does(), actions.who()
    scenes = RegisterScenes(item, findings, role).scenes()
    if who is None or findings.mistakes:
        raise FileMistakes(findings.mistakes)
    return RegisterPage(path=path, digest=hashlib.sha256(source).hexdigest(), role=item["role"],
                        model=item["identity"]["model"], line=_line(item["line"]), takes=takes, gives=gives,
                        who=who, low_first=item["line"]["words"] == "low_first", does=does,
                        settings=dict(role.does), within=within, transcript=scenes)


class _Values(Values):
    """Settings and readings; there is no decimal sign in a register."""

    @property
    def decimal_comma(self) -> bool:
        """Never."""
        return False


def _line(entry: Item) -> Line:
    given: dict[str, Any] = {key: entry[key] for key in entry if entry.given(key) and key not in ("words", "within")}
    for key in ("pause", "open_within"):
        if key in given:
            given[key] = float(given[key])
    return Line(**given)

"""A driver page: how one model of instrument is spoken to, as data. Pure; nothing here touches a line.

Everything wrong with a page is a mistake at its place in the file. What is left is compiled once, so that carrying an
action out costs a template, a message and one regular expression.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from eolseq.instruments.page_builder import build_page
from eolseq.instruments.page_model import Action, Ask, Given, Page, Pause, Query, Range, Send, Wait, Within
from eolseq.instruments.port_fields import PORT_FIELDS
from eolseq.instruments.roles import ROLES
from eolseq.instruments.settings import NAME, is_name
from eolseq.quantity import UNITS, Quantity, nearest, parse
from eolseq.shape import Amount, Count, Field, Group, ListOf, MapOf, Parsed, Text, Word, YesNo, load_file

__all__ = ["PAGE", "Action", "Ask", "Given", "Page", "Pause", "Query", "Range", "Send", "Wait", "Within", "load_page"]

@dataclass(frozen=True)
class UnitName:
    """The name of a unit."""

    def read(self, node: Any, where: Any) -> Any:
        text = where.scalar(node, "a unit such as V")
        if text is None or text in UNITS:
            return text
        return where.mistake(node, f"'{text}' is not a unit known here", "a unit such as V", nearest(text, UNITS))

    def schema(self, _: Any) -> dict[str, Any]:
        """The same as JSON Schema."""
        return {"enum": [unit for unit in UNITS if unit]}


@dataclass(frozen=True)
class _Deadline:
    """A time, the name of a setting that is one, or a list of these, which is their sum."""

    def read(self, node: Any, where: Any) -> Any:
        parts = node.value if where.shape_of(node) == "list" else [node]
        read = [self._part(each, where) for each in parts]
        if not parts or None in read:
            return None if parts else where.mistake(node, "an empty list", "a time such as '500 ms'")
        seconds = sum(float(each) for each in read if isinstance(each, Quantity))
        return Within(seconds, tuple(each for each in read if isinstance(each, str)))

    def _part(self, node: Any, where: Any) -> Any:
        if node.id == "scalar" and is_name(node.value):
            return str(node.value)
        return _TIME.read(node, where)

    def schema(self, of: Any) -> dict[str, Any]:
        """The same as JSON Schema; ``of`` gives that of another kind of value."""
        part = {"anyOf": [of(_TIME), {"type": "string", "pattern": f"^(?:{NAME})(?!\\n)$"}]}
        return {"anyOf": [part, {"type": "array", "items": part, "minItems": 1}]}


_QUANTITY = Parsed(parse, "a value such as '50 V'")
_TIME = Amount("s", at_most=Decimal(3600), above=Decimal(0))

LINE = Group({
    "end": Field(Word(("LF", "CR", "CRLF")), about="what ends a message and a reply"),
    "second_connection": Field(YesNo(), False, about="whether a second connection may carry OFF"),
    "echo": Field(YesNo(), False, about="whether the instrument sends every message back first"),
    "pause": Field(_TIME, False, about="to leave before each message"),
    "decimal": Field(Word(("point", "comma")), False, about="the decimal sign of numbers both ways"),
    "open_within": Field(_TIME, False, about="for opening the line"),
    **PORT_FIELDS,
}, "the line")

SETTING = Group({
    "words": Field(MapOf(Text(60), at_least=1), False, about="our word: what is sent for it"),
    "in": Field(UnitName(), False, about="the unit that the instrument expects"),
    "from": Field(_QUANTITY, False, about="the least it takes"),
    "to": Field(_QUANTITY, False, about="the most it takes"),
    "step": Field(_QUANTITY, False, about="its steps, counted from the least"),
}, "a setting")

RANGE = Group({
    "to": Field(_QUANTITY, about="where the range ends"),
    "resolution": Field(_QUANTITY, False, about="the smallest step it shows"),
    "accuracy": Field(Text(120), False, about="such as '1.5 % of reading + 5 counts'"),
}, "a range")

GIVEN = Group({
    "in": Field(UnitName(), about="the unit of the reading"),
    "ranges": Field(ListOf(RANGE, 1, 20), False, about="smallest first"),
}, "a reading")

ACTION_LINE = Group({
    "send": Field(Text(), False, about="a message without a reply"),
    "ask": Field(Text(), False, about="a message with a reply"),
    "wait": Field(Text(), False, about="a message repeated until something holds"),
    "pause": Field(_TIME, False, about="a time in which nothing is sent"),
    "reply": Field(Text(), False, about="literal text with '{name:kind}' fields"),
    "until": Field(ListOf(MapOf(Word(("on", "off")), at_least=1), 1, 10), False, about="any of these holds"),
    "within": Field(_Deadline(), False, about="a time, a setting, or a list that is their sum"),
    "every": Field(_TIME, False, about="between two repetitions"),
}, "a line of an action")

SCENE = Group({
    "does": Field(Text(40), about="'identity', or an action of the role"),
    "with": Field(MapOf(Text(60)), False, about="the settings that it is given"),
    "exchanges": Field(ListOf(Group({
        "out": Field(Text(), about="the message"),
        "in": Field(Text(), False, about="its reply, without what ends it"),
    }, "an exchange"), 1, 200), about="in their order"),
    "gives": Field(MapOf(Text(60)), False, about="the readings that the replies mean"),
    "flags": Field(ListOf(Text(40)), False, about="the flags that they set"),
    "channels": Field(ListOf(Count(1, 9999)), False, about="the closed channels that they list"),
    "fault": Field(YesNo(), False, about="whether the page must find a fault in them"),
}, "a scene")

PAGE = Group({
    "role": Field(Word(tuple(ROLES)), about="the part it plays"),
    "line": Field(LINE, about="what its line is like"),
    "identity": Field(Group({
        "ask": Field(Text(), about="'*IDN?'"),
        "reply": Field(Text(), about="with a field {model:text}"),
        "model": Field(Text(60), about="the model this page is for"),
        "within": Field(_TIME, False, about="how long it may take"),
    }, "identity"), about="how it says who it is"),
    "errors": Field(Group({
        "ask": Field(Text(), about="'SYST:ERR?'"),
        "reply": Field(Text(), about="with a field {code:integer}"),
        "none": Field(Count(-99999, 99999), about="the code that says there is none"),
        "within": Field(_TIME, False, about="how long it may take"),
    }, "errors"), False, about="how it reports errors"),
    "count": Field(Group({
        "ask": Field(Text(), about="such as 'DIAG:COUN?'"),
        "reply": Field(Text(), about="with a field {count:integer}"),
        "within": Field(_TIME, False, about="how long it may take"),
    }, "count"), False, about="how it says how many tests it has made in its life"),
    "stop": Field(Text(60), False, about="the message that turns its output off"),
    "takes": Field(MapOf(SETTING), False, about="what it can be set to"),
    "gives": Field(MapOf(GIVEN), False, about="what it measures"),
    "bits": Field(MapOf(MapOf(Text(40), names=r"[12]?[0-9]|3[01]"), names=r"[a-z][a-z0-9_]*"), False,
                  about="registers by name, and the flag of each bit"),
    "words": Field(MapOf(MapOf(Text(40), names=r"[!-~]{1,40}", at_least=1), names=r"[a-z][a-z0-9_]*"), False,
                   about="fields by name, and the flag that each word stands for"),
    "no_reading": Field(Group({
        "above_range": Field(ListOf(Text(40)), False, about="texts that say the value is too large"),
        "below_range": Field(ListOf(Text(40)), False, about="texts that say the value is too small"),
        "none": Field(ListOf(Text(40)), False, about="texts that say there is no value"),
    }, "no_reading"), False, about="texts that stand in place of a number"),
    "does": Field(MapOf(ListOf(ACTION_LINE, 1, 50)), about="its actions, line by line"),
    "transcript": Field(ListOf(SCENE, 1, 100), False, about="exchanges that the page must produce, as they were seen"),
}, "the driver page")
"""The keys of a driver page."""


def load_page(path: Path) -> Page:
    """Read, check and compile a driver page; FileMistakes with everything that is wrong with it."""
    item, findings, source = load_file(path, {"driver page": PAGE})
    return build_page(item, findings, str(path), source)

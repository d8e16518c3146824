"""A label's template: its size on paper and its parts, each a rectangle with a text or a code."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from eolseq.quantity import nearest
from eolseq.shape import Amount, Field, Findings, Group, Item, ListOf, Text, Word, YesNo, load_file

TEXT, SERIAL_CODE, RECORD_CODE = "text", "serial code", "record code"
WORDS = ("model", "serial", "ratings", "date", "station", "record", "copy")
"""What a text of a template may ask for, in braces."""
NEEDED = ("model", "serial", "ratings", "date", "station", "record")
SHIPPED = Path(__file__).resolve().parent / "templates"
"""Where the templates are that come with the program: ``unit-label.yaml``, ``carton-label.yaml``."""

LOWEST_TEXT = 1.8  # mm from line to line; what is smaller nobody reads at arm's length. Common practice, no source
_ALL_WORDS = ", ".join(f"{{{word}}}" for word in WORDS)
_ASKED = re.compile(r"\{([^{}]*)\}")
_ON_PAPER = Amount("m", at_least=Decimal(0), at_most=Decimal("0.3"))
_SIZE = Amount("m", above=Decimal(0), at_most=Decimal("0.3"))

LABEL = Group({
    "name": Field(Text(80), about="what people call this label"),
    "width": Field(_SIZE, about="the label's width on paper, such as '100 mm'"),
    "height": Field(_SIZE, about="its height"),
    "parts": Field(ListOf(Group({
        "shows": Field(Word((TEXT, SERIAL_CODE, RECORD_CODE)), about="a text, the serial as Code 128, or the record as "
                       "a QR code"),
        "says": Field(Text(120), required=False, default="", about=f"the text; {_ALL_WORDS} stand for what the record "
                      "says"),
        "left": Field(_ON_PAPER, about="how far from the label's left edge"),
        "top": Field(_ON_PAPER, about="how far from its upper edge"),
        "width": Field(_SIZE, about="how wide; a text is made smaller until it fits"),
        "height": Field(_SIZE, about="how high"),
        "bold": Field(YesNo(), required=False, default=False, about="whether the text is bold"),
    }, "the part"), 1, 40), about="what stands where on it"),
}, "the label")


@dataclass(frozen=True, slots=True)
class Part:
    """A rectangle of the label, in mm from its upper left corner, and what it shows there."""

    shows: str
    says: str
    left: float
    top: float
    width: float
    height: float
    bold: bool


@dataclass(frozen=True, slots=True)
class Template:
    """A checked template: size in mm, and parts in the order of the file."""

    name: str
    width: float
    height: float
    parts: tuple[Part, ...]


def load_template(path: Path) -> Template:
    """Read and check a template; FileMistakes with every mistake, such as a part that overlaps another."""
    item, findings, _ = load_file(path, {"label": LABEL})
    parts = [each for each in item["parts"] or () if each is not None]
    for each in parts:
        _check_part(each, findings)
    if not findings.mistakes:
        _check_whole(item, parts, findings)
    findings.raise_if_any()
    return Template(item["name"], _mm(item["width"]), _mm(item["height"]), tuple(map(_part, parts)))


def _mm(quantity: Any) -> float:
    return float(quantity.base) * 1000


def _part(item: Item) -> Part:
    return Part(item["shows"], item["says"], _mm(item["left"]), _mm(item["top"]), _mm(item["width"]),
                _mm(item["height"]), bool(item["bold"]))


def _check_part(item: Item, findings: Findings) -> None:
    is_text = item["shows"] == TEXT
    if item["shows"] is not None and is_text != item.given("says"):
        findings.add(item.place, "a text says something, a code does not", "'says' for a text, and for nothing else")
    if is_text and item["height"] is not None and _mm(item["height"]) < LOWEST_TEXT:
        findings.add(item.place_of("height"), "a text that nobody can read", f"at least {LOWEST_TEXT} mm")
    says = item["says"] or ""
    for word in _ASKED.findall(says):
        if word not in WORDS:
            findings.add(item.place_of("says"), f"'{{{word}}}' stands for nothing here",
                         ", ".join(f"{{{each}}}" for each in WORDS), nearest(word, WORDS))
    if any(sign in "{}" for sign in _ASKED.sub("", says)):
        findings.add(item.place_of("says"), "a brace that belongs to no word", "a word between braces, such as {model}")


def _check_whole(item: Item, parts: list[Item], findings: Findings) -> None:
    """What is on it, once; nothing over the edge; nothing over anything else, since that would spoil a code."""
    asked = {word for each in parts for word in _ASKED.findall(each["says"])}
    for word in (each for each in NEEDED if each not in asked):
        findings.add(item.place_of("parts"), f"no text says {{{word}}}", f"a text with {{{word}}} in it")
    for code in (SERIAL_CODE, RECORD_CODE):
        count = sum(each["shows"] == code for each in parts)
        if count != 1:
            findings.add(item.place_of("parts"), f"the {code} stands {count} times", "exactly once")
    for number, each in enumerate(parts):
        for side, start, whole in (("width", "left", item["width"]), ("height", "top", item["height"])):
            if each[start].base + each[side].base > whole.base:
                findings.add(each.place_of(side), f"the part reaches over the label's {side}", f"within {whole}")
        for other in parts[:number]:
            if _overlap(_part(each), _part(other)):
                findings.add(each.place, f"the part overlaps the one on line {other.place.line}", "room for both")


def _overlap(one: Part, other: Part) -> bool:
    return (one.left < other.left + other.width and other.left < one.left + one.width
            and one.top < other.top + other.height and other.top < one.top + one.height)

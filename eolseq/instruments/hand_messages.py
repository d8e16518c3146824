"""Messages that a person types to an instrument, held against its driver page: pure, nothing here touches a line.

A message is taken apart into its units (IEEE 488.2: parts between semicolons), each with its whole path, as SCPI-1999
volume 1 chapter 6 has it: a unit that begins with neither colon nor asterisk goes on where the one before it was.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from eolseq.instruments.page_model import Action, Ask, Page, Pause, Wait
from eolseq.instruments.settings import Setting
from eolseq.quantity import Quantity

LOOKING = ("measure", "output", "closed", "look")
"""The actions of all roles that only look; whatever else a page asks may do something."""

LONGEST_MESSAGE = 500  # characters

_MULTIPLIERS = {"": 0, "EX": 18, "PE": 15, "T": 12, "G": 9, "MA": 6, "K": 3, "M": -3, "U": -6, "N": -9, "P": -12}
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d{1,3})?)\s*([A-Z]*)", re.IGNORECASE)
_UNIT = re.compile(r"(?:OHM|HZ|V|A|S|W)$")
_BRACED = re.compile(r"\{([^{}]*)\}")


def units_of(message: str) -> tuple[str, ...]:
    """The units of a message with their whole paths, in capitals where no quoted text is, spaces squeezed."""
    path, found = "", []
    for part in _split(message):
        part = " ".join(part.split())
        head = part.split(" ", 1)[0]
        if not part:
            continue
        if not head.startswith("*"):
            part = part[1:] if part.startswith(":") else path + part
            head = part.split(" ", 1)[0]
            path = head[:head.rfind(":") + 1]
        found.append(head.upper() + part[len(head):])
    return tuple(found)


def _split(message: str) -> list[str]:
    """Parts between semicolons that stand in no quoted text."""
    parts, quote = [""], ""
    for sign in message:
        if sign == ";" and not quote:
            parts.append("")
            continue
        if sign in "\"'" and quote in ("", sign):
            quote = "" if quote else sign
        parts[-1] += sign
    return parts


def asks(unit: str) -> bool:
    """Whether a unit is a question, by its header."""
    return unit.split(" ", 1)[0].endswith("?")


def questions(page: Page) -> tuple[str, ...]:
    """The questions that a page lists among what only looks, each with its whole path; in the order of the page."""
    listed = [page.identity.message, *([page.errors.message] if page.errors is not None else [])]
    listed += [message for name in LOOKING if name in page.does for message in _asked(page.does[name])]
    switching = {unit for name, action in page.does.items() if name not in LOOKING for unit in _units(action)}
    found = dict.fromkeys(unit for message in listed for unit in units_of(message))
    return tuple(each for each in found if asks(each) and each not in switching)


def _asked(action: Action) -> list[str]:
    return [line.message.source for line in action.lines if isinstance(line, (Ask, Wait)) and not line.message.names]


def _units(action: Action) -> tuple[str, ...]:
    return tuple(unit for line in action.lines if not isinstance(line, Pause) for unit in units_of(line.message.source))


def only_asks(page: Page, message: str) -> bool:
    """Whether a message is nothing but questions that the page lists."""
    units = units_of(message)
    return bool(units) and set(units) <= set(questions(page))


def switches_on(page: Page, message: str) -> bool:
    """Whether any unit of a message is one with which the page energises."""
    action = page.does.get("energise")
    if action is None:
        return False
    on = {unit.upper() for unit in _units(action) if not unit.startswith("*")}
    return not on.isdisjoint(unit.upper() for unit in units_of(message))


def settings_in(page: Page, message: str) -> dict[str, Any]:
    """The settings of ``prepare`` that a message carries, where its units are those of the page; else none."""
    action = page.does.get("prepare")
    found: dict[str, Any] = {}
    if action is None:
        return found
    forms = [(unit, _form(unit)) for unit in _units(action) if "{" in unit]
    for unit in units_of(message):
        for source, form in forms:
            matched = form.fullmatch(unit)
            if matched is not None:
                found |= _read(page, _BRACED.findall(source), matched)
    return found


def _form(unit: str) -> re.Pattern[str]:
    """A unit of a page as a pattern; a setting that stands twice must be the same in both places."""
    seen: set[str] = set()
    made = ""
    for number, part in enumerate(_BRACED.split(unit)):
        if number % 2 == 0:
            made += re.escape(part)
            continue
        name = part.lower()
        made += f"(?P={name})" if name in seen else f"(?P<{name}>[^;,{{}}]+?)"
        seen.add(name)
    return re.compile(made, re.IGNORECASE)


def _read(page: Page, names: Iterable[str], matched: re.Match[str]) -> dict[str, Any]:
    read = {name.lower(): _value(page.takes[name.lower()], matched[name.lower()]) for name in names}
    return {name: value for name, value in read.items() if value is not None}


def _value(setting: Setting, text: str) -> Any:
    """A setting's value out of the text of a message; None where the text is neither a word nor a number of it."""
    if setting.words:
        return next((word for word, sent in setting.words.items() if sent.upper() == text.upper()), None)
    number = numbers_in(text.replace(",", ".") if setting.decimal_comma else text)
    return Quantity(number[0], setting.unit) if len(number) == 1 else None


def fixed_settings(page: Page) -> dict[str, Any]:
    """The settings of ``prepare`` that can only have one value, which need not be sent."""
    action = page.does.get("prepare")
    named = [page.takes[name] for name in (action.settings if action is not None else ())]
    return {each.name: next(iter(each.words)) if each.words else Quantity(each.least, each.unit)
            for each in named if each.fixed}


def numbers_in(text: str) -> list[Decimal]:
    """The numbers of a text in base units, with IEEE 488.2's multipliers before any unit (M is milli, MA mega)."""
    found = []
    for digits, suffix in _NUMBER.findall(text):
        word = _UNIT.sub("", suffix.upper(), count=1)
        found.append(Decimal(digits).scaleb(_MULTIPLIERS.get(word, 0)))
    return found


def above_ceiling(page: Page, message: str, limits: Mapping[str, float]) -> str:
    """A sentence about the first volts or amperes in a message above a ceiling, or that nobody can judge; else empty.

    ``limits``: base unit to the most, ``V`` and ``A``. A unit is judged by the words VOLTage and CURRent in its header.
    """
    for unit in units_of(message):
        head, _, rest = unit.partition(" ")
        word = next((each for each in reversed(head.strip("?").split(":")) if each[:4] in ("VOLT", "CURR")), "")
        if not word or not rest:
            continue
        base = "V" if word.startswith("VOLT") else "A"
        if re.search(r"(?<![A-Z])(MAX|INF|UP|DEF)", rest.upper()):
            return f"How much '{unit}' asks for cannot be told, so it is not sent."
        worst = max((abs(each) for each in numbers_in(rest)), default=Decimal(0))
        if worst > Decimal(repr(limits[base])):
            return f"'{unit}' asks for {worst:f} {base}, above this station's ceiling of {limits[base]:g} {base}."
    return ""

"""What an instrument can be set to, and how a setting is written into a message. Pure.

A setting outside its range or off its step is refused with a sentence, never clipped or rounded.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from eolseq.quantity import Quantity, nearest, plain

Report = Callable[[str, str, str], None]
"""Told what is wrong, what was expected, and the nearest right word."""

_MOST_DIGITS = 20  # so that nothing below is rounded
_ENDLESS = 25      # digits that only a quotient without a last one has, such as 20 s in minutes
_BRACED = re.compile(r"\{([^{}]*)\}")
NAME = r"[a-z][a-z0-9_]*"
"""The form of a setting's, reading's or flag's name."""

_NAME = re.compile(NAME)


@dataclass(frozen=True)
class Setting:
    """One setting of an instrument: either one of a few words, or a number in ``unit`` within limits and on a step.

    ``words``: our word -> what is sent for it. ``least``, ``most`` and ``step`` are in ``unit``; the step counts from
    ``least``, and without one every number in the range will do.
    """

    name: str
    unit: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    least: Decimal = Decimal(0)
    most: Decimal = Decimal(0)
    step: Decimal | None = None
    decimal_comma: bool = False

    @property
    def fixed(self) -> bool:
        """Whether it can only have one value, so that it need not be sent."""
        return len(self.words) == 1 if self.words else self.least == self.most

    def problem(self, value: Any) -> str:
        """Say why the instrument cannot be set to a Quantity, a word or a whole number; an empty text if it can."""
        if self.words:
            known = isinstance(value, str) and value in self.words
            return "" if known else f"{self.name} {value} is not one of {', '.join(self.words)}."
        if isinstance(value, int) and not isinstance(value, bool):
            value = Quantity(Decimal(value), "")
        if not isinstance(value, Quantity):
            return f"{self.name} is given as {value!r}, not as a value such as {self._shown(self.least)}."
        try:
            number = value.to(self.unit).value
        except ValueError:
            return f"{self.name} {value} is not in {self.unit or 'a plain number'}."
        if not number.is_finite() or len(value.value.as_tuple().digits) > _MOST_DIGITS:
            return f"{self.name} {value} is not a number of at most {_MOST_DIGITS} digits."
        if len(number.normalize().as_tuple().digits) > _ENDLESS:
            return f"{self.name} {value} has no exact value in {self.unit}, in which this instrument takes it."
        return self._outside(value, number)

    def _outside(self, value: Quantity, number: Decimal) -> str:
        if number < self.least:
            return f"{self.name} {value} is below {self._shown(self.least)}, the least this instrument takes."
        if number > self.most:
            return f"{self.name} {value} is above {self._shown(self.most)}, the most this instrument takes."
        if self.step is not None and (number - self.least) % self.step:
            return (f"{self.name} {value} is between two steps of this instrument: from {self._shown(self.least)} in "
                    f"steps of {self._shown(self.step)}.")
        return ""

    def text(self, value: Any) -> str:
        """Give the text to send for a value without a problem: a plain decimal in the page's unit, or its word."""
        if self.words:
            return self.words[value]
        if isinstance(value, int):
            return str(value)
        text = f"{plain(value.to(self.unit).value):f}"
        return text.replace(".", ",") if self.decimal_comma else text

    def _shown(self, number: Decimal) -> str:
        return str(Quantity(number, self.unit))


@dataclass(frozen=True)
class Template:
    """A message with places for settings, ready to be filled."""

    source: str
    form: str
    names: tuple[str, ...]

    def filled(self, texts: Mapping[str, str]) -> str:
        """Give the message with the settings' texts in their places."""
        return self.form % tuple([texts[name] for name in self.names]) if self.names else self.source


def compile_template(source: str, allowed: tuple[str, ...], report: Report) -> Template | None:
    """Make a template of a message; only the allowed settings may stand in braces."""
    names = tuple(_BRACED.findall(source))
    sound = True
    for name in names:
        if name not in allowed:
            what = f"'{{{name}}}' is not a setting that this action is given"
            report(what, f"one of {', '.join(allowed)}" if allowed else "no settings", nearest(name, allowed))
            sound = False
    if re.search(r"[{}]", _BRACED.sub("", source)):
        report("a brace without its partner", "'{name}' around a setting and nowhere else", "")
        sound = False
    if not source.isascii() or not source.isprintable():
        report("a letter that may not be sent", "ASCII letters without line ends", "")
        sound = False
    form = _BRACED.sub("%s", source.replace("%", "%%"))
    return Template(source, form, names) if sound else None


def is_name(text: str) -> bool:
    """Whether a text has the form of a setting's, reading's or flag's name."""
    return _NAME.fullmatch(text) is not None

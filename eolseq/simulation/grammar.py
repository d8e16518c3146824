"""The grammar of IEEE 488.2 program messages as SCPI-1999 uses it: units of a message, parameters, response numbers.

The simulated instruments parse numbers by this grammar of their own, so that they share no mistake with the program
that drives them. Narrower than the standards: no block data, and a new line always ends a message, even in a string.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import overload

from eolseq.simulation.status import CommandError

MULTIPLIERS = {"EX": 18, "PE": 15, "T": 12, "G": 9, "MA": 6, "K": 3, "": 0, "M": -3, "U": -6, "N": -9, "P": -12,
               "F": -15, "A": -18}
"""Suffix multipliers as powers of ten; M is milli and MA is mega, but MHZ and MOHM are megahertz and megohm."""

INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37
"""The numbers by which SCPI writes infinity and not-a-number."""

_NUMBER = re.compile(r"([+-]?)(\d+(?:\.\d*)?|\.\d+)(?:[ \t]*E[ \t]*([+-]?\d+))?[ \t]*(/?[A-Z%][A-Z0-9%./*^-]*)?",
                     re.ASCII)
_RUNS_ON = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:E[+-]?\d+)?[ \t]*[:*=!&]", re.ASCII)
"""A number after which something begins where a comma, a semicolon or the end should be."""

_NON_DECIMAL = re.compile(r"#(?:H([0-9A-F]+)|Q([0-7]+)|B([01]+))", re.ASCII)
_WORD = re.compile(r"[A-Z][A-Z0-9_]*", re.ASCII)
_STRING = re.compile(r'"(?:[^"]|"")*"|' r"'(?:[^']|'')*'")
_CHANNELS = re.compile(r"\(@([0-9:, \t]*)\)")
_PIECES = {separator: re.compile(rf"""(?:"(?:[^"]|"")*"|'(?:[^']|'')*'|\([^()]*\)|[^{separator}"'()]+)*""")
           for separator in ";,"}
_MOST_CHANNELS = 1000


@lru_cache(maxsize=1024)
def short_form(keyword: str) -> str:
    """The short form of a keyword printed as the standard prints it: VOLTage gives VOLT."""
    return "".join(re.findall(r"^[A-Z0-9_]+", keyword))


class Parameter:
    """One parameter of a command, read as whatever the command needs; a wrong kind is a CommandError."""

    __slots__ = ("_channels", "_number", "text", "upper")

    def __init__(self, text: str) -> None:
        self.text = text
        self.upper = text.upper()
        self._number: tuple[str, float] | None = None
        self._channels: tuple[int, ...] | None = None

    def number(self, unit: str = "", *, least: float | None = None, most: float | None = None,
               default: float | None = None) -> float:
        """The number in the stated unit ("V", "A", "OHM", "HZ", "S", "V/S"; "" for a bare number).

        MINimum, MAXimum and DEFault stand for the arguments of those names; outside of them is error -222.
        """
        if self._number is not None and self._number[0] == unit:
            value = self._number[1]
        else:
            value = self._named(least, most, default) if self.upper[:1].isalpha() else self._read(unit)
            if not self.upper[:1].isalpha():
                self._number = (unit, value)
        if (least is not None and value < least) or (most is not None and value > most):
            raise CommandError(-222)
        return value

    def integer(self, *, least: int | None = None, most: int | None = None) -> int:
        """The number without unit, rounded to a whole one."""
        return round(self.number(least=least, most=most))

    def word(self, words: Mapping[str, str]) -> str:
        """What a keyword stands for; the keys are printed as the standard prints them, in short and long form."""
        if not _WORD.fullmatch(self.upper):
            raise CommandError(-104)
        for keyword, meaning in words.items():
            if self.upper in (short_form(keyword), keyword.upper()):
                return meaning
        raise CommandError(-224)

    def boolean(self) -> bool:
        """ON or OFF, or a number of which everything that rounds to 0 is OFF."""
        if self.upper[:1].isalpha():
            return self.word({"ON": "on", "OFF": "off"}) == "on"
        return round(self.number()) != 0

    def string(self) -> str:
        """The text between quotes, doubled quotes made single."""
        if not _STRING.fullmatch(self.text):
            raise CommandError(-104)
        quote = self.text[0]
        return self.text[1:-1].replace(quote * 2, quote)

    def channels(self) -> list[int]:
        """The channel numbers of a list such as (@101,103:105), ranges written out, in the order given."""
        if self._channels is None:
            self._channels = tuple(self._read_channels())
        return [*self._channels]

    def _read_channels(self) -> list[int]:
        match = _CHANNELS.fullmatch(self.text)
        if match is None:
            raise CommandError(-104)
        channels: list[int] = []
        for part in match[1].split(",") if match[1].strip() else []:
            first, _, last = part.partition(":")
            channels.extend(_channels(_channel(first), _channel(last or first)))
            if len(channels) > _MOST_CHANNELS:
                raise CommandError(-223)
        return channels

    def _named(self, least: float | None, most: float | None, default: float | None) -> float:
        for keyword, value in (("MINimum", least), ("MAXimum", most), ("DEFault", default)):
            if self.upper in (short_form(keyword), keyword.upper()):
                if value is None:
                    raise CommandError(-224)
                return value
        raise CommandError(-104)

    def _read(self, unit: str) -> float:
        match = _NUMBER.fullmatch(self.upper)
        if match is None:
            if _RUNS_ON.match(self.upper):
                raise CommandError(-103)
            return self._non_decimal()
        sign, digits, exponent, suffix = match.groups()
        if len(digits) > 255:
            raise CommandError(-124)
        if exponent and (len(exponent) > 6 or abs(int(exponent)) > 32000):
            raise CommandError(-123)
        power = int(exponent or 0) + (_power(suffix, unit) if suffix else 0)
        value = float(f"{sign}{digits}E{power}")
        if not math.isfinite(value):
            raise CommandError(-222)
        return value

    def _non_decimal(self) -> float:
        match = _NON_DECIMAL.fullmatch(self.upper)
        if match is None or len(self.upper) > 64:
            raise CommandError(-104)
        return float(next(int(digits, base) for digits, base in zip(match.groups(), (16, 8, 2), strict=True) if digits))


def _channel(text: str) -> int:
    digits = text.strip()
    if not digits.isdecimal():
        raise CommandError(-104)
    if len(digits) > 6:
        raise CommandError(-222)
    return int(digits)


def _channels(first: int, last: int) -> range:
    """A range of channels with both its ends, up or down."""
    if abs(last - first) >= _MOST_CHANNELS:
        raise CommandError(-223)
    return range(first, last + 1) if last >= first else range(first, last - 1, -1)


def _power(suffix: str, unit: str) -> int:
    """The power of ten that a suffix in capitals multiplies the unit by."""
    if not unit:
        raise CommandError(-138)
    if suffix in ("MHZ", "MOHM") and suffix == f"M{unit}":
        return 6
    if not suffix.endswith(unit) or suffix[:-len(unit)] not in MULTIPLIERS:
        raise CommandError(-131)
    return MULTIPLIERS[suffix[:-len(unit)]]


class Parameters(tuple[Parameter, ...]):
    """The parameters of one command; asking for one that was not sent is error -109."""

    __slots__ = ()

    @overload  # type: ignore[override]
    def __getitem__(self, index: int) -> Parameter: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Parameter, ...]: ...
    def __getitem__(self, index: int | slice) -> Parameter | tuple[Parameter, ...]:
        try:
            return super().__getitem__(index)
        except IndexError:
            raise CommandError(-109) from None


@dataclass(frozen=True, slots=True)
class Call:
    """What a handler is called with: the parameters, and a number for every # of its pattern."""

    parameters: Parameters
    suffixes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class UnitText:
    """One unit of a program message, taken apart but not yet understood."""

    header: str
    parameters: Parameters


def split(text: str, separator: str) -> list[str]:
    """Split at a separator that stands outside of quotes and brackets; an open quote or bracket is an error."""
    pieces, start = [], 0
    pattern = _PIECES[separator]
    while True:
        match = pattern.match(text, start)
        end = match.end() if match else start
        pieces.append(text[start:end].strip())
        if end == len(text):
            return pieces
        if text[end] != separator:
            raise CommandError(-151 if text[end] in "\"'" else -102)
        start = end + 1


def read_unit(text: str) -> UnitText:
    """Take one message unit apart into its header and its parameters."""
    header, *rest = text.split(None, 1)
    if not rest:
        return UnitText(header, Parameters())
    pieces = split(rest[0], ",")
    if "" in pieces:
        raise CommandError(-109 if len(pieces) > 1 else -102)
    return UnitText(header, Parameters(Parameter(piece) for piece in pieces))


def nr1(value: int) -> str:
    """A whole number as NR1."""
    return str(int(value))


def nr2(value: float, decimals: int) -> str:
    """A number with an explicit decimal point and so many decimals, as NR2; not finite as SCPI writes it."""
    return f"{value:.{decimals}f}" if math.isfinite(value) and decimals > 0 else nr3(value)


def nr3(value: float, digits: int = 6) -> str:
    """A number with so many decimals of mantissa and an exponent, as NR3: 9.9E+37 is infinity, 9.91E+37 no number."""
    if math.isnan(value):
        return "9.91E+37"
    if math.isinf(value):
        return "9.9E+37" if value > 0 else "-9.9E+37"
    return f"{value:+.{digits}E}"

"""What an instrument's reply says: literal text with readings, bits, words and channels in between. Pure.

A number is the digits that were sent, exactly, or it is no number: SCPI's infinities and not-a-number, an empty field
and anything unreadable never become one. A reply that does not fit its page at all is a fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NOT_A_NUMBER, Reading
from eolseq.errors import InstrumentFault
from eolseq.instruments.roles import Answer
from eolseq.instruments.settings import Report
from eolseq.quantity import UNITS, nearest

KINDS = ("bits", "word", "integer", "text", "channels")
"""What may stand after the colon of a ``{name:kind}``, besides a unit with at most one factor."""

NOTHING: frozenset[str] = frozenset()

_BRACED = re.compile(r"\{([^{}]*)\}")
_UNIT = re.compile(r"(?:([0-9]{1,3}(?:\.[0-9]{1,3})?) )?([A-Za-z%/0-9]+)")
_DIGITS = r"[+-]?(?:[0-9]{{1,12}}(?:{0}[0-9]{{0,12}})?|{0}[0-9]{{1,12}})(?:[Ee][+-]?[0-9]{{1,2}})?"
_NUMBERS = {False: re.compile(_DIGITS.format(r"\.")), True: re.compile(_DIGITS.format(","))}
_WHOLE = re.compile(r"[+-]?[0-9]{1,9}")
_CHANNELS = re.compile(r"\(@ *((?:[0-9]{1,6}(?::[0-9]{1,6})? *, *)*[0-9]{1,6}(?::[0-9]{1,6})?)? *\)")
_MOST_CHANNELS = 1000
_MOST_REMEMBERED, _LONGEST_REMEMBERED = 4096, 256

# SCPI-1999 writes infinity as 9.9E37 and not-a-number as 9.91E37; an instrument that computes in single precision may
# write 9.89999995E37. Nothing from 1E37 up is a measured value.
_LARGEST, _LEAST = Decimal("1E37"), Decimal("-1E37")
_INFINITE = (Decimal("9.896E37"), Decimal("9.904E37"))


class Flags(dict[str, frozenset[str]]):
    """The flags that a register's number stands for, by bit; every number as sent is worked out once."""

    def __init__(self, bits: Mapping[int, str]) -> None:
        super().__init__()
        self.bits = bits

    def __missing__(self, raw: str) -> frozenset[str]:
        if not _WHOLE.fullmatch(raw) or int(raw) < 0:
            raise _fault(f"'{raw[:40]}' stands where a register's number should.")
        number = int(raw)
        flags = frozenset(name for bit, name in self.bits.items() if number >> bit & 1)
        if len(self) < _MOST_REMEMBERED:
            self[raw] = flags
        return flags


class Words(dict[str, frozenset[str]]):
    """The flag that each word of an instrument stands for; an unknown word is a fault."""

    def __missing__(self, raw: str) -> frozenset[str]:
        raise _fault(f"'{raw[:40]}' is not a word that its driver page knows.")


@dataclass(frozen=True)
class Meanings:
    """What a page says its replies may hold: readings (their dimension), registers, words, texts without a number."""

    readings: Mapping[str, str] = field(default_factory=dict)
    bits: Mapping[str, Flags] = field(default_factory=dict)
    words: Mapping[str, Words] = field(default_factory=dict)
    no_reading: Mapping[str, str] = field(default_factory=dict)
    decimal_comma: bool = False


@dataclass(frozen=True)
class Part:
    """One ``{name:kind}`` of a reply; unit and factor for readings only (factor None: one)."""

    name: str
    kind: str
    unit: str = ""
    factor: Decimal | None = None


class Frame:
    """A reply's form, compiled to one regular expression."""

    def __init__(self, source: str, pattern: str, parts: Iterable[Part], meanings: Meanings) -> None:
        self.source = source
        self.parts = tuple(parts)
        self._match = re.compile(pattern).fullmatch
        self._no_reading = meanings.no_reading
        self._number = _NUMBERS[meanings.decimal_comma].fullmatch
        self._comma = meanings.decimal_comma
        numbered = list(enumerate(self.parts))
        self._readings = tuple((at, p.name, p.unit, p.factor) for at, p in numbered if p.kind == "number")
        self._flags: tuple[tuple[int, Flags | Words], ...] = tuple(
            (at, meanings.bits[p.name] if p.kind == "bits" else meanings.words[p.name])
            for at, p in numbered if p.kind in ("bits", "word"))
        self._channels = tuple(at for at, p in numbered if p.kind == "channels")
        self._whole = tuple(at for at, p in numbered if p.kind == "integer")
        self.flags = self._all_flags()
        self._only_readings = len(self._readings) == len(self.parts) > 0
        self.known: dict[str, Answer] = {}
        """Replies without readings, each read once: what they say depends on neither time nor instrument."""

    def _all_flags(self) -> frozenset[str]:
        """Every flag that a reply of this form can set."""
        names: set[str] = set()
        for _, table in self._flags:
            names.update(table.bits.values() if isinstance(table, Flags) else NOTHING.union(*table.values()))
        return frozenset(names)

    @property
    def readings(self) -> frozenset[str]:
        """Every reading that a reply of this form gives."""
        return frozenset(name for _, name, _, _ in self._readings)

    @property
    def gives_channels(self) -> bool:
        """Whether a reply of this form lists relay channels."""
        return bool(self._channels)

    def read(self, text: str, instrument: str, time: float) -> Answer:
        """Give what a reply says; InstrumentFault, without instrument and message, when it does not fit."""
        if self._readings:
            return self._read(text, instrument, time)
        answer = self.known.get(text)
        if answer is None:
            answer = self._read(text, instrument, time)
            if len(self.known) < _MOST_REMEMBERED and len(text) <= _LONGEST_REMEMBERED:
                self.known[text] = answer
        return answer

    def _read(self, text: str, instrument: str, time: float) -> Answer:
        found = self._match(text)
        if found is None:
            return self._unlike(text, instrument, time)
        fields = found.groups()
        readings = {}
        for at, name, unit, factor in self._readings:
            readings[name] = self._reading(name, fields[at], unit, factor, instrument, time)
        flags = NOTHING
        for at, table in self._flags:
            flags = flags | table[fields[at].strip(" ")]
        if self._whole or self._channels:
            for at in self._whole:
                _check_whole(fields[at])
            return Answer(readings, flags, frozenset(c for at in self._channels for c in _channels_of(fields[at])))
        return Answer(readings, flags)

    def texts(self, text: str) -> dict[str, str]:
        """Give the reply's fields by name, as sent; InstrumentFault when it does not fit."""
        found = self._match(text)
        if found is None:
            raise _fault("The reply is not of the form that its driver page says.")
        fields = [each.strip(" ") for each in found.groups()]
        for at in self._whole:
            _check_whole(fields[at])
        return {part.name: each for part, each in zip(self.parts, fields, strict=True)}

    def _reading(self, name: str, raw: str, unit: str, factor: Decimal | None, instrument: str,
                 time: float) -> Reading:
        text = raw.strip(" ")
        special = self._no_reading.get(text) if self._no_reading else None
        if special is None:
            if self._number(text) is not None:
                value = Decimal(text.replace(",", ".") if self._comma else text)
                if _LEAST < value < _LARGEST:
                    return Reading(name, value if factor is None else value * factor, unit, raw, "", time, instrument)
                special = _beyond(value)
            else:
                special = NOT_A_NUMBER
        return Reading(name, None, unit, raw, special, time, instrument)

    def _unlike(self, text: str, instrument: str, time: float) -> Answer:
        """A reply that is nothing but the instrument's word for "no number" fits, if only numbers were asked for."""
        special = self._no_reading.get(text.strip(" "))
        if special is None or not self._only_readings:
            raise _fault("The reply is not of the form that its driver page says.")
        return Answer({name: Reading(name, None, unit, text, special, time, instrument)
                       for _, name, unit, _ in self._readings})


def _beyond(value: Decimal) -> str:
    """Why a number of 1E37 or more is none."""
    if _INFINITE[0] <= value <= _INFINITE[1]:
        return ABOVE_RANGE
    return BELOW_RANGE if _INFINITE[0] <= -value <= _INFINITE[1] else NOT_A_NUMBER


def _check_whole(raw: str) -> None:
    if not _WHOLE.fullmatch(raw.strip(" ")):
        raise _fault(f"'{raw[:40]}' stands where a whole number should.")


def _channels_of(raw: str) -> Iterable[int]:
    """The channels of a list such as (@101,103:105)."""
    found = _CHANNELS.fullmatch(raw.strip(" "))
    if found is None:
        raise _fault(f"'{raw[:40]}' stands where a list of channels should.")
    channels: list[int] = []
    for part in found[1].split(",") if found[1] else []:
        first, _, last = part.partition(":")
        channels.extend(range(int(first), min(int(last or first), int(first) + _MOST_CHANNELS) + 1))
        if len(channels) > _MOST_CHANNELS:
            raise _fault(f"The list of channels holds more than {_MOST_CHANNELS}.")
    return channels


def _fault(what: str) -> InstrumentFault:
    return InstrumentFault(what, "Nothing was measured. Check the line, and the replies in its driver page.")


def compile_frame(source: str, meanings: Meanings, report: Report) -> Frame | None:
    """Make a frame of the text of a reply; tells ``report`` everything that is wrong with it."""
    literals = _BRACED.split(source)[0::2]
    parts = [_part(text, meanings, report) for text in _BRACED.findall(source)]
    sound = None not in parts
    if any("{" in each or "}" in each for each in literals):
        report("a brace without its partner", "'{name:kind}' around each field and nowhere else", "")
        sound = False
    names = [part.name for part in parts if part is not None]
    for name in sorted({name for name in names if names.count(name) > 1}):
        report(f"'{name}' stands twice in one reply", "each name once", "")
        sound = False
    pattern = re.escape(literals[0])
    for part, literal, last in zip(parts, literals[1:], range(len(parts) - 1, -1, -1), strict=True):
        if not _separable(part, literal, not last, meanings, report):
            sound = False
        pattern += (r"(\(@[^)]*\))" if part is not None and part.kind == "channels" else
                    rf" *([^{re.escape(literal[0])}]*)" if literal else r" *(.*)") + re.escape(literal)
    return Frame(source, pattern, [part for part in parts if part is not None], meanings) if sound else None


def _separable(part: Part | None, literal: str, last: bool, meanings: Meanings, report: Report) -> bool:
    """Whether the end of a field can be told from what follows it."""
    if part is None or (last and not literal):
        return True
    whole = "+-0123456789"
    numeric = {"number": whole + ".eE" + ("," if meanings.decimal_comma else ""), "bits": whole, "integer": whole}
    if not literal:
        report(f"nothing stands between '{part.name}' and the next field", "a sign between two fields", "")
        return False
    if literal[0] in numeric.get(part.kind, ""):
        report(f"'{literal[0]}' after '{part.name}' could be part of the number", "another sign after a number", "")
        return False
    return True


def _part(text: str, meanings: Meanings, report: Report) -> Part | None:
    """Read the inside of one pair of braces."""
    name, colon, kind = text.partition(":")
    if not colon:
        report(f"'{{{text}}}' has no kind", "'{name:kind}', such as {voltage:V} or {state:bits}", "")
        return None
    tables: Mapping[str, Mapping[str, object]] = {"bits": meanings.bits, "word": meanings.words}
    if kind in tables and name not in tables[kind]:
        section = {"bits": "bits", "word": "words"}[kind]
        report(f"'{name}' is not described under '{section}'", f"one of {', '.join(tables[kind]) or '(none there)'}",
               nearest(name, list(tables[kind])))
        return None
    return Part(name, kind) if kind in KINDS else _number_part(name, kind, meanings, report)


def _number_part(name: str, kind: str, meanings: Meanings, report: Report) -> Part | None:
    found = _UNIT.fullmatch(kind)
    if found is None or found[2] not in UNITS:
        unit = kind.split(" ")[-1]
        report(f"'{kind}' is no kind of field", "a unit with at most one factor, or one of " + ", ".join(KINDS),
               nearest(unit, [*KINDS, *UNITS]))
        return None
    if name not in meanings.readings:
        report(f"'{name}' is not a reading of this role",
               f"one of {', '.join(meanings.readings) or '(none)'}", nearest(name, list(meanings.readings)))
        return None
    if UNITS[found[2]][0] != meanings.readings[name]:
        report(f"'{name}' is in {found[2]} here", f"a unit of {meanings.readings[name]}", "")
        return None
    factor = Decimal(found[1]) if found[1] else None
    if factor is not None and not factor:
        report(f"'{kind}' multiplies by nothing", "a factor above 0", "")
        return None
    return Part(name, "number", found[2], factor)

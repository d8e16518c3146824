"""What is known of a model of instrument that is spoken to by registers, once its page is checked. Pure and frozen."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER, NOT_A_NUMBER, Reading
from eolseq.errors import InstrumentFault
from eolseq.instruments.page_model import Model, Pause, Scene
from eolseq.instruments.roles import Answer
from eolseq.quantity import Quantity

FORMS = {"uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2}
"""How a number lies in registers, and in how many."""

BIT_TABLES, REGISTER_TABLES = ("discrete", "coil"), ("input", "holding")


def whole(registers: Sequence[int], form: str, low_first: bool) -> int:
    """The whole number that registers hold, two's complement for the signed forms."""
    ordered = list(reversed(registers)) if low_first else list(registers)
    data = b"".join(each.to_bytes(2, "big") for each in ordered)
    return int.from_bytes(data, "big", signed=form.startswith("int"))


def shortest(number: float) -> Decimal:
    """The shortest decimal that is this single-precision number and no other."""
    for digits in range(6, 10):
        text = f"{number:.{digits}g}"
        if struct.pack(">f", float(text)) == struct.pack(">f", number):
            break
    return Decimal(text)


@dataclass(frozen=True)
class Value:
    """A reading in registers: where in its block, in which form and unit, by what factor; numbers that mean none."""

    name: str
    at: int
    form: str
    unit: str
    factor: Decimal
    none: frozenset[int] = frozenset()
    above: frozenset[int] = frozenset()
    below: frozenset[int] = frozenset()

    def reading(self, registers: Sequence[int], low_first: bool, instrument: str, time: float) -> Reading:
        """The reading that a block holds; a number that means none never becomes one."""
        part = registers[self.at:self.at + FORMS[self.form]]
        raw = "0x" + "".join(f"{each:04X}" for each in part)
        number = whole(part, self.form, low_first)
        special = NO_ANSWER if number in self.none else ABOVE_RANGE if number in self.above else \
            BELOW_RANGE if number in self.below else ""
        if special:
            return Reading(self.name, None, self.unit, raw, special, time, instrument)
        if self.form != "float32":
            return Reading(self.name, number * self.factor, self.unit, raw, "", time, instrument)
        value = struct.unpack(">f", number.to_bytes(4, "big"))[0]
        if math.isfinite(value) and abs(value) < 1e37:
            return Reading(self.name, shortest(value) * self.factor, self.unit, raw, "", time, instrument)
        special = NOT_A_NUMBER if math.isnan(value) else ABOVE_RANGE if value > 0 else BELOW_RANGE
        return Reading(self.name, None, self.unit, raw, special, time, instrument)


@dataclass(frozen=True)
class Flag:
    """A flag in a block: which bit or register of it, and in a register which bit."""

    name: str
    at: int
    bit: int = 0


@dataclass(frozen=True)
class Text:
    """A text in registers, two ASCII letters in each, the first one high; filled up with spaces or zeros."""

    name: str
    at: int
    count: int

    def text(self, registers: Sequence[int]) -> str:
        """The text; InstrumentFault when it is not plain."""
        data = b"".join(each.to_bytes(2, "big") for each in registers[self.at:self.at + self.count]).rstrip(b" \0")
        if not data.isascii() or not data.decode("ascii", "replace").isprintable():
            raise InstrumentFault(f"The registers of '{self.name}' hold no plain text.",
                                  "Check its page against its manual.", reply=data.hex())
        return data.decode("ascii")


@dataclass(frozen=True)
class Block:
    """Registers or bits that are read in one request, so that they belong to one moment, and what they mean."""

    name: str
    table: str
    at: int
    count: int
    values: tuple[Value, ...] = ()
    flags: tuple[Flag, ...] = ()
    texts: tuple[Text, ...] = ()

    def answer(self, registers: Sequence[int], low_first: bool, instrument: str, time: float) -> Answer:
        """What the block says."""
        readings = {each.name: each.reading(registers, low_first, instrument, time) for each in self.values}
        return Answer(readings, frozenset(each.name for each in self.flags if registers[each.at] >> each.bit & 1))


@dataclass(frozen=True)
class Register:
    """A place that is written: a setting in its form, unit and factor, or always the same whole number."""

    name: str
    table: str
    at: int
    form: str = "uint16"
    unit: str = ""
    factor: Decimal = Decimal(1)
    value: int | None = None

    def number(self, quantity: Quantity) -> int | None:
        """The whole number to write for a value; None where there is none, or it does not fit the registers."""
        exact = quantity.to(self.unit).value / self.factor
        bits = 16 * FORMS[self.form]
        least, most = (-(1 << bits - 1), (1 << bits - 1) - 1) if self.form.startswith("int") else (0, (1 << bits) - 1)
        return int(exact) if exact == exact.to_integral_value() and least <= exact <= most else None

    def registers(self, number: int, low_first: bool) -> list[int]:
        """The registers that hold a whole number."""
        count = FORMS[self.form]
        number &= (1 << 16 * count) - 1
        found = [number >> 16 * place & 0xFFFF for place in reversed(range(count))]
        return list(reversed(found)) if low_first else found


@dataclass(frozen=True)
class Read:
    """A block is read."""

    block: Block
    within: float


@dataclass(frozen=True)
class Write:
    """A register is written, and the write confirmed."""

    register: Register
    within: float


@dataclass(frozen=True)
class Await:
    """A block is read every so many seconds until one of the conditions (flag -> set or not) holds."""

    block: Block
    until: tuple[Mapping[str, bool], ...]
    within: float
    every: float


RegisterLine = Read | Write | Await | Pause
"""One line of an action."""


@dataclass(frozen=True)
class RegisterPage(Model):
    """A register page, checked. ``who``: the block with the texts of the identity."""

    who: Block
    low_first: bool
    does: Mapping[str, tuple[RegisterLine, ...]]
    settings: Mapping[str, tuple[str, ...]]
    within: float
    transcript: tuple[Scene, ...] = ()

    def look_letters(self) -> int:
        """About how many characters one look takes on a serial line, both ways."""
        return sum(8 + 5 + _size(line.block) if isinstance(line, Read | Await) else 16
                   for line in self.does.get("look", ()) if not isinstance(line, Pause))


def _size(block: Block) -> int:
    return -(-block.count // 8) if block.table in BIT_TABLES else 2 * block.count

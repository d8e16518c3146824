"""Reads the blocks of a register page and the registers that it writes, held against Modbus and the role."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from eolseq.instruments.page_values import Section
from eolseq.instruments.register_model import BIT_TABLES, FORMS, REGISTER_TABLES, Block, Flag, Register, Text, Value
from eolseq.instruments.settings import Setting
from eolseq.quantity import UNITS, Quantity, nearest
from eolseq.shape import Item

MOST_REGISTERS, MOST_BITS = 125, 2000
"""How much one request reads: Modbus application protocol 1.1b3, 6.1 to 6.4, from memory."""

_ONE = Decimal(1)


class Blocks(Section):
    """Reads ``reads`` and ``writes``."""

    def reads(self) -> dict[str, Block]:
        """Give the blocks that are described without a mistake."""
        found = {}
        for name, entry in (self.item["reads"] or {}).items():
            if entry is None or entry["table"] is None or entry["at"] is None or entry["count"] is None:
                continue
            bits = entry["table"] in BIT_TABLES
            most = MOST_BITS if bits else MOST_REGISTERS
            if entry["count"] > most or entry["at"] + entry["count"] > 65536:
                self.findings.add(entry.place_of("count"), f"{entry['count']} of '{entry['table']}' from "
                                  f"{entry['at']} on", f"at most {most} at once, and none above 65535")
                continue
            for part in ("values", "texts") if bits else ():
                if entry[part]:
                    self.findings.add(entry.place_of_key(part), f"'{part}' in single bits", "a table of registers")
            found[name] = Block(name, entry["table"], entry["at"], entry["count"], self._values(entry),
                                self._flags(entry), self._texts(entry))
        return found

    def _values(self, block: Item) -> tuple[Value, ...]:
        found = []
        for name, entry in (block["values"] or {}).items():
            if entry is None or None in (entry["at"], entry["as"], entry["in"]):
                continue
            if name not in self.role.gives:
                self.findings.add(block["values"].place_of_key(name), f"'{name}' is not a reading of this role",
                                  f"one of {', '.join(self.role.gives) or '(none)'}", nearest(name, self.role.gives))
                continue
            factor = self._factor(entry)
            self._dimension(entry, name, self.role.gives[name])
            if factor is not None and self._inside(block, entry, FORMS[entry["as"]]):
                found.append(Value(name, entry["at"] - block["at"], entry["as"], entry["in"], factor,
                                   *(frozenset(entry[key] or ()) for key in ("none", "above_range", "below_range"))))
        return tuple(found)

    def _texts(self, block: Item) -> tuple[Text, ...]:
        return tuple(Text(name, entry["at"] - block["at"], entry["count"])
                     for name, entry in (block["texts"] or {}).items()
                     if entry is not None and None not in (entry["at"], entry["count"])
                     and self._inside(block, entry, entry["count"]))

    def _flags(self, block: Item) -> tuple[Flag, ...]:
        found = []
        for name, place in (block["flags"] or {}).items():
            if place is None:
                continue
            at, bit = place
            where = block["flags"].place_of(name)
            if (bit < 0) != (block["table"] in BIT_TABLES):
                self.findings.add(where, f"'{name}' is a bit of a register and no single one" if bit >= 0 else
                                  f"'{name}' is a whole register", "12 in a table of bits, 100.3 in one of registers")
            elif not block["at"] <= at < block["at"] + block["count"]:
                self._outside(where, block)
            else:
                found.append(Flag(name, at - block["at"], max(bit, 0)))
        return tuple(found)

    def _inside(self, block: Item, entry: Item, length: int) -> bool:
        inside: bool = block["at"] <= entry["at"] and entry["at"] + length <= block["at"] + block["count"]
        if not inside:
            self._outside(entry.place_of("at"), block)
        return inside

    def _outside(self, where: Any, block: Item) -> None:
        last = block["at"] + block["count"] - 1
        self.findings.add(where, "it does not lie in its block", f"from {block['at']} to {last}")

    def _factor(self, entry: Item) -> Decimal | None:
        factor = entry["factor"]
        if factor is not None and factor <= 0:
            self.findings.add(entry.place_of("factor"), "a factor of nothing or less", "more than 0")
            return None
        return _ONE if factor is None else factor

    def _dimension(self, entry: Item, name: str, wanted: str) -> None:
        if UNITS[entry["in"]][0] != wanted:
            self.findings.add(entry.place_of("in"), f"'{name}' is in {entry['in']} here", f"a unit of {wanted}")

    def writes(self, takes: Mapping[str, Setting]) -> dict[str, Register]:
        """Give the registers to write that are described without a mistake."""
        found = {}
        for name, entry in (self.item["writes"] or {}).items():
            if entry is None or entry["table"] is None or entry["at"] is None:
                continue
            if entry["table"] not in ("coil", "holding"):
                self.findings.add(entry.place_of("table"), f"'{entry['table']}' cannot be written", "coil or holding")
                continue
            register = self._setting(name, entry, takes) if name in self.role.takes else self._fixed(name, entry)
            if register is not None:
                found[name] = register
        return found

    def _fixed(self, name: str, entry: Item) -> Register | None:
        if entry["value"] is None:
            if not entry.given("value"):
                self.findings.add(entry.place, f"'{name}' is no setting of this role, and has no 'value'",
                                  f"'value', or one of {', '.join(self.role.takes) or '(no settings)'}",
                                  nearest(name, self.role.takes))
            return None
        for key in ("as", "in", "factor"):
            if entry.given(key):
                self.findings.add(entry.place_of_key(key), f"'{key}' beside 'value'", "'value' alone")
        if entry["table"] == "coil" and entry["value"] > 1:
            self.findings.add(entry.place_of("value"), f"a coil cannot be {entry['value']}", "1 (on) or 0 (off)")
        return Register(name, entry["table"], entry["at"], value=entry["value"])

    def _setting(self, name: str, entry: Item, takes: Mapping[str, Setting]) -> Register | None:
        missing = [key for key in ("as", "in") if not entry.given(key)]
        for key in missing:
            self.findings.add(entry.place, f"'{key}' is missing beside the setting '{name}'")
        if entry["table"] not in REGISTER_TABLES or entry.given("value"):
            self.findings.add(entry.place, f"'{name}' is a setting", "table: holding, with as, in and factor")
            return None
        factor = self._factor(entry)
        if missing or factor is None or entry["as"] is None or entry["in"] is None:
            return None
        self._dimension(entry, name, str(self.role.takes[name]))
        register = Register(name, "holding", entry["at"], entry["as"], entry["in"], factor)
        if name in takes and UNITS[entry["in"]][0] == self.role.takes[name]:
            self._check_reach(entry, register, takes[name])
        return register

    def _check_reach(self, entry: Item, register: Register, setting: Setting) -> None:
        """Least, most and step of a setting must be whole counts of its register."""
        for words, number in (("least", setting.least), ("most", setting.most), ("step", setting.step)):
            if number is None:
                self.findings.add(entry.place, f"'{register.name}' has no 'step' under 'takes'",
                                  "the step that one count is, or a multiple of it")
            elif register.number(Quantity(number, setting.unit)) is None:
                self.findings.add(entry.place, f"the {words} of '{register.name}', {Quantity(number, setting.unit)}, "
                                  f"is no count of {register.factor} {register.unit} in {register.form}",
                                  "another 'factor' or 'as', or other limits under 'takes'")

"""What a register page does for each action of its role, and whether that is all that the role asks for."""

from __future__ import annotations

from collections.abc import Mapping

from eolseq.errors import Place
from eolseq.instruments.page_actions import right_keys, wanted
from eolseq.instruments.page_model import Pause
from eolseq.instruments.page_values import Section
from eolseq.instruments.register_model import Await, Block, Read, Register, RegisterLine, Write
from eolseq.instruments.roles import Role
from eolseq.quantity import nearest
from eolseq.shape import Findings, Item

_KEYS = {"read": ((), ("within",)), "write": ((), ("within",)), "wait": (("until", "within"), ("every",)),
         "pause": ((), ())}
_EVERY = 0.02  # s
_BY_ITSELF = ("expected",)
"""Settings that an instrument need not be told, because it may choose its range by itself."""


class RegisterActions(Section):
    """Reads ``does`` and ``identity``."""

    def __init__(self, item: Item, findings: Findings, role: Role, reads: Mapping[str, Block],
                 writes: Mapping[str, Register], within: float) -> None:
        super().__init__(item, findings, role)
        self._reads = reads
        self._writes = writes
        self._within = within
        self._described = {"reads": list(item["reads"] or {}), "writes": list(item["writes"] or {})}

    def who(self) -> Block | None:
        """The block of the identity; None when it is not there or lacks a text."""
        entry = self.item["identity"]
        block = self._named("reads", entry["read"], entry.place_of("read")) if entry["read"] else None
        if not isinstance(block, Block):
            return None
        names = [each.name for each in block.texts]
        for name in ("model", "serial"):
            if name not in names:
                self.findings.add(entry.place_of("read"), f"'{block.name}' has no text '{name}'",
                                  f"{name} under 'texts'")
        return block

    def does(self) -> dict[str, tuple[RegisterLine, ...]]:
        """Give the actions that are described without a mistake."""
        actions = {}
        for name, lines in self.section("does", self.role.does, "action"):
            made = [self._line(each) for each in lines if each is not None]
            found = tuple(each for each in made if each is not None)
            if len(found) == len(lines):
                actions[name] = found
                self._check(name, found, self.item["does"].place_of_key(name))
        return actions

    def _line(self, entry: Item) -> RegisterLine | None:
        kinds = [key for key in _KEYS if entry.given(key)]
        if len(kinds) != 1:
            self.findings.add(entry.place, f"a line with {' and '.join(kinds) or 'nothing to do'}",
                              "exactly one of read, write, wait, pause")
            return None
        kind = kinds[0]
        if not right_keys(self.findings, _KEYS, kind, entry) or entry[kind] is None:
            return None
        if kind == "pause":
            return Pause(float(entry["pause"]))
        within = self._within if entry["within"] is None else float(entry["within"])
        found = self._named("writes" if kind == "write" else "reads", entry[kind], entry.place_of(kind))
        if isinstance(found, Register):
            return Write(found, within)
        if found is None:
            return None
        return Read(found, within) if kind == "read" else self._wait(entry, found, within)

    def _named(self, section: str, name: str, place: Place) -> Block | Register | None:
        known: Mapping[str, Block | Register] = self._reads if section == "reads" else self._writes
        if name not in self._described[section]:
            self.findings.add(place, f"'{name}' is not described under '{section}'",
                              f"one of {', '.join(self._described[section]) or '(none there)'}",
                              nearest(name, self._described[section]))
        return known.get(name)

    def _wait(self, entry: Item, block: Block, within: float) -> Await:
        flags = [each.name for each in block.flags]
        until = []
        for condition in entry["until"]:
            for name in condition or ():
                if name not in flags:
                    self.findings.add(condition.place_of_key(name), f"'{block.name}' has no flag '{name}'",
                                      f"one of {', '.join(flags) or '(none)'}", nearest(name, flags))
            until.append({name: word == "on" for name, word in (condition or {}).items()})
        every = _EVERY if entry["every"] is None else max(float(entry["every"]), 0.001)
        return Await(block, tuple(until), within, every)

    def _check(self, action: str, lines: tuple[RegisterLine, ...], place: Place) -> None:
        """Every setting written, every reading and flag given."""
        written = {line.register.name for line in lines if isinstance(line, Write)}
        for name in self.role.does[action]:
            if name not in written and name not in _BY_ITSELF:
                self.findings.add(place, f"'{action}' never writes the setting '{name}'", f"write: {name}")
        for name in written & set(self.role.takes) - set(self.role.does[action]):
            self.findings.add(place, f"'{action}' is not given the setting '{name}'", "another register to write")
        blocks = [line.block for line in lines if isinstance(line, Read | Await)]
        readings, flags, _ = wanted(self.role, action)
        for name in sorted(readings - {each.name for block in blocks for each in block.values}):
            self.findings.add(place, f"'{action}' never gives the reading '{name}'")
        for name in sorted(flags - {each.name for block in blocks for each in block.flags}):
            self.findings.add(place, f"'{action}' never gives the flag '{name}'")

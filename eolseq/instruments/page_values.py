"""What a driver page says its instrument can be set to and what it measures, held against the table of its role."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

from eolseq.bands.decision import ACCURACY_LIKE
from eolseq.bands.uncertainty import Accuracy, read_accuracy
from eolseq.errors import Place
from eolseq.instruments.page_model import Given, Range
from eolseq.instruments.roles import Role
from eolseq.instruments.settings import Report, Setting
from eolseq.quantity import UNITS, nearest
from eolseq.shape import Findings, Item

_MOST_STEPS = 10**12


class Section:
    """One part of a page: its keys, where its mistakes go, and the role it is held against."""

    def __init__(self, item: Item, findings: Findings, role: Role) -> None:
        self.item = item
        self.findings = findings
        self.role = role

    def report(self, place: Place) -> Report:
        """Give something to tell mistakes of one place to."""
        return lambda what, expected, near: self.findings.add(place, what, expected, near)

    def section(self, name: str, wanted: Iterable[str], what: str) -> list[tuple[str, Any]]:
        """The entries of a section that the role knows; unknown and missing ones are mistakes."""
        section, known = self.item[name], list(wanted)
        if section is None:
            if known and not self.item.given(name):
                self.findings.add(self.item.place, f"'{name}' is missing in the driver page",
                                   f"{what}s: {', '.join(known)}")
            return []
        for each in section:
            if each not in known:
                self.findings.add(section.place_of_key(each), f"'{each}' is not {_a(what)} of this role",
                                   f"one of {', '.join(known)}" if known else f"no {what}s",
                                   nearest(each, [k for k in known if k not in section]) or nearest(each, known))
        for each in known:
            if each not in section:
                self.findings.add(section.place, f"the {what} '{each}' is missing in '{name}'")
        return [(each, section[each]) for each in section if each in known and section[each] is not None]

    @property
    def decimal_comma(self) -> bool:
        """Whether numbers have a decimal comma on this line."""
        line = self.item["line"]
        return line is not None and line["decimal"] == "comma"


class Values(Section):
    """Reads ``takes`` and ``gives``."""

    def takes(self) -> dict[str, Setting]:
        """Give the settings that are described without a mistake."""
        settings = {}
        for name, entry in self.section("takes", self.role.takes, "setting"):
            wanted = self.role.takes[name]
            setting = self._numeric(name, wanted, entry) if isinstance(wanted, str) else \
                self._worded(name, wanted, entry)
            if setting is not None:
                settings[name] = setting
        return settings

    def _worded(self, name: str, choices: tuple[str, ...], entry: Item) -> Setting | None:
        if entry["words"] is None:
            if not entry.given("words"):
                self.findings.add(entry.place, f"'{name}' has no words", f"words: {{{': …, '.join(choices)}: …}}")
            return None
        for word in entry["words"]:
            if word not in choices:
                self.findings.add(entry["words"].place_of_key(word), f"'{word}' is not a word of '{name}'",
                                   f"one of {', '.join(choices)}", nearest(word, choices))
        return Setting(name, words=dict(entry["words"]))

    def _numeric(self, name: str, dimension: str, entry: Item) -> Setting | None:
        if entry.given("words"):
            self.findings.add(entry.place_of_key("words"), f"'{name}' is a number, not a word", "in, from, to, step")
            return None
        missing = [key for key in ("in", "from", "to") if not entry.given(key) and (dimension or key != "in")]
        for key in missing:
            self.findings.add(entry.place, f"'{key}' is missing in a setting")
        unit = entry["in"] or ""
        if missing or not self.all_in(dimension, entry, ("from", "to", "step")):
            return None
        if UNITS[unit][0] != dimension:
            self.findings.add(entry.place_of("in"), f"'{name}' is in {unit}", f"a unit of {dimension or 'no kind'}")
            return None
        return self._bounded(name, unit, entry)

    def all_in(self, dimension: str, entry: Item, keys: tuple[str, ...]) -> bool:
        """Whether these values were read and are of the right dimension."""
        sound = True
        for key in keys:
            value = entry[key]
            if value is None:
                sound = sound and not entry.given(key)
            elif value.dimension != dimension:
                self.findings.add(entry.place_of(key), f"'{value}' is in {value.unit or 'no unit'}",
                                   f"a value in {dimension}" if dimension else "a plain number")
                sound = False
        return sound

    def _bounded(self, name: str, unit: str, entry: Item) -> Setting | None:
        least, most = entry["from"].to(unit).value, entry["to"].to(unit).value
        step = entry["step"].to(unit).value if entry["step"] is not None else None
        if least > most:
            self.findings.add(entry.place_of("to"), f"'to' {entry['to']} is below 'from' {entry['from']}",
                               "the least first")
            return None
        if step is not None and (step <= 0 or (most - least) / step > _MOST_STEPS or (most - least) % step):
            self.findings.add(entry.place_of("step"), f"the step {entry['step']} does not lead from {entry['from']} "
                               f"to {entry['to']}", "a step above 0 that divides the range")
            return None
        return Setting(name, unit, {}, least, most, step, self.decimal_comma)

    def gives(self) -> dict[str, Given]:
        """Give the readings with their ranges."""
        given = {}
        for name, entry in self.section("gives", self.role.gives, "reading"):
            unit, dimension = entry["in"], self.role.gives[name]
            if unit is not None and UNITS[unit][0] != dimension:
                self.findings.add(entry.place_of("in"), f"'{name}' is in {unit}", f"a unit of {dimension}")
            ranges = [each for each in entry["ranges"] or () if each is not None]
            sound = [self._sound_range(dimension, each) for each in ranges]
            if all(sound):
                self._check_ascending(ranges)
            given[name] = Given(name, unit or "", tuple(
                Range(each["to"], each["resolution"], each["accuracy"] or "", self._accuracy(dimension, each))
                for each in ranges))
        return given

    def _sound_range(self, dimension: str, entry: Item) -> bool:
        if not self.all_in(dimension, entry, ("to", "resolution")) or entry["to"] is None:
            return False
        if entry["resolution"] is not None and entry["resolution"].base <= 0:
            self.findings.add(entry.place_of("resolution"), "a resolution of nothing", "more than 0")
        return True

    def _accuracy(self, dimension: str, entry: Item) -> Accuracy | None:
        """The accuracy of a range as read; None where none is stated, or one that cannot be used."""
        if entry["accuracy"] is None:
            return None
        try:
            accuracy = read_accuracy(entry["accuracy"], dimension)
        except ValueError as error:
            self.findings.add(entry.place_of("accuracy"), str(error), ACCURACY_LIKE)
            return None
        if accuracy.counts and entry["resolution"] is None:
            self.findings.add(entry.place_of("accuracy"), f"'{accuracy.text}' has counts, and the range has no "
                              "'resolution'", "the smallest step, which a count is")
        return accuracy

    def _check_ascending(self, ranges: list[Item]) -> None:
        for smaller, larger in itertools.pairwise(ranges):
            if larger["to"].base <= smaller["to"].base:
                self.findings.add(larger.place_of("to"), f"the range to {larger['to']} stands after the one to "
                                   f"{smaller['to']}", "the smallest range first")


def _a(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"

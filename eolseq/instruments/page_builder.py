"""Makes a Page of a driver page's checked keys, and finds what only the role can tell: gaps, ranges, fields.

The role's table is the measure: every setting that an action is given must be sent, every reading and flag must come
back, and what makes danger must be confirmed.
"""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Iterable
from typing import Any

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER
from eolseq.errors import Place
from eolseq.instruments.line import Line
from eolseq.instruments.page_model import (
    DEFAULT_WITHIN,
    UNUSED,
    Action,
    Ask,
    Given,
    Page,
    Pause,
    Query,
    Range,
    Send,
    Wait,
    Within,
)
from eolseq.instruments.replies import Flags, Frame, Meanings, Words, compile_frame
from eolseq.instruments.roles import ROLES, Role
from eolseq.instruments.settings import Report, Setting, Template, compile_template
from eolseq.quantity import UNITS, Quantity, nearest
from eolseq.shape import Findings, Item

IGNORED = "nothing"
"""Stands for a word of an instrument that sets no flag."""

ENDS = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}

_ACCURACY = re.compile(r"[0-9]+(\.[0-9]+)? (% of reading|% of range|counts|[A-Za-z%]+)")
_KEYS = {"send": ((), ("within",)), "ask": (("reply",), ("within",)),
         "wait": (("reply", "until", "within"), ("every",)), "pause": ((), ())}
_EVERY = 0.02        # s, between two looks of a wait
_MOST_STEPS = 10**12


class Builder:
    """Builds one page; ``build`` raises FileMistakes with everything found, the mistakes of the keys included."""

    def __init__(self, item: Item, findings: Findings, path: str, source: bytes) -> None:
        self._item = item
        self._findings = findings
        self._path = path
        self._digest = hashlib.sha256(source).hexdigest()
        self._role = ROLES.get(item["role"] or "")
        self._takes: dict[str, Setting] = {}
        self._awaited: set[str] = set()
        self._comma = bool(item["line"]) and item["line"]["decimal"] == "comma"

    def build(self) -> Page:
        """Give the page, or raise FileMistakes."""
        item, role = self._item, self._role
        if role is None:
            self._findings.raise_if_any()
            raise KeyError(item["role"])
        self._take_settings(role)
        gives = self._gives(role)
        meanings = self._meanings(role)
        identity = self._query("identity", "model", meanings)
        errors = self._query("errors", "code", meanings)
        self._check_stop(role)
        does = self._does(role, meanings)
        self._check_flags(role)
        self._findings.raise_if_any()
        return Page(path=self._path, digest=self._digest, role=item["role"], model=item["identity"]["model"],
                    line=_line(item["line"]), identity=_there(identity), errors=errors,
                    no_error=item["errors"]["none"] if errors is not None else 0, stop=item["stop"] or "",
                    takes=self._takes, gives=gives, does=does)

    def _report(self, place: Place) -> Report:
        return lambda what, expected, near: self._findings.add(place, what, expected, near)

    def _section(self, name: str, wanted: Iterable[str], what: str) -> list[tuple[str, Any]]:
        """The entries of a section that the role knows; unknown and missing ones are mistakes."""
        section, known = self._item[name], list(wanted)
        if section is None:
            if known and not self._item.given(name):
                self._findings.add(self._item.place, f"'{name}' is missing in the driver page",
                                   f"{what}s: {', '.join(known)}")
            return []
        for each in section:
            if each not in known:
                self._findings.add(section.place_of_key(each), f"'{each}' is not {_a(what)} of this role",
                                   f"one of {', '.join(known)}" if known else f"no {what}s",
                                   nearest(each, [k for k in known if k not in section]) or nearest(each, known))
        for each in known:
            if each not in section:
                self._findings.add(section.place, f"the {what} '{each}' is missing in '{name}'")
        return [(each, section[each]) for each in section if each in known and section[each] is not None]

    # Settings.

    def _take_settings(self, role: Role) -> None:
        for name, entry in self._section("takes", role.takes, "setting"):
            wanted = role.takes[name]
            setting = self._numeric(name, wanted, entry) if isinstance(wanted, str) else \
                self._worded(name, wanted, entry)
            if setting is not None:
                self._takes[name] = setting

    def _worded(self, name: str, choices: tuple[str, ...], entry: Item) -> Setting | None:
        if entry["words"] is None:
            if not entry.given("words"):
                self._findings.add(entry.place, f"'{name}' has no words", f"words: {{{': …, '.join(choices)}: …}}")
            return None
        for word in entry["words"]:
            if word not in choices:
                self._findings.add(entry["words"].place_of_key(word), f"'{word}' is not a word of '{name}'",
                                   f"one of {', '.join(choices)}", nearest(word, choices))
        return Setting(name, words=dict(entry["words"]))

    def _numeric(self, name: str, dimension: str, entry: Item) -> Setting | None:
        if entry.given("words"):
            self._findings.add(entry.place_of_key("words"), f"'{name}' is a number, not a word", "in, from, to, step")
            return None
        missing = [key for key in ("in", "from", "to") if not entry.given(key) and (dimension or key != "in")]
        for key in missing:
            self._findings.add(entry.place, f"'{key}' is missing in a setting")
        unit = entry["in"] or ""
        if missing or not self._all_in(dimension, entry, ("from", "to", "step")):
            return None
        if UNITS[unit][0] != dimension:
            self._findings.add(entry.place_of("in"), f"'{name}' is in {unit}", f"a unit of {dimension or 'no kind'}")
            return None
        return self._bounded(name, unit, entry)

    def _all_in(self, dimension: str, entry: Item, keys: tuple[str, ...]) -> bool:
        """Whether these values were read and are of the right dimension."""
        sound = True
        for key in keys:
            value = entry[key]
            if value is None:
                sound = sound and not entry.given(key)
            elif value.dimension != dimension:
                self._findings.add(entry.place_of(key), f"'{value}' is in {value.unit or 'no unit'}",
                                   f"a value in {dimension}" if dimension else "a plain number")
                sound = False
        return sound

    def _bounded(self, name: str, unit: str, entry: Item) -> Setting | None:
        least, most = entry["from"].to(unit).value, entry["to"].to(unit).value
        step = entry["step"].to(unit).value if entry["step"] is not None else None
        if least > most:
            self._findings.add(entry.place_of("to"), f"'to' {entry['to']} is below 'from' {entry['from']}",
                               "the least first")
            return None
        if step is not None and (step <= 0 or (most - least) / step > _MOST_STEPS or (most - least) % step):
            self._findings.add(entry.place_of("step"), f"the step {entry['step']} does not lead from {entry['from']} "
                               f"to {entry['to']}", "a step above 0 that divides the range")
            return None
        return Setting(name, unit, {}, least, most, step, self._comma)

    # Readings.

    def _gives(self, role: Role) -> dict[str, Given]:
        given = {}
        for name, entry in self._section("gives", role.gives, "reading"):
            unit, dimension = entry["in"], role.gives[name]
            if unit is not None and UNITS[unit][0] != dimension:
                self._findings.add(entry.place_of("in"), f"'{name}' is in {unit}", f"a unit of {dimension}")
            ranges = [each for each in entry["ranges"] or () if each is not None]
            sound = [self._sound_range(dimension, each) for each in ranges]
            if all(sound):
                self._check_ascending(ranges)
            given[name] = Given(name, unit or "", tuple(Range(each["to"], each["resolution"], each["accuracy"] or "")
                                                        for each in ranges))
        return given

    def _sound_range(self, dimension: str, entry: Item) -> bool:
        accuracy = entry["accuracy"]
        if accuracy is not None and not all(_ACCURACY.fullmatch(term) for term in accuracy.split(" + ")):
            self._findings.add(entry.place_of("accuracy"), f"'{accuracy}' is not an accuracy known here",
                               "terms such as '1.5 % of reading + 5 counts', joined by ' + '")
        if not self._all_in(dimension, entry, ("to", "resolution")) or entry["to"] is None:
            return False
        if entry["resolution"] is not None and entry["resolution"].base <= 0:
            self._findings.add(entry.place_of("resolution"), "a resolution of nothing", "more than 0")
        return True

    def _check_ascending(self, ranges: list[Item]) -> None:
        for smaller, larger in itertools.pairwise(ranges):
            if larger["to"].base <= smaller["to"].base:
                self._findings.add(larger.place_of("to"), f"the range to {larger['to']} stands after the one to "
                                   f"{smaller['to']}", "the smallest range first")

    # Replies.

    def _meanings(self, role: Role) -> Meanings:
        item = self._item
        bits = {name: Flags({int(bit): flag for bit, flag in entry.items() if bit.isdigit() and flag})
                for name, entry in (item["bits"] or {}).items() if entry is not None}
        words = {name: Words({word: frozenset({flag} - {IGNORED}) for word, flag in entry.items() if flag})
                 for name, entry in (item["words"] or {}).items() if entry is not None}
        specials = {"above_range": ABOVE_RANGE, "below_range": BELOW_RANGE, "none": NO_ANSWER}
        no_reading = {text: special for key, special in specials.items()
                      for text in (item["no_reading"] or {}).get(key) or () if text}
        return Meanings(dict(role.gives), bits, words, no_reading, self._comma)

    def _query(self, section: str, needed: str, meanings: Meanings) -> Query | None:
        entry = self._item[section]
        if entry is None or entry["ask"] is None or entry["reply"] is None:
            return None
        message = compile_template(entry["ask"], (), self._report(entry.place_of("ask")))
        reply = compile_frame(entry["reply"], meanings, self._report(entry.place_of("reply")))
        if reply is not None and needed not in [part.name for part in reply.parts]:
            self._findings.add(entry.place_of("reply"), f"the reply has no field '{needed}'",
                               "{model:text}" if needed == "model" else "{code:integer}")
        if message is None or reply is None:
            return None
        within = entry["within"]
        return Query(message.source, reply, DEFAULT_WITHIN if within is None else float(within))

    def _check_stop(self, role: Role) -> None:
        item = self._item
        if role.danger and not item.given("stop"):
            self._findings.add(item.place, f"'stop' is missing: a {item['role']} makes danger",
                               "a message such as OUTP OFF")
        elif item["stop"] is not None:
            if not role.danger:
                self._findings.add(item.place_of_key("stop"), f"a {item['role']} makes no danger", "no 'stop'")
            compile_template(item["stop"], (), self._report(item.place_of("stop")))

    # Actions.

    def _does(self, role: Role, meanings: Meanings) -> dict[str, Action]:
        actions = {}
        for name, lines in self._section("does", role.does, "action"):
            made = [self._line(each, role, role.does[name], meanings) for each in lines if each is not None]
            found = tuple(each for each in made if each is not None)
            if len(found) == len(lines):
                actions[name] = Action(name, found, role.does[name])
                self._check_action(role, actions[name], self._item["does"].place_of_key(name))
        return actions

    def _line(self, entry: Item, role: Role, allowed: tuple[str, ...],
              meanings: Meanings) -> Send | Ask | Wait | Pause | None:
        kinds = [key for key in _KEYS if entry.given(key)]
        if len(kinds) != 1:
            has = " and ".join(f"'{key}'" for key in kinds)
            self._findings.add(entry.place, f"a line with {has}" if has else "a line that does nothing",
                               "exactly one of send, ask, wait, pause")
            return None
        kind = kinds[0]
        if not self._right_keys(kind, entry) or entry[kind] is None:
            return None
        if kind == "pause":
            return Pause(float(entry["pause"]))
        message = compile_template(entry[kind], allowed, self._report(entry.place_of(kind)))
        reply = None
        if entry["reply"]:
            reply = compile_frame(entry["reply"], meanings, self._report(entry.place_of("reply")))
        within = self._within(entry, role)
        if message is None or within is None or not self._alone(message, entry.place_of(kind)):
            return None
        if kind == "send":
            return Send(message, within)
        if reply is None:
            return None
        return Ask(message, reply, within) if kind == "ask" else self._wait(entry, message, reply, within)

    def _right_keys(self, kind: str, entry: Item) -> bool:
        needed, optional = _KEYS[kind]
        missing = [key for key in needed if not entry.given(key)]
        for key in missing:
            self._findings.add(entry.place, f"'{key}' is missing beside '{kind}'")
        odd = [key for key in entry if entry.given(key) and key not in (kind, *needed, *optional)]
        for key in odd:
            self._findings.add(entry.place_of_key(key), f"'{key}' has no meaning beside '{kind}'",
                               f"{kind} with {', '.join((*needed, *optional)) or 'nothing else'}")
        return not missing and not odd and all(entry[key] is not None for key in needed)

    def _within(self, entry: Item, role: Role) -> Within | None:
        within: Within | None = entry["within"]
        if within is None:
            return None if entry.given("within") else Within()
        times = [name for name, unit in role.takes.items() if unit == "s"]
        wrong = [name for name in within.settings if name not in times]
        for name in wrong:
            self._findings.add(entry.place_of("within"), f"'{name}' is not a setting that is a time",
                               f"a time such as '2 s'{', or one of ' + ', '.join(times) if times else ''}",
                               nearest(name, times))
        return None if wrong else within

    def _alone(self, message: Template, place: Place) -> bool:
        """A setting that may mean nothing must stand in a message of its own, which can be left out."""
        for (setting, word), names in UNUSED.items():
            if set(names) & set(message.names) and set(message.names) - set(names):
                self._findings.add(place, f"'{names[0]}' stands beside other settings but means nothing when {setting} "
                                   f"is {word}", "a message of its own")
                return False
        return True

    def _wait(self, entry: Item, message: Template, reply: Frame, within: Within) -> Wait | None:
        until = []
        for condition in entry["until"]:
            for name in condition or ():
                self._awaited.add(name)
                if name not in reply.flags:
                    self._findings.add(condition.place_of_key(name), f"the reply never sets the flag '{name}'",
                                       f"one of {', '.join(sorted(reply.flags)) or '(none)'}",
                                       nearest(name, sorted(reply.flags)))
            until.append({name: word == "on" for name, word in (condition or {}).items()})
        every = _EVERY if entry["every"] is None else max(float(entry["every"]), 0.001)
        return Wait(message, reply, tuple(until), within, every)

    def _check_action(self, role: Role, action: Action, place: Place) -> None:
        """Every setting sent, every reading and flag given, danger confirmed."""
        sent = {name for line in action.lines if not isinstance(line, Pause) for name in line.message.names}
        for name in action.settings:
            if name not in sent and name in self._takes and not self._takes[name].fixed:
                self._findings.add(place, f"'{action.name}' never sends the setting '{name}'",
                                   f"'{{{name}}}' in a message")
        frames = [line.reply for line in action.lines if isinstance(line, (Ask, Wait))]
        readings, flags, channels = _wanted(role, action.name)
        for name in readings - frozenset().union(*(frame.readings for frame in frames)):
            self._findings.add(place, f"'{action.name}' never gives the reading '{name}'")
        for name in flags - frozenset().union(*(frame.flags for frame in frames)):
            self._findings.add(place, f"'{action.name}' never gives the flag '{name}'")
        if channels and not any(frame.gives_channels for frame in frames):
            self._findings.add(place, f"'{action.name}' never gives the closed channels", "a field {closed:channels}")
        if role.danger and action.name in ("energise", "off") and not frames:
            self._findings.add(place, f"'{action.name}' is not confirmed by the instrument", "an 'ask' with its reply")

    def _check_flags(self, role: Role) -> None:
        """A flag that neither the role nor a wait knows is a slip of the pen."""
        known = [*role.flags, *sorted(self._awaited), IGNORED]
        for section in ("bits", "words"):
            for entry in (self._item[section] or {}).values():
                for key, flag in (entry or {}).items():
                    if flag is not None and flag not in known:
                        self._findings.add(entry.place_of(key), f"'{flag}' is not a flag of this role",
                                           f"one of {', '.join(known)}", nearest(flag, known))


def _wanted(role: Role, action: str) -> tuple[frozenset[str], frozenset[str], bool]:
    """The readings and flags that an action must give, and whether it must list closed channels."""
    flags = frozenset(role.flags)
    if action == "measure":
        return frozenset(role.gives), flags - {"on"}, False
    if action == "output":
        return frozenset(), flags & {"on"}, False
    return frozenset(), flags if action == "look" else frozenset(), action == "closed"


def _line(entry: Item) -> Line:
    """The Line of its checked keys; what is not given stays as it usually is."""
    names = {"decimal": "decimal_comma"}
    given: dict[str, Any] = {names.get(key, key): entry[key] for key in entry if entry.given(key)}
    given["end"] = ENDS[entry["end"]]
    if "decimal_comma" in given:
        given["decimal_comma"] = entry["decimal"] == "comma"
    for key in ("pause", "open_within"):
        if isinstance(given.get(key), Quantity):
            given[key] = float(given[key])
    return Line(**given)


def _a(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"


def _there(query: Query | None) -> Query:
    """The identity, which the checks before have made sure of."""
    if query is None:
        raise KeyError("identity")
    return query

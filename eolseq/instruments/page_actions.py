"""What a driver page does for each action of its role, line by line, and whether that is all the role asks for."""

from __future__ import annotations

from collections.abc import Mapping

from eolseq.errors import Place
from eolseq.instruments.page_model import UNUSED, Action, Ask, Pause, Send, Wait, Within
from eolseq.instruments.page_values import Section
from eolseq.instruments.replies import Frame, Meanings, compile_frame
from eolseq.instruments.roles import Role
from eolseq.instruments.settings import Setting, Template, compile_template
from eolseq.quantity import nearest
from eolseq.shape import Findings, Item

_KEYS = {"send": ((), ("within",)), "ask": (("reply",), ("within",)),
         "wait": (("reply", "until", "within"), ("every",)), "pause": ((), ())}
_EVERY = 0.02        # s, between two looks of a wait


def right_keys(findings: Findings, keys: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]], kind: str,
               entry: Item) -> bool:
    """Whether a line of an action has the keys of its kind and no others; notes what is missing or odd.

    ``keys``: the needed and the optional keys beside each kind of line.
    """
    needed, optional = keys[kind]
    missing = [key for key in needed if not entry.given(key)]
    for key in missing:
        findings.add(entry.place, f"'{key}' is missing beside '{kind}'")
    odd = [key for key in entry if entry.given(key) and key not in (kind, *needed, *optional)]
    for key in odd:
        findings.add(entry.place_of_key(key), f"'{key}' has no meaning beside '{kind}'",
                     f"{kind} with {', '.join((*needed, *optional)) or 'nothing else'}")
    return not missing and not odd and all(entry[key] is not None for key in needed)


class Actions(Section):
    """Reads ``does``; ``awaited`` has the flags that some ``wait`` waits for."""

    def __init__(self, item: Item, findings: Findings, role: Role, meanings: Meanings,
                 settings: dict[str, Setting]) -> None:
        super().__init__(item, findings, role)
        self.awaited: set[str] = set()
        self._meanings = meanings
        self._settings = settings

    def does(self) -> dict[str, Action]:
        """Give the actions that are described without a mistake."""
        actions = {}
        for name, lines in self.section("does", self.role.does, "action"):
            made = [self._line(each, self.role.does[name]) for each in lines if each is not None]
            found = tuple(each for each in made if each is not None)
            if len(found) == len(lines):
                actions[name] = Action(name, found, self.role.does[name])
                self._check_action(actions[name], self.item["does"].place_of_key(name))
        return actions

    def _line(self, entry: Item, allowed: tuple[str, ...]) -> Send | Ask | Wait | Pause | None:
        kinds = [key for key in _KEYS if entry.given(key)]
        if len(kinds) != 1:
            has = " and ".join(f"'{key}'" for key in kinds)
            self.findings.add(entry.place, f"a line with {has}" if has else "a line that does nothing",
                               "exactly one of send, ask, wait, pause")
            return None
        kind = kinds[0]
        if not right_keys(self.findings, _KEYS, kind, entry) or entry[kind] is None:
            return None
        if kind == "pause":
            return Pause(float(entry["pause"]))
        message = compile_template(entry[kind], allowed, self.report(entry.place_of(kind)))
        reply = None
        if entry["reply"]:
            reply = compile_frame(entry["reply"], self._meanings, self.report(entry.place_of("reply")))
        within = self._within(entry)
        if message is None or within is None or not self._alone(message, entry.place_of(kind)):
            return None
        if kind == "send":
            return Send(message, within)
        if reply is None:
            return None
        return Ask(message, reply, within) if kind == "ask" else self._wait(entry, message, reply, within)

    def _within(self, entry: Item) -> Within | None:
        within: Within | None = entry["within"]
        if within is None:
            return None if entry.given("within") else Within()
        times = [name for name, unit in self.role.takes.items() if unit == "s"]
        wrong = [name for name in within.settings if name not in times]
        for name in wrong:
            self.findings.add(entry.place_of("within"), f"'{name}' is not a setting that is a time",
                               f"a time such as '2 s'{', or one of ' + ', '.join(times) if times else ''}",
                               nearest(name, times))
        return None if wrong else within

    def _alone(self, message: Template, place: Place) -> bool:
        """A setting that may mean nothing must stand in a message of its own, which can be left out."""
        for (setting, word), names in UNUSED.items():
            if set(names) & set(message.names) and set(message.names) - set(names):
                self.findings.add(place, f"'{names[0]}' stands beside other settings but means nothing when {setting} "
                                   f"is {word}", "a message of its own")
                return False
        return True

    def _wait(self, entry: Item, message: Template, reply: Frame, within: Within) -> Wait | None:
        until = []
        for condition in entry["until"]:
            for name in condition or ():
                self.awaited.add(name)
                if name not in reply.flags:
                    self.findings.add(condition.place_of_key(name), f"the reply never sets the flag '{name}'",
                                       f"one of {', '.join(sorted(reply.flags)) or '(none)'}",
                                       nearest(name, sorted(reply.flags)))
            until.append({name: word == "on" for name, word in (condition or {}).items()})
        every = _EVERY if entry["every"] is None else max(float(entry["every"]), 0.001)
        return Wait(message, reply, tuple(until), within, every)

    def _check_action(self, action: Action, place: Place) -> None:
        """Every setting sent, every reading and flag given, danger confirmed."""
        sent = {name for line in action.lines if not isinstance(line, Pause) for name in line.message.names}
        for name in action.settings:
            if name not in sent and name in self._settings and not self._settings[name].fixed:
                self.findings.add(place, f"'{action.name}' never sends the setting '{name}'",
                                   f"'{{{name}}}' in a message")
        frames = [line.reply for line in action.lines if isinstance(line, (Ask, Wait))]
        readings, flags, channels = wanted(self.role, action.name)
        for name in readings - frozenset().union(*(frame.readings for frame in frames)):
            self.findings.add(place, f"'{action.name}' never gives the reading '{name}'")
        for name in flags - frozenset().union(*(frame.flags for frame in frames)):
            self.findings.add(place, f"'{action.name}' never gives the flag '{name}'")
        if channels and not any(frame.gives_channels for frame in frames):
            self.findings.add(place, f"'{action.name}' never gives the closed channels", "a field {closed:channels}")
        if self.role.danger and action.name in ("energise", "off") and not frames:
            self.findings.add(place, f"'{action.name}' is not confirmed by the instrument", "an 'ask' with its reply")


def wanted(role: Role, action: str) -> tuple[frozenset[str], frozenset[str], bool]:
    """The readings and flags that an action must give, and whether it must list closed channels."""
    flags = frozenset(role.flags)
    if action == "measure":
        return frozenset(role.gives), flags - {"on"}, False
    if action == "output":
        return frozenset(), flags & {"on"}, False
    return frozenset(), flags if action == "look" else frozenset(), action == "closed"

"""Reads the ``transcript`` of a driver page: its scenes, with the settings that each is given."""

from __future__ import annotations

from typing import Any

from eolseq.instruments.page_model import Exchanged, Scene
from eolseq.instruments.page_values import Section
from eolseq.quantity import nearest, parse
from eolseq.shape import Item

OPENING = "identity"
"""The scene in which the instrument says who it is; every other one but COUNT is an action of the role."""

COUNT = "count"
"""The scene in which the instrument says how many tests it has made, where its page asks for that."""


class Scenes(Section):
    """Reads ``transcript``."""

    def scenes(self) -> tuple[Scene, ...]:
        """Give the scenes that are written down without a mistake."""
        known = (OPENING, *((COUNT,) if self.item.get("count") is not None else ()), *self.role.does)
        found = []
        for entry in self.item["transcript"] or ():
            if entry is None or entry["does"] is None:
                continue
            if entry["does"] not in known:
                self.findings.add(entry.place_of("does"), f"'{entry['does']}' is no action of this role",
                                  f"one of {', '.join(known)}", nearest(entry["does"], known))
                continue
            found.append(self._scene(entry))
        return tuple(found)

    def _scene(self, entry: Item) -> Scene:
        gives = {name: (entry["gives"].place_of(name), text)
                 for name, text in (entry["gives"] or {}).items() if text is not None}
        return Scene(entry["does"], self._settings(entry), self._exchanges(entry), gives,
                     frozenset(entry["flags"] or ()), frozenset(entry.get("channels") or ()),
                     bool(entry["fault"]), entry.place)

    def _exchanges(self, entry: Item) -> tuple[Any, ...]:
        return tuple(Exchanged(each["out"], each["in"], each.place)
                     for each in entry["exchanges"] or () if each is not None and each["out"] is not None)

    def _settings(self, entry: Item) -> dict[str, Any]:
        """The settings of a scene: words as they are, numbers as quantities."""
        settings: dict[str, Any] = {}
        for name, text in (entry["with"] or {}).items():
            if name not in self.role.takes:
                self.findings.add(entry["with"].place_of_key(name), f"'{name}' is not a setting of this role",
                                  f"one of {', '.join(self.role.takes) or '(none)'}", nearest(name, self.role.takes))
            elif not isinstance(self.role.takes[name], str):
                settings[name] = text
            elif text is not None:
                try:
                    settings[name] = parse(text)
                except ValueError as error:
                    self.findings.add(entry["with"].place_of(name), str(error), "a value such as '50 V'")
        return settings

"""Where a run stands: one table of transitions, walked by one typed ``fire``.

This is the only importer of ``transitions``. Its machine holds the table and says what may follow; it has neither
conditions nor callbacks, because a callback can swallow an exception or leave the state half moved. So ``fire`` takes
the next state straight from the machine's table and leaves the machinery of callbacks alone. ``try``/``finally`` and
``guard/power.py`` keep people safe, never this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from eolseq.errors import StationFault

STATES = ("waiting", "identified", "admitted", "cautioned", "guarded", "energised", "proving_dead", "making_safe",
          "judged", "recorded", "refused")

TRANSITIONS: tuple[tuple[str, str, str], ...] = (
    ("identify", "waiting", "identified"),
    ("admit", "identified", "admitted"),
    ("caution", "admitted", "cautioned"),
    ("guard", "cautioned", "guarded"),
    ("energise", "guarded", "energised"),
    ("take_off", "energised", "proving_dead"),
    ("prove", "proving_dead", "guarded"),
    ("make_safe", "guarded", "making_safe"),
    ("make_safe", "energised", "making_safe"),
    ("make_safe", "proving_dead", "making_safe"),
    ("judge", "guarded", "judged"),
    ("judge", "making_safe", "judged"),
    ("record", "judged", "recorded"),
    ("release", "recorded", "waiting"),
    ("refuse", "identified", "refused"),
    ("refuse", "admitted", "refused"),
    ("refuse", "cautioned", "refused"),
    ("release", "refused", "waiting"),
)
"""Event, state before, state after. Never energised -> guarded: dead is proved in between."""


_REPORT = "Report this to whoever maintains the program."


@lru_cache(maxsize=1)
def _machine() -> Any:
    from transitions import Machine

    rows = [{"trigger": event, "source": before, "dest": after} for event, before, after in TRANSITIONS]
    return Machine(model=None, states=list(STATES), transitions=rows, initial="waiting", auto_transitions=False)


@lru_cache(maxsize=1)
def _ways() -> Mapping[tuple[str, str], str]:
    """Event and state before -> state after, as the machine has them."""
    machine = _machine()
    return {(event, way.source): way.dest for event in machine.events for way in machine.get_transitions(event)}


class RunStates:
    """The state of one run."""

    def __init__(self) -> None:
        self._ways = _ways()
        self._state: str = _machine().initial

    @property
    def state(self) -> str:
        """The present state, one of STATES."""
        return self._state

    def fire(self, event: str) -> str:
        """Move on by an event and give the new state; StationFault if nothing follows from it here."""
        after = self._ways.get((event, self._state))
        if after is None:
            raise StationFault(f"The run is '{self._state}'; '{event}' cannot follow.", _REPORT)
        self._state = after
        return after


def mermaid() -> str:
    """The table as a Mermaid state diagram, for DEVELOPERS.md."""
    lines = ["stateDiagram-v2", "    [*] --> waiting"]
    lines += [f"    {before} --> {after}: {event}" for event, before, after in TRANSITIONS]
    return "\n".join(lines)

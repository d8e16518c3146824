"""Where a run stands: one table of transitions, walked by one typed ``fire``.

This is the only importer of ``transitions``. The machine names where we are and refuses what cannot follow; it has no
callbacks, because a callback can swallow an exception or leave the state half moved. ``try``/``finally`` and
``guard/power.py`` keep people safe, never this table.
"""

from __future__ import annotations

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


class _Place:
    state: str
    trigger: Any


@lru_cache(maxsize=1)
def _machine() -> Any:
    from transitions import Machine

    rows = [{"trigger": event, "source": before, "dest": after} for event, before, after in TRANSITIONS]
    return Machine(model=None, states=list(STATES), transitions=rows, initial="waiting", auto_transitions=False)


class RunStates:
    """The state of one run."""

    def __init__(self) -> None:
        self._place = _Place()
        self._machine = _machine()
        self._machine.add_model(self._place)

    @property
    def state(self) -> str:
        """The present state, one of STATES."""
        return self._place.state

    def fire(self, event: str) -> str:
        """Move on by an event and give the new state; StationFault if nothing follows from it here."""
        from transitions import MachineError

        before = self.state
        try:
            moved = self._place.trigger(event)
        except (MachineError, AttributeError) as error:
            raise StationFault(f"The run is '{before}'; '{event}' cannot follow.", _REPORT) from error
        if not moved:
            raise StationFault(f"'{event}' was refused in state '{before}'.", _REPORT)
        return self.state

    def close(self) -> None:
        """Forget this run, so that the shared table does not collect finished ones."""
        self._machine.remove_model(self._place)


def mermaid() -> str:
    """The table as a Mermaid state diagram, for DEVELOPERS.md."""
    lines = ["stateDiagram-v2", "    [*] --> waiting"]
    lines += [f"    {before} --> {after}: {event}" for event, before, after in TRANSITIONS]
    return "\n".join(lines)

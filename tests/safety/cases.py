"""The energised states of a run, as the simulator's instruments show them, and the links that may be cut in each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from eolseq.simulation.source import HOLDING, RISING

SETTLED = (2.16, 2.64)  # A, of the demo unit's running motor


@dataclass(frozen=True)
class State:
    """One energised state: the kind of step, the source that is on, and how the simulator knows it.

    ``meter`` and ``message`` ask an instrument for a number; ``reached`` says whether it shows the state. Without a
    message the state is reached as soon as the source's output is on.
    """

    name: str
    kind: str
    source: str
    meter: str
    message: str
    reached: Callable[[float], bool]

    def __str__(self) -> str:
        return self.name


def _bit(bit: int) -> Callable[[float], bool]:
    return lambda value: bool(int(value) & bit)


STATES = (
    State("continuity", "ground_continuity", "continuity", "", "", lambda _: True),
    State("withstand rising", "dielectric_withstand", "withstand", "withstand", "STAT:OPER:COND?", _bit(RISING)),
    State("withstand holding", "dielectric_withstand", "withstand", "withstand", "STAT:OPER:COND?", _bit(HOLDING)),
    State("motor running", "motor_current", "power", "current", "READ?", lambda amps: SETTLED[0] < amps < SETTLED[1]),
)

SOURCE = "the source"

CUTS = (
    # what is cut, the simulator's fault for it: the link is gone, or nothing comes back
    (SOURCE, "closed"),
    (SOURCE, "silent"),
    ("guard", "closed"),
    ("guard", "silent"),
)

CUT_CASES = tuple((state, state.source if what == SOURCE else what, fault) for state in STATES for what, fault in CUTS)

"""The table of a run's states: what may follow what, and that nothing else can."""

import itertools
import re
from pathlib import Path

import pytest

from eolseq.engine.states import STATES, TRANSITIONS, RunStates, mermaid
from eolseq.errors import StationFault

EVENTS = sorted({event for event, _, _ in TRANSITIONS})
ALLOWED = {(before, event): after for event, before, after in TRANSITIONS}


def at(state: str) -> RunStates:
    """A run in a given state, reached by events only."""
    paths: dict[str, list[str]] = {"waiting": []}
    waiting = ["waiting"]
    while waiting:
        here = waiting.pop(0)
        for (before, event), after in ALLOWED.items():
            if before == here and after not in paths:
                paths[after] = [*paths[here], event]
                waiting.append(after)
    run = RunStates()
    for event in paths[state]:
        run.fire(event)
    return run


@pytest.mark.parametrize(("state", "event"), list(itertools.product(STATES, EVENTS)))
def test_every_state_and_event(state: str, event: str) -> None:
    run = at(state)
    if (state, event) in ALLOWED:
        assert run.fire(event) == ALLOWED[state, event]
    else:
        with pytest.raises(StationFault, match="cannot follow"):
            run.fire(event)
        assert run.state == state


def test_energised_never_goes_straight_to_guarded() -> None:
    assert all(not (before == "energised" and after == "guarded") for _, before, after in TRANSITIONS)


def test_no_automatic_ways_into_a_state() -> None:
    run = RunStates()
    with pytest.raises(StationFault):
        run.fire("to_energised")
    assert run.state == "waiting"


def test_the_drawing_in_developers_is_this_table() -> None:
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text()
    drawn = re.search(r"```mermaid\n(.*?)\n```", text, re.S)
    assert drawn is not None and drawn.group(1) == mermaid()

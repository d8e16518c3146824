"""A trace tells the waits on purpose from the time that the program takes for itself. The plant is invented.

In virtual time the program takes none, so whatever passes in a run is an exchange on the line or a wait that was told.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from eolseq.bands.band import Outcome
from eolseq.instruments.tracing import TracingManager
from eolseq.instruments.waits import moments, told
from tests.rig import Rig

Event = tuple[str, str, str, float]
LINE = 0.003  # seconds that an exchange on a simulated line, or an order in its turn at the guard unit, takes at most


def test_what_is_told_is_read_back() -> None:
    events: list[Event] = []
    told(lambda *each: events.append(each), "guard watcher", 1.25, 1.33, 1.3)
    assert events == [("guard watcher", "wait", "from 1.250000 until 1.330000", 1.3)]
    assert moments(events[0][2]) == (1.25, 1.33)


def traced_run(folder: Path) -> list[Event]:
    """The events of one run of a sound unit, without those of the watcher's looks."""
    events: list[Event] = []
    rig = Rig(folder, scan=0.002)
    rig.wires = replace(rig.wires, manager=TracingManager(rig.wires.manager, lambda *each: events.append(each)))
    with rig:
        assert rig.run().outcome is Outcome.PASS
    return [each for each in events if each[0] != "guard"]


def test_every_long_gap_of_a_run_is_a_wait_that_was_told(tmp_path: Path) -> None:
    events = traced_run(tmp_path)
    untold = []
    for (_, what, text, at), (_, following, told_text, after) in pairwise(events):
        until = moments(text)[1] if what == "wait" else at
        over = following == "wait" and moments(told_text)[1] == round(after, 6)  # for a person; told when it is over
        if not over and after - max(at, until) > LINE:
            untold.append((text, told_text, after - max(at, until)))
    assert untold == [] and len(events) > 500


def test_a_wait_counts_from_the_moment_that_it_should(tmp_path: Path) -> None:
    events = traced_run(tmp_path)
    looks = [moments(text) for name, what, text, _ in events if what == "wait"]
    lengths = {round(until - since, 3) for since, until in looks}
    assert {0.08, 0.2, 0.03, 0.5, 2.0} <= lengths, "looks, contactors, discharge, the unit's own volts"
    off = [at for name, what, text, at in events if (name, what, text) == ("power", "out", "OUTP OFF;*OPC?")]
    since, _ = next(each for each in looks if round(each[1] - each[0], 3) == 2.0)
    assert any(0 <= since - at < LINE for at in off), "the run-down is counted from OFF, not from when it is waited for"

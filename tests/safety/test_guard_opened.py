"""The guard opened at every instant of a run, in virtual time, judged by the simulator's own view.

An instant is a hand-over of the virtual clock: between any two of them nothing else can happen. The guard is looked
at every 50 ms; after it opens, no output may be on for longer than one scan and 5 ms. Once the simulator's contactor
is not hard-wired to the contacts, so that what is seen is the program alone, and once it is, as it should be. The
unit is the demo's with two bonded parts instead of five: each is measured as the one before it.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.records.audit import audit
from eolseq.records.entries import Unlock
from tests.rig import SCAN, SHORT, Rig

ALLOWED = SCAN + 0.005  # seconds


def wire(rig: Rig, hard_wired: bool) -> None:
    """Let the contactor fall with the contacts by hard wire, or not."""
    guard = rig.world.guard
    guard.settings = dataclasses.replace(guard.settings, hard_wired=hard_wired)


def instants(folder: Path, hard_wired: bool) -> int:
    """How many instants a sound run has."""
    with Rig(folder, sequence=SHORT) as rig:
        wire(rig, hard_wired)
        before = rig.clock.instants
        assert rig.run().outcome is Outcome.PASS
        return rig.clock.instants - before


def open_at(rig: Rig, instant: int) -> tuple[Outcome, float | None]:
    """Run the next unit and open the guard at an instant; the outcome and when it was opened."""
    rig.world.load(rig.serial)
    rig.opened.watcher.reset()
    opened: list[float] = []
    start = rig.clock.instants

    def probe(now: int) -> None:
        if now - start == instant:
            opened.append(rig.clock.monotonic())
            rig.world.advance_to(rig.clock.monotonic())
            rig.world.guard.closes_by_itself = False
            rig.world.open_guard()

    rig.clock.probe = probe
    outcome = rig.run().outcome
    rig.clock.probe = None
    rig.world.guard.closes_by_itself = True
    return outcome, opened[0] if opened else None


def on_after(rig: Rig, moment: float) -> float:
    """Seconds for which any output stayed on, or came on and stayed, after a moment."""
    latest = moment
    state: dict[str, bool] = {}
    for change in rig.world.changes:
        if "output" in change:
            name, on = change["name"], change["output"] == "on"
            if state.get(name) and not on and change["time"] > moment:
                latest = max(latest, change["time"])
            state[name] = on
    assert not any(state.values()), f"left on: {state}"
    return latest - moment


@pytest.mark.parametrize(("hard_wired", "may_lock"), [(False, 0), (True, 6)], ids=["program alone", "hard-wired too"])
def test_guard_opened_at_every_instant(quick_path: Path, hard_wired: bool, may_lock: int) -> None:
    whole = instants(quick_path / "sound", hard_wired)
    assert 500 <= whole <= 1000, "the run's shape changed: look at the number of cases again"
    outcomes: Counter[Outcome] = Counter()
    longest, while_on, locked = 0.0, 0, 0
    with Rig(quick_path / "opened", sequence=SHORT) as rig:
        wire(rig, hard_wired)
        for instant in range(1, whole + 1):
            rig.world.changes.clear()
            outcome, moment = open_at(rig, instant)
            outcomes[outcome] += 1
            assert moment is not None, f"instant {instant} was not reached"
            assert outcome is not Outcome.PASS or not rig.opened.door.voltage_possible
            stayed = on_after(rig, moment)
            was_on = any(c.get("output") == "on" and c["time"] <= moment for c in rig.world.changes)
            while_on += was_on
            longest = max(longest, stayed)
            assert stayed <= ALLOWED, f"instant {instant}: on for {stayed * 1000:.1f} ms"
            assert rig.world.voltage_at_unit() < 25.0
            lock = rig.log.locked()
            if lock is not None:  # the contactor fell between the meter's look and the source's: doubt means locked
                locked += 1
                assert outcome is Outcome.FAULT and "cannot prove the unit dead" in lock.reason
                assert rig.world.guard.locked
                rig.opened.watcher.reset()
                rig.opened.all_off()
                rig.log.append(Unlock(by="test", reason="as at the next start"))
        path = rig.log.path
    assert sum(outcomes.values()) == whole
    assert outcomes[Outcome.PASS] <= 8, "only once everything is off and dead may an open guard change nothing"
    assert outcomes[Outcome.STOPPED] > whole * 0.9
    assert while_on > whole * 0.8
    assert locked <= may_lock
    assert not audit(path).findings
    print(f"{whole} instants: {dict(outcomes)}; locked {locked}; longest on after opening {longest * 1000:.1f} ms")

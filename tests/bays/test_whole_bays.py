"""Whole runs at several bays side by side, in virtual time, by the simulator's own view of what reaches which bay."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.run import ready_log
from eolseq.guard.inputs import STALE
from eolseq.records.audit import audit
from tests.bays_rig import BaysRig, each_with_its_own


def reaches(changes: Iterable[dict[str, Any]]) -> None:
    """No source ever reached two bays at once, and none does in the end."""
    at: dict[str, set[str]] = {}
    for change in changes:
        if "reaches" in change:
            bays = at.setdefault(change["name"], set())
            (bays.add if change["reaches"] == "on" else bays.discard)(change["bay"])
            assert len(bays) <= 1, f"{change['name']} reached {bays} at {change['time']:.4f} s"
    assert not any(at.values()), f"in the end still on: {at}"


def units(bays: int, each: int) -> dict[str, list[str]]:
    return {f"bay-{bay}": [f"DH6-00{bay}0{n:04}" for n in range(each)] for bay in range(1, bays + 1)}


@pytest.mark.parametrize("bays", [2, 3, 4])
def test_bays_share_instruments_and_every_unit_passes(quick_path: Path, bays: int) -> None:
    with BaysRig(quick_path, bays) as rig:
        results = rig.run(units(bays, 2))
        assert [each.outcome for _, _, each in results] == [Outcome.PASS] * 2 * bays
        reaches(rig.hall.changes)
        assert not rig.desk.holders() and rig.log.open_runs() == []
        path, seconds = rig.log.path, rig.clock.monotonic()
    report = audit(path)
    assert not report.findings and report.outcomes["pass"] == 2 * bays
    assert seconds < bays * 2 * 10.0  # one bay alone takes ten for a unit: they did run side by side


def test_the_same_orders_give_the_same_log(tmp_path: Path) -> None:
    ends = []
    for place in ("one", "other"):
        with BaysRig(tmp_path / place) as rig:
            ends.append([(bay, serial, each.outcome, each.index) for bay, serial, each in rig.run(units(2, 2))])
            ends.append([(c["time"], str(c)) for c in rig.hall.changes])  # type: ignore[misc]
    assert ends[0] == ends[2] and ends[1] == ends[3]


@pytest.mark.parametrize("seed", range(9))
def test_random_orders_of_waking(quick_path: Path, seed: int) -> None:
    """Whatever order the tasks wake in: nobody starves, no source is at two bays, every unit passes."""
    dice = random.Random(f"orders {seed}")
    with BaysRig(quick_path, 2 + seed % 3) as rig:
        rig.clock.choose = lambda ready: dice.randrange(len(ready))
        since: dict[str, int] = {}
        longest = 0

        def granted(bay: str, names: frozenset[str]) -> None:
            nonlocal longest
            for waiting, wanted in rig.desk.line():
                if waiting != bay and wanted & names:
                    since[waiting] = since.get(waiting, 0) + 1
                    longest = max(longest, since[waiting])
            since.pop(bay, None)

        rig.desk.on_grant = granted
        results = rig.run(units(len(rig.bays), 2))
        assert [each.outcome for _, _, each in results] == [Outcome.PASS] * len(results)
        assert longest <= len(rig.bays) - 1
        reaches(rig.hall.changes)


@pytest.mark.parametrize("name", ["withstand", "power", "continuity", "resistance", "switching"])
def test_bays_that_have_one_of_their_own(quick_path: Path, name: str) -> None:
    """What is not shared is waited for by nobody, and each bay uses its own."""
    with BaysRig(quick_path, made=each_with_its_own(name)) as rig:
        granted: set[str] = set()
        rig.desk.on_grant = lambda _, names: granted.update(names)
        results = rig.run(units(2, 2))
        assert [each.outcome for _, _, each in results] == [Outcome.PASS] * 4
        assert name not in granted and granted >= {"withstand", "power", "continuity", "resistance"} - {name}
        reached = {(c["name"], c["bay"]) for c in rig.hall.changes if c.get("reaches") == "on"}
        if name in ("withstand", "power", "continuity"):
            assert {pair for pair in reached if pair[0].startswith(name)} == {(name, "bay-1"), (f"{name}-2", "bay-2")}
        reaches(rig.hall.changes)


def test_a_bad_unit_at_one_bay_is_no_matter_of_the_others(quick_path: Path) -> None:
    with BaysRig(quick_path, 3) as rig:
        rig.before_unit = lambda bay, serial: rig.hall.bays[bay].load(
            serial, {"bay-1": "pinched-wire", "bay-2": "locked-rotor"}.get(bay))
        outcomes = {bay: each.outcome for bay, _, each in rig.run(units(3, 1))}
    assert outcomes == {"bay-1": Outcome.FAIL, "bay-2": Outcome.FAIL, "bay-3": Outcome.PASS}


def test_a_serial_at_two_bays_is_refused_at_the_second(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        results = rig.run({"bay-1": ["DH6-00000001"], "bay-2": ["DH6-00000001", "DH6-00000002"]})
        by_outcome = sorted(str(each.outcome) for _, _, each in results)
        assert by_outcome == ["pass", "pass", "refused"]
        refused = next(each for _, _, each in results if each.outcome is Outcome.REFUSED)
        assert "Unit DH6-00000001 is being tested in bay-" in refused.sentence
        assert len(rig.log.attempts("DH6-00000001")) == 1


# -- what goes wrong with what is shared --------------------------------------------------------------------------


def weld(rig: BaysRig, bay: str, channel: str) -> None:
    """A relay that closes and does not open again."""
    world = rig.hall.bays[bay]
    number, switch = world.fixture.channels[channel], world.switch
    world.switch = lambda channels, closed: switch([n for n in channels if closed or n != number], closed)


def test_a_relay_that_does_not_open_keeps_its_instruments_and_locks_the_station(quick_path: Path) -> None:
    with BaysRig(quick_path, 3) as rig:
        weld(rig, "bay-1", "route-withstand")
        results = {bay: each for bay, _, each in rig.run(units(3, 1))}
        assert results["bay-1"].outcome is Outcome.FAULT
        assert "withstand may still be connected at bay-1" in results["bay-1"].sentence
        assert rig.desk.holder("withstand") == "bay-1"
        lock = rig.log.locked()
        assert lock is not None and "may still be connected at bay-1" in lock.reason
        others = [results[bay] for bay in ("bay-2", "bay-3")]  # one had the tester before, and may end its last step
        assert sorted(str(each.outcome) for each in others) == ["fault", "pass"]
        assert any("The station is locked: withstand may still be" in each.sentence for each in others)
        assert not any(rig.hall.output_on(name) for name in ("withstand", "continuity", "power"))
        later = rig.run({"bay-3": ["DH6-00399999"]})[0][2]
        assert later.outcome is Outcome.REFUSED and "The station is locked" in later.sentence
        assert not audit(rig.log.path).findings


def test_a_source_that_stays_on_locks_its_bay_and_nobody_gets_it(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        stuck = False

        def stick(_: int) -> None:
            nonlocal stuck
            if not stuck and rig.hall.output_on("power"):
                rig.hall.set_fault("stuck-silent", "power")
                stuck = True

        rig.clock.probe = stick
        results = {bay: each for bay, _, each in rig.run(units(2, 1))}
        first = next(bay for bay, each in results.items() if "not be discharged" in each.sentence)
        other = next(bay for bay in results if bay != first)
        assert results[first].outcome is Outcome.FAULT and rig.bays[first].door.voltage_possible
        assert rig.hall.bays[first].guard.locked and not rig.hall.bays[other].guard.locked
        assert rig.desk.holder("power") == first
        assert "The station is locked" in results[other].sentence
        assert rig.hall.bays[other].voltage_at_unit() < 25.0
        reached = {c["bay"] for c in rig.hall.changes if c.get("reaches") == "on" and c["name"] == "power"}
        assert reached == {first}


def test_a_neighbours_relay_found_closed_means_no_voltage(quick_path: Path) -> None:
    """A relay of bay 2 is welded from the start of a unit: whoever gets the tester sees it and does not switch on."""
    with BaysRig(quick_path) as rig:
        def weld_second(bay: str, serial: str) -> None:
            rig.load(bay, serial)
            if bay == "bay-2":
                number = rig.hall.bays["bay-2"].fixture.channels["route-withstand"]
                rig.hall.bays["bay-2"].switch([number], True)
                weld(rig, "bay-2", "route-withstand")

        rig.before_unit = weld_second
        results = {bay: each for bay, _, each in rig.run(units(2, 1))}
        assert all(each.outcome is Outcome.FAULT for each in results.values())
        assert "channel 220 is closed" in results["bay-2"].sentence
        assert not [c for c in rig.hall.changes if c.get("reaches") == "on" and c["name"] == "withstand"]


def test_a_source_that_may_reach_a_bay_goes_off_when_its_guard_opens_whoever_has_it(quick_path: Path) -> None:
    """Bay 1 runs on the power source, a relay of bay 2 closes to it too, and the guard of bay 2 opens."""
    with BaysRig(quick_path) as rig:
        opened: list[float] = []
        second = rig.hall.bays["bay-2"]

        def cross(_: int) -> None:
            now = rig.clock.monotonic()
            if not opened and "power" in rig.hall.bays["bay-1"].reached_by:
                rig.hall.advance_to(now)
                rig.desk.reach.seen("switching", {221}, [])  # what bay 2's next look at the unit would show
                second.switch([221], True)
                rig.bays["bay-2"].watcher.arm()
                second.guard.closes_by_itself = False
                second.open_guard()
                opened.append(now)

        rig.clock.probe = cross
        results = rig.run({"bay-1": ["DH6-00000001"]})
        assert results[0][2].outcome is not Outcome.PASS
        off = [c["time"] for c in rig.hall.changes if c.get("reaches") == "off" and c["name"] == "power"]
        assert opened and min(off) - opened[0] <= 0.055


def test_a_run_cut_off_at_each_bay_is_abandoned_at_the_next_start(quick_path: Path) -> None:
    with BaysRig(quick_path, 3) as rig:
        rig.schedule(units(3, 1))
        rig.clock.sleep(3.0)  # the program dies here
        assert len(rig.log.open_runs()) == 3
        rig.log.close()
        for bay in rig.bays.values():
            bay.watcher.trip(STALE)
        rig.clock.sleep(5.0)
        for each in rig.opened.bays:
            each.watcher.reset()
        again = ready_log(rig.station, rig.opened, rig.clock)
        assert again.open_runs() == [] and len(again.attempts("DH6-00100000")) == 1
        assert again.attempts("DH6-00300000")[0].outcome == "abandoned"
        again.close()
        assert not audit(again.path).findings


def test_a_stopped_bay_goes_on_with_its_next_unit(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        done: list[float] = []

        def open_once(_: int) -> None:
            if not done and rig.hall.bays["bay-1"].reached_by:
                done.append(rig.clock.monotonic())
                rig.hall.advance_to(done[0])
                rig.hall.bays["bay-1"].open_guard()

        rig.clock.probe = open_once
        outcomes = [(bay, str(each.outcome)) for bay, _, each in rig.run(units(2, 2))]
        assert sorted(outcomes) == [("bay-1", "pass"), ("bay-1", "stopped"), ("bay-2", "pass"), ("bay-2", "pass")]

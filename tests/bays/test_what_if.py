"""What if: mistakes, signals and guards at the moments between two bays, by the simulator's own view, in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.shift_input import or_end
from eolseq.commands.shift_parts import AtStation
from eolseq.errors import StationFault
from eolseq.guard.inputs import Reason
from eolseq.guard.watcher import StopLine
from eolseq.line.shift_events import Situation, Stands, Tally
from eolseq.records.audit import audit
from tests.bays.test_whole_bays import reaches
from tests.bays_rig import SCAN, BaysRig
from tests.line.test_shift_bays import SIGN_IN, Day, plate

TWO = {"bay-1": ["DH6-00000001"], "bay-2": ["DH6-00000002"]}
SIGNAL = Reason(False, "Stopped by SIGINT.", "This unit needs a new run from the start.")


def once(rig: BaysRig, when: Callable[[], bool], then: Callable[[], None]) -> list[float]:
    """Do something at the first instant at which something holds; when that was, in monotonic seconds."""
    came: list[float] = []

    def probe(_: int) -> None:
        if not came and when():
            came.append(rig.clock.monotonic())
            rig.hall.advance_to(came[0])
            then()

    rig.clock.probe = probe
    return came


def stayed(rig: BaysRig, bay: str, since: float) -> float:
    """For how many seconds from a moment anything still reached a bay."""
    return max((change["time"] - since for change in rig.hall.changes
                if change.get("bay") == bay and change.get("reaches") == "off"), default=0.0)


# -- mistakes in the program --------------------------------------------------------------------------------------


def test_a_mistake_at_one_bay_ends_the_shift_at_all_before_the_next_unit(quick_path: Path,
                                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    real = AtStation.test

    def test(here: AtStation, serial: str, *others: Any) -> Any:
        if here.bay == "bay-2":
            raise RuntimeError("a mistake")
        return real(here, serial, *others)

    monkeypatch.setattr(AtStation, "test", test)
    with BaysRig(quick_path) as rig:
        day = Day(rig)
        with pytest.raises(RuntimeError, match="a mistake"):
            day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, "bay-2"), (1.0, plate("DH6-00000002")),
                    (40.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, plate("DH6-00000003")), (60.0, "=end"))
        assert day.outcomes() == [("bay-1", "DH6-00000001", Outcome.PASS)]  # what had begun there came to its end
        over = {bay: each.do for bay, each in day.told if isinstance(each, Stands) and each.situation is Situation.ENDED}
        assert over == {"bay-1": "The shift at bay-2 ended by an error.", "bay-2": "RuntimeError: a mistake"}


def test_a_mistake_as_a_lease_ends_keeps_nothing_from_the_next_in_line(quick_path: Path,
                                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    with BaysRig(quick_path) as rig:
        def ends(*_: Any) -> None:
            raise RuntimeError("a mistake")

        monkeypatch.setattr(rig.opened.counts, "ends", ends)
        results = rig.run(TWO, seconds=300.0)
        assert all(each.outcome is Outcome.FAULT and "a mistake" in each.sentence for _, _, each in results)
        assert not rig.desk.holders() and not rig.desk.line() and rig.log.locked() is None


def test_a_mistake_within_a_step_gives_its_instruments_back_dead(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        def fail(*_: Any, **__: Any) -> Any:
            raise RuntimeError("a mistake")

        source = rig.opened.players["withstand"]
        came = once(rig, lambda: bool(rig.hall.output_on("withstand")), lambda: setattr(source, "check_errors", fail))
        results = {bay: each for bay, _, each in rig.run(TWO)}
        assert came and all("a mistake" in each.sentence for each in results.values())
        assert not rig.desk.holders() and not any(bay.door.voltage_possible for bay in rig.bays.values())
        reaches(rig.hall.changes)


def test_a_watcher_that_dies_sends_off_as_it_goes(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        bay = rig.hall.bays["bay-1"]

        def fail(_: Any) -> None:
            raise RuntimeError("a mistake")

        def die() -> None:
            rig.bays["bay-1"].watcher.on_look = fail

        came = once(rig, lambda: "withstand" in bay.reached_by and rig.hall.output_on("withstand"), die)
        results = {each_bay: each for each_bay, _, each in rig.run(TWO)}
        assert came and stayed(rig, "bay-1", came[0]) <= SCAN + 0.005
        assert "The watcher of the guard failed (RuntimeError: a mistake)" in results["bay-1"].sentence
        lock = rig.log.locked()
        assert lock is not None and lock.reason.startswith("At bay-1: ")  # nobody can see the contactor there any more
        assert results["bay-2"].outcome is Outcome.FAULT and "The station is locked" in results["bay-2"].sentence


def test_one_stop_line_that_breaks_keeps_off_from_no_other_and_the_contactor_drops(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        def fail(*_: Any) -> None:
            raise RuntimeError("a mistake")

        watcher = rig.bays["bay-1"].watcher
        watcher._lines = (StopLine("broken", fail, lambda: None, lambda: None, lambda: False), *watcher._lines)
        bay = rig.hall.bays["bay-1"]
        came = once(rig, lambda: "withstand" in bay.reached_by, lambda: watcher.trip(SIGNAL))
        results = {each_bay: each for each_bay, _, each in rig.run(TWO)}
        assert results["bay-1"].outcome is Outcome.STOPPED and results["bay-2"].outcome is Outcome.PASS
        assert stayed(rig, "bay-1", came[0]) <= 0.005 and "broken" in results["bay-1"].sentence


@pytest.mark.parametrize("after", range(4))
def test_an_error_that_off_left_in_a_shared_source_is_not_the_neighbours(quick_path: Path, after: int) -> None:
    """OFF meets an order half way, and the source notes a conflict; the bay that is next in line finds no error there."""
    with BaysRig(quick_path) as rig:
        bay, instants = rig.hall.bays["bay-1"], [0]

        def reached() -> bool:
            instants[0] += "withstand" in bay.reached_by
            return instants[0] > after

        once(rig, reached, lambda: rig.bays["bay-1"].watcher.trip(SIGNAL))
        outcomes = {name: each.outcome for name, _, each in rig.run(TWO)}
        assert outcomes == {"bay-1": Outcome.STOPPED, "bay-2": Outcome.PASS}


# -- voltage that may still be there ------------------------------------------------------------------------------


def test_a_bay_where_voltage_may_be_stays_watched_after_its_run(quick_path: Path) -> None:
    """The source hangs on; later somebody forces that bay's guard open: OFF goes out once more, and to that bay only."""
    with BaysRig(quick_path) as rig:
        once(rig, lambda: bool(rig.hall.output_on("power")), lambda: rig.hall.set_fault("stuck-silent", "power"))
        rig.run(TWO)
        rig.clock.probe = None
        live = next(name for name, bay in rig.bays.items() if bay.door.voltage_possible)
        asked: list[str] = []
        for name, bay in rig.bays.items():
            bay.watcher._lines = (StopLine(name, lambda _, name=name: asked.append(name), lambda: None,  # type: ignore[misc]
                                           lambda: None, lambda: False), *bay.watcher._lines)
        for world in rig.hall.bays.values():
            world.guard.closes_by_itself = False
            world.open_guard()
        rig.clock.sleep(2 * SCAN)
        assert asked == [live]
        assert [name for name, bay in rig.bays.items() if bay.watcher.armed] == [live]


def test_a_lease_is_not_given_back_while_voltage_may_be_there(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        bay = rig.bays["bay-1"]
        bay.watcher.seen_open = True
        with pytest.raises(StationFault, match="power cannot be shown to leave no voltage at bay-1"), \
                bay.lease(["power_source"], lambda _: None):
            bay.door.voltage_possible = True
        assert rig.desk.locked is not None and rig.desk.holder("power") == "bay-1"
        with pytest.raises(StationFault, match="The station is locked"), \
                rig.bays["bay-2"].lease(["power_source"], lambda _: None):
            raise AssertionError("granted")
        bay.door.voltage_possible = False


# -- moments between two bays -------------------------------------------------------------------------------------


def test_a_guard_opened_at_every_instant_from_the_grant_to_the_first_volt(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        world = rig.hall.bays["bay-2"]

        def run_opening(after: int | None) -> tuple[int, dict[str, Outcome], float]:
            """Open bay-2's guard so many instants after it got the tester; instants that there are, and what came of it."""
            granted: list[int] = []
            opened: list[float] = []
            first: list[int] = []
            rig.hall.changes.clear()
            rig.desk.on_grant = lambda bay, names: granted.append(rig.clock.instants) \
                if bay == "bay-2" and "withstand" in names and not granted else None

            def probe(now: int) -> None:
                if granted and not first and "withstand" in world.reached_by:
                    first.append(now - granted[0])
                if granted and not opened and after is not None and now - granted[0] >= after:
                    opened.append(rig.clock.monotonic())
                    rig.hall.advance_to(opened[0])
                    world.guard.closes_by_itself = False
                    world.open_guard()

            rig.clock.probe = probe
            outcomes = {bay: each.outcome for bay, _, each in rig.run(TWO)}
            rig.clock.probe = None
            world.guard.closes_by_itself = True
            return (first or [0])[0], outcomes, stayed(rig, "bay-2", opened[0]) if opened else 0.0

        until, outcomes, _ = run_opening(None)
        assert until > 10 and set(outcomes.values()) == {Outcome.PASS}
        for instant in range(until + 3):
            _, outcomes, on = run_opening(instant)
            assert outcomes == {"bay-1": Outcome.PASS, "bay-2": Outcome.STOPPED}, f"instant {instant}"
            assert on <= SCAN + 0.005, f"instant {instant}"
            reaches(rig.hall.changes)
        assert not rig.desk.holders() and rig.log.locked() is None


@pytest.mark.parametrize("seconds", [0.2, 0.7])
def test_a_slow_switching_unit_makes_off_no_later(quick_path: Path, seconds: float) -> None:
    """It answers every bay late; the guard of one is opened while both are in it, and while voltage is on."""
    with BaysRig(quick_path) as rig:
        bay = rig.hall.bays["bay-1"]
        rig.hall.set_fault("slow", "switching", seconds)

        def open_it() -> None:
            bay.guard.closes_by_itself = False
            bay.open_guard()

        came = once(rig, lambda: "withstand" in bay.reached_by, open_it)
        outcomes = {name: each.outcome for name, _, each in rig.run(TWO)}
        assert outcomes == {"bay-1": Outcome.STOPPED, "bay-2": Outcome.PASS}
        assert stayed(rig, "bay-1", came[0]) <= SCAN + 0.005
        reaches(rig.hall.changes)


@pytest.mark.parametrize("at", [100, 900, 1500, 2000])
def test_a_switching_unit_whose_answers_come_too_late_is_believed_by_neither_bay(quick_path: Path, at: int) -> None:
    with BaysRig(quick_path) as rig:
        start = rig.clock.instants
        once(rig, lambda: rig.clock.instants - start >= at, lambda: rig.hall.set_fault("late", "switching"))
        results = rig.run(TWO)
        late = [each for _, _, each in results if each.outcome is not Outcome.PASS]
        assert late and all(each.outcome is Outcome.FAULT for each in late)
        assert any("switching did not finish its answer" in each.sentence for each in late)
        assert not any(rig.hall.output_on(name) for name in ("withstand", "continuity", "power"))
        reaches(rig.hall.changes)


# -- ctrl-C -------------------------------------------------------------------------------------------------------


def test_a_signal_in_the_middle_of_four_bays_takes_everything_off_at_once(quick_path: Path) -> None:
    with BaysRig(quick_path, 4) as rig:
        for number in range(14):
            start, instant = rig.clock.instants, 200 + 271 * number
            rig.hall.changes.clear()
            came = once(rig, lambda begun=start, at=instant: rig.clock.instants - begun >= at,  # type: ignore[misc]
                        lambda: rig.opened.trip(SIGNAL))
            results = rig.run({f"bay-{bay}": [f"DH6-00{bay}{number:05}"] for bay in range(1, 5)})
            rig.clock.probe = None
            assert {each.outcome for _, _, each in results} <= {Outcome.STOPPED, Outcome.REFUSED, Outcome.PASS}
            assert any(each.outcome is Outcome.STOPPED for _, _, each in results), f"instant {instant}"
            assert max(stayed(rig, bay, came[0]) for bay in rig.bays) <= 0.005, f"instant {instant}"
            assert not rig.desk.holders() and not rig.log.open_runs() and rig.log.locked() is None
            reaches(rig.hall.changes)
            for bay in rig.bays.values():
                bay.watcher._for_good = None  # as if the program had been started again
        path = rig.log.path
    assert not audit(path).findings


def test_a_signal_just_before_a_unit_begins_is_not_forgotten(quick_path: Path) -> None:
    """Each bay's watcher forgets the last unit's trip as the next one begins: never a signal's."""
    with BaysRig(quick_path) as rig:
        rig.opened.trip(SIGNAL)
        results = rig.run(TWO)
        assert {each.outcome for _, _, each in results} == {Outcome.REFUSED}
        assert all("Stopped by SIGINT." in each.sentence for _, _, each in results)
        assert not any("reaches" in change for change in rig.hall.changes)


# -- a reader of codes that dies ----------------------------------------------------------------------------------


def test_a_reader_of_codes_that_fails_ends_the_shift_at_every_bay_and_says_so(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        day = Day(rig)

        def fail() -> None:
            raise RuntimeError("a mistake")

        rig.clock.start("keyboard", or_end("keyboard", day.work.board, fail))
        day.work.run(day.past)
        over = [each.do for _, each in day.told if isinstance(each, Stands) and each.situation is Situation.ENDED]
        assert over == ["The keyboard is no longer read (RuntimeError: a mistake)."] * 2


def test_a_unit_that_was_refused_is_not_counted_as_tested(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        day = Day(rig)
        day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (2.0, "bay-2"), (1.0, plate("DH6-00000001")),
                (40.0, "=end"))
        counts = {bay: (each.passed, each.others) for bay, each in day.told if isinstance(each, Tally)}
        assert counts == {"bay-1": (1, 0), "bay-2": (0, 0)}

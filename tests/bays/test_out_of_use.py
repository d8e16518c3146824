"""A bay whose own instrument is at fault is out of use: it says so, holds no output, and its neighbours work on.

The invented plant, the DH-6 and every instrument are demo data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.bay_use import SILENT, UNSEEN
from eolseq.commands.gates import Setting, gates_of
from eolseq.commands.run import bay_of, say_out_of_use
from eolseq.commands.shift_bays import BaysAtWork, look_back_at_bays
from eolseq.commands.shift_parts import AtStation
from eolseq.engine.events import Live, StepBegins
from eolseq.errors import Refused, StationFault
from eolseq.guard.power import LockedRed
from eolseq.line.scans import read_scan
from eolseq.line.shift_events import Note, Situation, Stands, UnitOver
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.station.bays import members
from eolseq.station.checks import Checks, Demand
from eolseq.station.out_of_use import Seen, doubt_of, left_out
from tests.bays_rig import BaysRig
from tests.rig import SEQUENCE
from tests.verification.test_verify_at_bays import verifier

OWN = ("guard", "residual", "airflow")
BAYS = ("bay-1", "bay-2")
UNITS = {"bay-1": "DH6-00000001", "bay-2": "DH6-00000002"}
PAST = date(2020, 1, 1)


def other(bay: str) -> str:
    return BAYS[1 - BAYS.index(bay)]


class Shifted:
    """A shift at two bays in which a person scans a unit at each, then once more at the end; ``also`` meddles."""

    def __init__(self, rig: BaysRig, past: Any = None) -> None:
        self.rig = rig
        self.told: list[tuple[str, Any]] = []
        self.also: Callable[[str, Any], None] = lambda bay, event: None
        past = past or look_back_at_bays(rig.station, (SEQUENCE,), self.tell)
        self.work = BaysAtWork(rig.clock, rig.opened, rig.pages, rig.log, (SEQUENCE,), self.tell, rig.hall.obey)
        self.past = past

    def tell(self, bay: str, event: Any) -> None:
        self.told.append((bay, event))
        self.also(bay, event)

    def run(self, *script: tuple[float, str | Callable[[], None]]) -> Shifted:
        def person() -> None:
            for seconds, what in script:
                self.rig.clock.sleep(seconds)
                scan = read_scan(what.encode()) if isinstance(what, str) else what()
                if scan is not None:
                    self.work.board.put(scan)
            self.work.board.close()
        self.rig.clock.start("person", person)
        self.work.run(self.past)
        return self

    def day(self, first: str, *then: tuple[float, str | Callable[[], None]]) -> Shifted:
        """Sign in; a unit at one bay, then at the other; then what is given."""
        return self.run((1.0, "op-07"), (3.0, "op-07"), *scanned(first, 3.0), *scanned(other(first), 2.0), *then,
                        (5.0, "=end"))

    def outcomes(self, bay: str) -> list[Outcome]:
        return [each.outcome for name, each in self.told if name == bay and isinstance(each, UnitOver)]

    def stood(self, bay: str) -> list[Stands]:
        return [each for name, each in self.told if name == bay and isinstance(each, Stands)]

    def situations(self, bay: str) -> set[Situation]:
        return {each.situation for each in self.stood(bay)}

    def out(self, bay: str) -> Stands:
        return next(each for each in self.stood(bay) if each.situation is Situation.OUT_OF_USE)

    def notes(self, bay: str) -> list[str]:
        return [each.word for name, each in self.told if name == bay and isinstance(each, Note)]


def plate(serial: str) -> str:
    return f"PLATE DH-6 {serial}"


def scanned(bay: str, after: float) -> tuple[tuple[float, str], ...]:
    return (after, bay), (1.0, plate(UNITS[bay]))


def entries(rig: BaysRig) -> list[dict[str, Any]]:
    return [dict(each.payload) for each in Records.open(rig.log.path.parent).entries()
            if each.payload["kind"] == "out_of_use"]


def watch_relays(rig: BaysRig, bay: str) -> list[int]:
    """Every relay of a bay that is closed from now on, but that of the discharge."""
    found: list[int] = []
    world = rig.hall.bays[bay]
    switch = world.switch

    def seen(channels: list[int], closed: bool) -> None:
        found.extend(each for each in channels if closed)
        switch(channels, closed)
    world.switch = seen
    return found


# -- what is enough for neighbours to work -------------------------------------------------------------------------


@pytest.mark.parametrize("seen", [Seen(*each) for each in product((True, False, None), repeat=3)])
def test_neighbours_work_only_on_two_things_that_were_seen(seen: Seen) -> None:
    enough = seen.relays_open is True and False not in seen and True in (seen.contactor_open, seen.dead)
    doubt = doubt_of("bay-2", seen)
    assert (doubt is None) is enough
    assert doubt is None or (doubt.seen is (False in seen) and "bay-2" in doubt.what)


LEFT_OUT: dict[str, tuple[tuple[str, ...], list[str]]] = {
    "a guard unit": (("guard-2",), ["bay-2"]),
    "a residual meter": (("residual-1",), ["bay-1"]),
    "what only measures": (("airflow-2",), ["bay-2"]),
    "guard unit and residual meter of one bay, by which nothing of it can be seen": (("guard-2", "residual-2"), []),
    "one thing of every bay": (("guard-1", "airflow-2"), []),
    "what all share and only measures": (("current",), []),
    "a shared source, whose output is not shown to be off": (("withstand",), []),
    "the switching unit": (("switching",), []),
}


@pytest.mark.parametrize("name", LEFT_OUT)
def test_which_bays_are_left_out_when_something_does_not_open(name: str, quick_path: Path) -> None:
    silent, bays = LEFT_OUT[name]
    rig = BaysRig(quick_path)
    roles = {each.name: rig.pages[each.name].role for each in rig.station.instruments}
    found = left_out(rig.station, lambda place: members(rig.station, place, roles), roles,
                     dict.fromkeys(silent, "does not answer."))
    assert sorted(found) == bays and all(each.what and "Call maintenance" in each.do for each in found.values())
    for each in silent:
        rig.hall.set_fault("silent", each)
    try:
        if bays:
            rig.open()
            assert sorted(rig.opened.out) == bays and sorted(rig.bays) == [each for each in BAYS if each not in bays]
            with pytest.raises(StationFault, match=f"{bays[0]} is out of use: {silent[0]}"):
                bay_of(rig.opened, rig.pages, bays[0])
        else:
            with pytest.raises(StationFault, match="instruments did not open"):
                rig.open()
    finally:
        rig.close()


def test_a_source_of_its_own_that_is_silent_holds_up_every_bay(quick_path: Path) -> None:
    from tests.bays_rig import each_with_its_own

    rig = BaysRig(quick_path, made=each_with_its_own("power"))
    rig.hall.set_fault("silent", "power-2")
    with pytest.raises(StationFault, match=r"1 of .* instruments did not open"):
        rig.open()
    rig.close()


# -- silent at the start -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bay", BAYS)
@pytest.mark.parametrize("what", OWN)
def test_silent_at_the_start(quick_path: Path, bay: str, what: str) -> None:
    rig = BaysRig(quick_path)
    name = f"{what}-{bay[-1]}"
    rig.hall.set_fault("silent", name)
    closed = watch_relays(rig, bay)
    with rig:
        shift = Shifted(rig).day(bay, *scanned(bay, 60.0))
        assert shift.outcomes(other(bay)) == [Outcome.PASS] and not shift.outcomes(bay)
        assert shift.situations(bay) == {Situation.OUT_OF_USE, Situation.ENDED}
        said = shift.out(bay)
        assert name in said.why and "telephone 411" in said.do and "OUT OF USE" in shift.notes(bay)
        assert ("touch nothing inside" in said.do) is (what == "residual")
        assert [(each["bay"], name in each["reason"]) for each in entries(rig)] == [(bay, True)]
        assert set(closed) <= {int(bay[-1]) * 100 + 30}, "no relay but that of the discharge"
        assert not any(change.get("bay") == bay and "reaches" in change for change in rig.hall.changes)
        path = rig.log.path
    assert not audit(path).findings


# -- past due, or not verified ---------------------------------------------------------------------------------------


def changed(rig: BaysRig, **changes: Any) -> None:
    rig.station = dataclasses.replace(rig.station, **changes)


@pytest.mark.parametrize("bay", BAYS)
@pytest.mark.parametrize("what", OWN)
def test_past_its_calibration(quick_path: Path, bay: str, what: str) -> None:
    rig = BaysRig(quick_path)
    name = f"{what}-{bay[-1]}"
    changed(rig, checks=Checks(Demand("never"), Demand("never")), instruments=tuple(
        dataclasses.replace(each, calibrated_until=PAST) if each.name == name else each
        for each in rig.station.instruments))
    with rig:
        shift = Shifted(rig).day(bay, (60.0, lambda: None))
        assert shift.outcomes(other(bay)) == [Outcome.PASS] and not shift.outcomes(bay)
        said = shift.out(bay)
        assert f"calibration of {name}" in said.why and "telephone 411" in said.do and "calibrated" in said.do
        assert shift.situations(bay) == {Situation.OUT_OF_USE, Situation.ENDED}
        assert Situation.OUT_OF_USE not in shift.situations(other(bay))
        assert Situation.CHECK_DUE not in shift.situations(other(bay))
        assert [(each["bay"], name in each["reason"]) for each in entries(rig)] == [(bay, True)]


def test_what_bays_share_and_is_past_due_stops_them_all(quick_path: Path) -> None:
    rig = BaysRig(quick_path)
    changed(rig, checks=Checks(Demand("never"), Demand("never")), instruments=tuple(
        dataclasses.replace(each, calibrated_until=PAST) if each.name == "current" else each
        for each in rig.station.instruments))
    with rig:
        shift = Shifted(rig).day("bay-1")
        assert not shift.outcomes("bay-1") and not shift.outcomes("bay-2")
        assert all("calibration of current" in shift.out(each).why for each in BAYS)


def test_what_was_never_verified_is_due_at_its_bay_alone(quick_path: Path) -> None:
    """A simulated station verifies within a shift: CHECK DUE, not OUT OF USE; at no other bay."""
    rig = BaysRig(quick_path)
    changed(rig, checks=Checks(Demand("day"), Demand("never")))
    with rig:
        shift = Shifted(rig).run((1.0, "op-07"), (3.0, "op-07"), (3.0, "=end"))
        for bay in BAYS:
            due = next(each for each in shift.stood(bay) if each.situation is Situation.CHECK_DUE)
            assert f"guard-{bay[-1]}" in due.why and f"guard-{other(bay)[-1]}" not in due.why


@pytest.mark.parametrize("real", [False, True])
def test_what_was_never_verified_puts_a_bay_of_a_real_station_out_of_use(real: bool, quick_path: Path) -> None:
    """Maintenance signs what is verified there, which no shift can do."""
    rig = BaysRig(quick_path)
    changed(rig, checks=Checks(Demand("day"), Demand("never")))
    with rig:
        around = AtStation(rig.clock, rig.opened, rig.pages, rig.log, (SEQUENCE,), None, {}, lambda: 1, bay="bay-2")
        if real:
            rig.opened.station = dataclasses.replace(rig.opened.station, simulated="")
        out = around.out_of_use()
        assert (out is not None) == real
        if out is not None:
            assert out.bay == "bay-2" and "guard-2" in out.what and "guard-1" not in out.what
            assert "eolseq verify" in out.do and "--bay bay-2" in out.do and "maintenance" in out.do.lower()
            assert around.out_of_use() == out  # and is written once
        assert [each["bay"] for each in entries(rig)] == ["bay-2"] * real


# -- during the shift --------------------------------------------------------------------------------------------------

THEN = {"bay-1": "DH6-00000003", "bay-2": "DH6-00000004"}
"""The second unit of each bay."""


def second_units(rig: BaysRig, bay: str, what: str) -> Shifted:
    """A unit at each bay, both read back; then something of one bay falls silent; then a second unit at each."""
    def fails() -> None:
        rig.hall.set_fault("silent", f"{what}-{bay[-1]}")
    there = other(bay)
    return Shifted(rig).day(bay, *scanned(bay, 70.0), *scanned(there, 2.0), (1.0, fails), (SILENT + 1.0, bay),
                            (1.0, plate(THEN[bay])), (2.0, there), (1.0, plate(THEN[there])), (70.0, there),
                            (1.0, plate(THEN[there])), (2.0, bay), (1.0, plate(THEN[bay])))


@pytest.mark.parametrize("bay", BAYS)
@pytest.mark.parametrize("what", OWN)
def test_silent_between_two_units(quick_path: Path, bay: str, what: str) -> None:
    """The guard unit is missed at once, a meter when the next unit is scanned; the neighbour goes on either way."""
    with BaysRig(quick_path) as rig:
        shift = second_units(rig, bay, what)
        assert shift.outcomes(bay) == [Outcome.PASS] and shift.outcomes(other(bay)) == [Outcome.PASS] * 2
        said = shift.out(bay)
        assert "telephone 411" in said.do and ("guard unit" if what == "guard" else f"{what}-{bay[-1]}") in said.why
        assert "OUT OF USE" in shift.notes(bay) and Situation.OUT_OF_USE not in shift.situations(other(bay))
        assert [each["bay"] for each in entries(rig)] == [bay] and not rig.desk.holders()
        assert rig.log.locked() is None and not rig.log.attempts(THEN[bay])


@pytest.mark.parametrize("live", [False, True])
@pytest.mark.parametrize("what", OWN)
def test_silent_while_a_unit_is_tested(quick_path: Path, what: str, live: bool) -> None:
    """Before its source is on the bay alone is out of use; while it is on, off and dead cannot be shown any more, and
    the station is locked as ever. The airflow meter, which this sequence does not need, is missed by the next unit."""
    with BaysRig(quick_path) as rig:
        shift = Shifted(rig)

        def also(bay: str, event: Any) -> None:
            begins = isinstance(event, StepBegins) and event.index == 4
            holds = isinstance(event, Live) and event.index == 4 and event.phase == "holding"
            if bay == "bay-1" and (holds if live else begins):
                rig.hall.set_fault("silent", f"{what}-1")
        shift.also = also
        shift.day("bay-1", *scanned("bay-1", 70.0), *scanned("bay-2", 1.0), (1.0, "bay-1"),
                  (1.0, plate(THEN["bay-1"])), (10.0, lambda: None))
        needed, lock = what != "airflow", rig.log.locked()
        assert shift.outcomes("bay-1") == [Outcome.FAULT if needed else Outcome.PASS]
        if needed and live:
            assert lock is not None and "bay-1" in lock.reason
            assert shift.situations("bay-1") >= {Situation.LOCKED} <= shift.situations("bay-2")
            assert Outcome.PASS not in shift.outcomes("bay-2")
        else:
            assert lock is None and "telephone 411" in shift.out("bay-1").do and not rig.desk.holders()
            assert shift.outcomes("bay-2") == [Outcome.PASS] and not rig.log.attempts(THEN["bay-1"])
    again = BaysRig(quick_path)  # a simulated station that asks for no checks frees itself as everything is proved off
    again.hall.set_fault("silent", f"{what}-1")
    with again:
        assert sorted(again.opened.out) == ["bay-1"]
        assert Shifted(again).run((1.0, "op-07"), (3.0, "op-07"), *scanned("bay-2", 3.0), (60.0, "=end")) \
            .outcomes("bay-2") == [Outcome.PASS]


def test_a_check_is_not_begun_with_an_instrument_that_is_gone(quick_path: Path) -> None:
    rig = BaysRig(quick_path)
    changed(rig, checks=Checks(Demand("never"), Demand("day")))
    with rig:
        shift = Shifted(rig).run((1.0, "op-07"), (3.0, "op-07"), (2.0, lambda: rig.hall.set_fault("silent", "residual-1")),
                                 (1.0, "bay-1"), (1.0, "=challenge"), (10.0, "bay-1"), (1.0, "=challenge"), (3.0, "=end"),
                                 (3.0, "=end"))
        assert "residual-1" in shift.out("bay-1").why and "OUT OF USE" in shift.notes("bay-1")
        assert rig.log.locked() is None and not any(each.get("output") == "on" for each in rig.hall.changes)
        assert shift.situations("bay-2") >= {Situation.CHECK_DUE} and Situation.OUT_OF_USE not in shift.situations("bay-2")


# -- a bay out of use is looked at ---------------------------------------------------------------------------------


def weld(rig: BaysRig, bay: str, channel: str) -> None:
    """A relay that is closed and does not open."""
    world = rig.hall.bays[bay]
    number, switch = world.fixture.channels[channel], world.switch
    switch([number], True)
    world.switch = lambda channels, closed: switch([n for n in channels if closed or n != number], closed)


def stick_contactor(rig: BaysRig, bay: str) -> None:
    """A contactor that is closed and does not open, whatever the guard does."""
    guard = rig.hall.bays[bay].guard
    guard.settings = dataclasses.replace(guard.settings, hard_wired=False)
    guard.permit = True
    guard.set_permit = lambda permit: None
    guard._watchdog = lambda: None
    guard.alive = False
    guard.pulse()


WRONG: dict[str, tuple[str, Callable[[BaysRig, str], None], str]] = {
    "a relay": ("guard-2", lambda rig, bay: weld(rig, bay, "route-power"), "A relay of bay-2"),
    "the contactor": ("residual-2", stick_contactor, "The contactor of bay-2"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_closed_at_a_bay_out_of_use_lets_no_bay_begin(name: str, quick_path: Path) -> None:
    silent, wrong, said = WRONG[name]
    rig = BaysRig(quick_path)
    rig.hall.set_fault("silent", silent)
    wrong(rig, "bay-2")
    with pytest.raises(LockedRed, match=said):
        rig.open()
    rig.close()
    lock = Records.open(quick_path / "records").locked()
    assert lock is not None and said in lock.reason and "call maintenance" in lock.do


@pytest.mark.parametrize("name", WRONG)
def test_what_closes_there_during_the_shift_stops_every_bay(name: str, quick_path: Path) -> None:
    silent, wrong, said = WRONG[name]
    rig = BaysRig(quick_path)
    rig.hall.set_fault("silent", silent)
    with rig:
        shift = Shifted(rig).run((1.0, "op-07"), (3.0, "op-07"), *scanned("bay-1", 3.0), (8.0, lambda: wrong(rig, "bay-2")),
                                 (3.0, lambda: None), (60.0, "=end"))
        assert shift.outcomes("bay-1") == [Outcome.FAULT]
        lock = rig.log.locked()
        assert lock is not None and said in lock.reason and rig.desk.locked is not None
        assert shift.situations("bay-1") >= {Situation.LOCKED} <= shift.situations("bay-2")
        assert not any(rig.hall.output_on(each) for each in ("withstand", "power", "continuity"))


def test_a_bay_of_which_nothing_more_is_seen_holds_up_its_neighbours(quick_path: Path) -> None:
    """Its guard unit was silent from the start, now its residual meter is too: nothing shows that it is dead."""
    rig = BaysRig(quick_path)
    rig.hall.set_fault("silent", "guard-2")
    with rig:
        shift = Shifted(rig).run((1.0, "op-07"), (3.0, "op-07"), *scanned("bay-1", 3.0),
                                 (3.0, lambda: rig.hall.set_fault("silent", "residual-2")), (UNSEEN + 5.0, lambda: None),
                                 (60.0, "=end"))
        lock = rig.log.locked()
        assert shift.outcomes("bay-1") == [Outcome.FAULT] and lock is not None
        assert "Neither guard unit nor residual meter of bay-2" in lock.reason


def test_voltage_at_a_bay_out_of_use_stops_every_bay(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = BaysRig(quick_path)
    rig.hall.set_fault("silent", "airflow-2")
    with rig:
        meter = rig.opened.closed[0].sight.by_role["residual_meter"]
        measure = meter.perform
        live = False

        def reads(action: str, **settings: Any) -> Any:
            answer = measure(action, **settings)
            if not live:
                return answer
            reading = answer.readings["volts_peak"]._replace(value=Decimal(26))
            return answer._replace(readings={"volts_peak": reading})
        monkeypatch.setattr(meter, "perform", reads)

        def comes_on() -> None:
            nonlocal live
            live = True
        shift = Shifted(rig).run((1.0, "op-07"), (3.0, "op-07"), *scanned("bay-1", 3.0), (8.0, comes_on), (60.0, "=end"))
        lock = rig.log.locked()
        assert lock is not None and "There is voltage at bay-2" in lock.reason
        assert shift.outcomes("bay-1") == [Outcome.FAULT]


def test_a_unit_that_was_under_test_there_is_told_as_one_not_to_touch(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        rig.schedule({"bay-2": ["DH6-00000002"]})
        rig.clock.sleep(3.0)  # the program dies here
    again = BaysRig(quick_path)
    again.hall.set_fault("silent", "residual-2")
    past = look_back_at_bays(again.station, (SEQUENCE,), lambda bay, event: None)
    with again:
        shift = Shifted(again, past).run((3.0, "=end"))
        said = [each.sentence for bay, each in shift.told if bay == "bay-2" and isinstance(each, Note)]
        assert any("DH6-00000002" in each and "Do not touch it" in each for each in said)
        assert not any("proved dead" in each for each in said)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("silent", ["guard-2", "airflow-2"])
def test_it_is_looked_at_until_the_last_neighbour_has_ended(silent: str, late: bool, quick_path: Path) -> None:
    """The input ends in the middle of a neighbour's test; a relay that closes at the bay out of use still stops it."""
    rig = BaysRig(quick_path)

    def fails() -> None:
        rig.hall.set_fault("silent", silent)
    if not late:
        fails()
    with rig:
        shift = Shifted(rig)
        missed = (1.0, fails), (SILENT + 1.0, "bay-2"), (1.0, plate(THEN["bay-2"]))
        script = ((1.0, "op-07"), (3.0, "op-07"), *(missed if late else ()), *scanned("bay-1", 3.0))

        def wrong() -> None:
            rig.clock.sleep(sum(seconds for seconds, _ in script) + 4.0)
            weld(rig, "bay-2", "route-power")
        rig.clock.start("later", wrong)
        shift.run(*script)
        lock = rig.log.locked()
        assert shift.outcomes("bay-1") == [Outcome.FAULT] and lock is not None and "A relay of bay-2" in lock.reason


def test_single_commands_work_at_the_other_bays_and_say_so(quick_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first bay is out: nothing takes the second for it where no bay is named."""
    rig = BaysRig(quick_path)
    rig.hall.set_fault("silent", "guard-1")
    with rig:
        say_out_of_use(rig.opened)
        assert "note: bay-1 is out of use. guard-1" in capsys.readouterr().err
        with pytest.raises(StationFault, match="bay-1 is out of use"):
            bay_of(rig.opened, rig.pages)
        gates = gates_of(Setting(SEQUENCE, rig.opened, rig.pages, rig.log, rig.clock, bay="bay-2"))
        for gate in gates.of_unit:
            gate("DH6-00000001")
        assert [str(result.outcome) for _, _, result in rig.run({"bay-2": ["DH6-00000001"]})] == ["pass"]
        with pytest.raises(Refused, match=r"guard-1 cannot be verified at bay-2\. .*--bay bay-1"):
            verifier(rig, "bay-2", []).verify(("guard-1",))
        rig.load("bay-2", "DH6-00000002")
        found = verifier(rig, "bay-2", []).verify(("residual-2", "switching"))
        assert {str(each.outcome) for each in found.results} == {"pass"}

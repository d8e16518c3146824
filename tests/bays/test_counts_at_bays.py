"""Counts of tests of shared instruments: no neighbour is taken for a stranger, and no stranger for a neighbour.

Every interleaving of leases with and without a use outside the program is drawn; invented plant and instruments.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.commands.fixture_gates import CounterGate, start_counts
from eolseq.engine.run import UnitRun
from eolseq.engine.schedule import Job
from eolseq.errors import Refused, StationFault
from eolseq.instruments.page import load_page
from eolseq.records.audit import audit
from eolseq.records.entries import InstrumentNamed, Verification
from eolseq.records.reader import Records
from eolseq.station.checks import Checks, Demand
from eolseq.station.counts import SharedCounts
from eolseq.station.desk import Desk, Reach
from eolseq.verification.counters import of_all_bays
from tests.bays.walking import every_order
from tests.bays_rig import BaysRig
from tests.rig import ROOT

T = "withstand"


class Counter:
    """Counts its tests; may be silent."""

    def __init__(self) -> None:
        self.tests, self.silent = 0, False

    def count(self) -> int:
        if self.silent:
            raise StationFault("It does not answer.", "Look at its line.")
        return self.tests


def station(clock: VirtualClock) -> tuple[Counter, Desk, SharedCounts]:
    tester, desk = Counter(), Desk(clock, {T}, Reach({}, []))
    counts = SharedCounts({T: tester}, desk)
    counts.start()
    return tester, desk, counts


# an event: a bay has the tester for so many tests, or somebody uses it otherwise, or a bay looks before a unit
EVENTS = st.lists(st.one_of(st.tuples(st.sampled_from("abc"), st.integers(0, 3)),
                            st.tuples(st.just("stranger"), st.integers(1, 2)),
                            st.tuples(st.just("look"), st.sampled_from("abc"))), max_size=20)


@settings(max_examples=200, deadline=None)
@given(EVENTS)
def test_only_a_stranger_is_found_and_always(events: list[tuple[str, Any]]) -> None:
    """Law: the first lease or look after a use outside the program finds it, and nothing else ever is found."""
    tester, desk, counts = station(VirtualClock())
    used = False
    for who, what in events:
        if who == "stranger":
            tester.tests, used = tester.tests + what, True
        elif who == "look":
            counts.look(what, [T])
            assert bool(counts.moved) is used
        else:
            held = desk.take(who, [T], lambda: None)
            if used:
                with pytest.raises(StationFault, match="outside the program"):
                    counts.begins(who, [T])
            else:
                counts.begins(who, [T])
                tester.tests += what
            counts.ends([T], lambda: None)
            desk.give_back(who, held, dead=True)
    assert used or counts.known() == {T: tester.tests}


def test_a_count_that_could_not_be_read_lends_nothing_to_the_next_lease() -> None:
    """A stranger since then would be taken for part of the station; a verification takes note of what it is now."""
    tester, desk, counts = station(VirtualClock())
    held = desk.take("a", [T], lambda: None)
    counts.begins("a", [T])
    tester.silent = True
    counts.ends([T], lambda: None)
    desk.give_back("a", held, dead=True)
    tester.silent, tester.tests = False, 3
    with pytest.raises(StationFault, match="could not be read after its last use"):
        counts.begins("b", [T])
    with counts.noting("b"):
        counts.begins("b", [T])
    counts.settle(T)
    counts.begins("b", [T])
    assert counts.known() == {T: 3}


def test_every_order_of_waking_with_looks_between_leases() -> None:
    """Two bays look and test; nobody looks while the other has the tester, and no neighbour is a stranger."""
    orders = 0

    def case(clock: VirtualClock) -> None:
        tester, desk, counts = station(clock)

        def bay(name: str) -> None:
            for _ in range(2):
                clock.sleep(0.0)
                counts.look(name, [T])
                held = desk.take(name, [T], lambda: None)
                counts.begins(name, [T])
                tester.tests += 1
                clock.sleep(0.0)
                counts.ends([T], lambda: None)
                desk.give_back(name, held, dead=True)

        tasks = [clock.start(name, lambda name=name: bay(name)) for name in "ab"]  # type: ignore[misc]
        for task in tasks:
            assert task.join(10.0) and task.error is None, task.error
        assert counts.moved == {} and counts.known() == {T: 4} and not desk.holders()

    for _ in every_order(case):
        orders += 1
    assert orders > 20


def test_nobody_looks_while_another_has_it_or_waits_for_it() -> None:
    tester, desk, counts = station(VirtualClock())
    held = desk.take("a", [T], lambda: None)
    assert counts.look("b", [T]) == {} and counts.known() == {}
    desk.give_back("a", held, dead=True)
    assert counts.look("b", [T]) == {T: 0} and not desk.holders()
    tester.silent = True
    counts.ends([T], lambda: None)
    assert counts.unsure == {T} and counts.known() == {}


# -- what the log says when the program begins anew ----------------------------------------------------------------


def entry(kind: str, run: int, counter: int | None = None, serial: str = "DH6-1", **more: Any) -> dict[str, Any]:
    named = {"name": T, "model": "M", "serial": "S", "counter": counter}
    return {"kind": kind, "index": run, "run": run, "serial": serial, "instruments": [named], "instrument": named,
            "outcome": "pass", "source": T, **more}


TWO = [entry("begin", 1, 5), entry("begin", 2, 5), entry("energise", 1), entry("energise", 2), entry("end", 1, 7)]
CUT = [*TWO, entry("energise", 2), entry("abandon", 2)]
LOGS: dict[str, tuple[list[dict[str, Any]], int, bool]] = {
    "nothing is known": ([], 9, True),
    "as the last run left it": ([*TWO, entry("end", 2, 7)], 7, True),
    "used since": ([*TWO, entry("end", 2, 7)], 8, False),
    "it went back": ([*TWO, entry("end", 2, 7)], 6, False),
    "a neighbour had it as the run ended": ([*TWO, entry("end", 2)], 7, True),
    "cut off before its second test": (CUT, 7, True),
    "cut off in its second test": (CUT, 8, True),
    "cut off, and used": (CUT, 10, False),
    "cut off, and an entry of the neighbour came late": (
        [entry("begin", 2, 5), entry("energise", 2), entry("end", 1, 5), entry("abandon", 2)], 6, True),
    "a challenge since": ([*TWO, entry("end", 2, 7), entry("begin", 9, 7, "REFERENCE-GOOD"), entry("energise", 9),
                           entry("end", 9, 8, "REFERENCE-GOOD")], 8, True),
    "used before a challenge": ([*TWO, entry("end", 2, 7), entry("begin", 9, 8, "REFERENCE-GOOD"), entry("energise", 9),
                                 entry("end", 9, 9, "REFERENCE-GOOD")], 9, False),
    "verified since": ([*TWO, entry("end", 2, 7), entry("verification", 0, 12)], 12, True),
}


@pytest.mark.parametrize("name", LOGS)
def test_what_the_log_of_several_bays_says_of_a_count(name: str) -> None:
    entries, now, sound = LOGS[name]
    assert (of_all_bays(T, now, ("M", "S"), reversed(entries)) is None) is sound


# -- whole runs -----------------------------------------------------------------------------------------------------


class CountingRig(BaysRig):
    """Two bays whose shared tester counts."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.pages[T] = load_page(ROOT / "drivers/counting/wt-5.yaml")
        never = Demand("never")
        self.station = dataclasses.replace(self.station, checks=Checks(never, never), instruments=tuple(
            dataclasses.replace(each, page="drivers/counting/wt-5.yaml") if each.name == T else each
            for each in self.station.instruments))

    def _make(self, bay: str, job: Job) -> UnitRun:
        self.bays[bay].watcher.seen_open = False  # the guard is opened for this unit, as in a shift
        self.before_unit(bay, job.serial)
        return UnitRun(self.clock, job.sequence, self.bays[bay], self.log, lambda _: None, lambda _: "tester",
                       [self.scheduled.gate(bay), CounterGate(self.opened, self.log, bay)])

    def outcomes(self, first: int) -> list[Outcome]:
        units = {bay: [f"DH6-{first + 10 * n + m:08d}" for m in range(2)] for n, bay in enumerate(self.station.bays)}
        return [result.outcome for _, _, result in self.run(units)]


def test_two_bays_share_a_tester_that_counts(quick_path: Path) -> None:
    with CountingRig(quick_path) as rig:
        tester = rig.hall.sources[T]
        assert rig.outcomes(1) == [Outcome.PASS] * 4 and tester.tests > 0
        ends = [payload for _, payload in Records.open(rig.log.path.parent).payloads(frozenset({"end"}))]
        last = next(each for each in ends[-1]["instruments"] if each["name"] == T)
        assert last["counter"] == tester.tests
        start_counts(rig.opened, rig.log)  # as the next start of the program does
        assert rig.opened.counts.moved == {} and rig.outcomes(41) == [Outcome.PASS] * 4
        tester.tests += 1
        on_before = tester.tests
        found = rig.outcomes(101)  # a unit whose gate could not look finds it at the lease of the tester
        assert set(found) <= {Outcome.REFUSED, Outcome.FAULT} and found.count(Outcome.REFUSED) >= 3
        assert tester.tests == on_before
        start_counts(rig.opened, rig.log)
        assert T in rig.opened.counts.moved, "a new start does not wash it out"
        with pytest.raises(Refused, match=f"outside the program.*eolseq verify {T} --bay bay-2\\."):
            CounterGate(rig.opened, rig.log, "bay-2")("DH6-00000001")
        identity = rig.opened.identities[T]
        named = InstrumentNamed(T, identity.model, identity.serial, tester.tests)
        with rig.opened.noting("bay-1"):
            rig.opened.counts.begins("bay-1", [T])
            rig.opened.counts.ends([T], lambda: None)
        assert rig.outcomes(201) == [Outcome.REFUSED] * 4, "no verification is on record yet"
        rig.log.append(Verification(instrument=named, outcome="pass", sentence="held", run=None))
        assert rig.outcomes(301) == [Outcome.PASS] * 4


def test_a_stranger_between_two_leases_of_one_run_is_found_before_voltage(quick_path: Path) -> None:
    with CountingRig(quick_path) as rig:
        tester, used = rig.hall.sources[T], list[bool]()

        def stranger(_: str, names: frozenset[str]) -> None:
            if T in names and not used:
                used.append(True)
                tester.tests += 1

        rig.desk.on_grant = stranger
        rig.before_unit = lambda bay, serial: (rig.load(bay, serial), used.clear() if serial.endswith("1") else None)[0]
        outcomes = rig.outcomes(1)
        assert Outcome.PASS not in outcomes and Outcome.FAIL not in outcomes
        assert not any(each.get("name") == T and each.get("output") == "on" for each in rig.hall.changes)


def test_the_audit_takes_no_neighbour_for_a_stranger(quick_path: Path) -> None:
    with CountingRig(quick_path) as rig:
        assert rig.outcomes(1) == [Outcome.PASS] * 4
        path, tester = rig.log.path, rig.hall.sources[T]
        assert not [each for each in audit(path).notes if each.name == "counter jumped"]
        tester.tests += 1
        rig.opened.counts.start()  # as if nobody had looked
        assert rig.outcomes(41) == [Outcome.PASS] * 4
    jumps = [each for each in audit(path).notes if each.name == "counter jumped"]
    assert len(jumps) == 1 and "made outside this log" in jumps[0].meaning

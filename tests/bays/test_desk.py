"""The Desk: all or none, in order of arrival, nobody starved; every order of waking of small cases is walked."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.clock import VirtualClock
from eolseq.errors import StationFault, Stopped
from eolseq.guard.power import LockedRed
from eolseq.station.desk import LONGEST_WAIT, Desk, Reach
from tests.bays.walking import every_order

NO_ROUTES = Reach({}, [])
T, P = "withstand", "power"


class Case:
    """Bays that each want instruments so many times; sees that the Desk keeps its word."""

    def __init__(self, clock: VirtualClock, wants: dict[str, list[set[str]]], hops: int = 1) -> None:
        self.clock = clock
        self.desk = Desk(clock, {T, P}, NO_ROUTES)
        self.wants = wants
        self.hops = hops
        self.using: dict[str, str] = {}
        self.grants: list[tuple[str, frozenset[str]]] = []
        self.passed: dict[str, int] = {}     # grants of what a bay waits for, to others, since it came
        self.waiting: dict[str, set[str]] = {}
        self.longest = 0
        self.desk.on_grant = self._granted

    def _granted(self, bay: str, names: frozenset[str]) -> None:
        self.grants.append((bay, names))
        for other, wanted in self.waiting.items():
            if other != bay and wanted & names:
                self.passed[other] += 1
                self.longest = max(self.longest, self.passed[other])

    def work(self, bay: str) -> Callable[[], None]:
        def task() -> None:
            for wanted in self.wants[bay]:
                self.clock.sleep(0.0)
                self.waiting[bay], self.passed[bay] = wanted, 0
                held = self.desk.take(bay, wanted, lambda: None)
                del self.waiting[bay]
                assert held == wanted
                for name in held:
                    assert name not in self.using, f"{name} is used by {self.using[name]} and {bay}"
                    self.using[name] = bay
                for _ in range(self.hops):
                    self.clock.sleep(0.0)
                for name in held:
                    del self.using[name]
                self.desk.give_back(bay, held, dead=True)
        return task

    def run(self) -> None:
        tasks = [self.clock.start(bay, self.work(bay)) for bay in self.wants]
        for task in tasks:
            assert task.join(60.0)
            assert task.error is None, task.error
        assert len(self.grants) == sum(map(len, self.wants.values())) and not self.desk.holders()
        assert self.longest <= len(self.wants) - 1, "somebody who came later was served first"


SMALL = {
    # name: what each bay wants, one after the other; in how many orders its tasks can wake
    "two bays, one instrument": ({"a": [{T}] * 4, "b": [{T}] * 4}, 384),
    "two bays, two instruments, crosswise": ({"a": [{T}, {P}, {T}, {P}], "b": [{P}, {T}, {P}, {T}]}, 768),
    "two bays, all or one": ({"a": [{T, P}, {T}, {T, P}], "b": [{T}, {T, P}, {P}]}, 96),
    "three bays, one instrument": ({"a": [{T}] * 2, "b": [{T}] * 2, "c": [{T}]}, 342),
    "three bays, two instruments, each pair": ({"a": [{T, P}] * 2, "b": [{T}, {P}], "c": [{P}]}, 774),
    "three bays, all want both": ({"a": [{T, P}] * 2, "b": [{T, P}] * 2, "c": [{T, P}] * 2}, 2_268),
}


@pytest.mark.parametrize("name", SMALL)
def test_every_order_of_waking(name: str) -> None:
    wants, expected = SMALL[name]
    count = sum(1 for _ in every_order(lambda clock: Case(clock, wants).run()))
    assert count == expected


def test_every_order_of_waking_with_a_guard_that_opens() -> None:
    """A bay that trips while it waits leaves the line at once, and nobody behind it is forgotten."""
    ends = {"granted": 0, "stopped": 0}

    def case(clock: VirtualClock) -> None:
        each = Case(clock, {"a": [{T}, {T}], "c": [{T, P}]})
        tripped = clock.signal()

        def check() -> None:
            if tripped.is_set():
                raise Stopped("The guard was opened.")

        def waits() -> None:
            clock.sleep(0.0)
            try:
                held = each.desk.take("b", {T, P}, check)
            except Stopped:
                ends["stopped"] += 1
            else:
                ends["granted"] += 1
                each.desk.give_back("b", held, dead=True)

        def guard() -> None:
            clock.sleep(0.0)
            tripped.set()
            each.desk.withdraw("b")

        tasks = [clock.start("b", waits), clock.start("guard of b", guard)]
        each.wants = {name: each.wants[name] for name in ("a", "c")}
        tasks += [clock.start(bay, each.work(bay)) for bay in each.wants]
        for task in tasks:
            assert task.join(60.0) and task.error is None, task.error
        assert not each.desk.holders() and not each.desk.line()

    count = sum(1 for _ in every_order(case))
    assert count == 2_232
    assert ends["granted"] and ends["stopped"] and sum(ends.values()) == count


def desk(**routes: dict[int, tuple[str, str]]) -> tuple[VirtualClock, Desk]:
    clock = VirtualClock()
    return clock, Desk(clock, {T, P}, Reach(routes, ["a", "b", "c"]))


def nothing() -> None:
    """No reason to stop waiting."""


def test_the_first_in_line_reserves_and_others_pass_only_with_something_else() -> None:
    clock, here = desk()
    here.take("a", {T}, nothing)
    order: list[str] = []
    told: list[str] = []

    def wants(bay: str, names: set[str]) -> Callable[[], None]:
        def task() -> None:
            here.take(bay, names, nothing, told.append)
            order.append(bay)
        return task

    first = clock.start("b", wants("b", {T, P}))
    clock.sleep(0.001)
    second = clock.start("c", wants("c", {P}))  # free, but promised to b
    clock.sleep(0.001)
    assert not order and here.line() == (("b", frozenset({T, P})), ("c", frozenset({P})))
    assert told == ["Waiting for withstand, after a. Keep the guard closed.",
                    "Waiting for power, after b. Keep the guard closed."]
    here.give_back("a", {T}, dead=True)
    assert first.join(1.0) and order == ["b"]
    here.give_back("b", {T, P}, dead=True)
    assert second.join(1.0) and order == ["b", "c"]
    assert told[2:] == ["", ""]


def test_what_a_bay_is_told_while_it_waits_stays_true_when_the_one_before_it_gets_its_turn() -> None:
    """It is told once; that a has the tester would be false as soon as b has it."""
    clock, here = desk()
    here.take("a", {T}, nothing)
    told: list[str] = []
    second = clock.start("b", lambda: here.take("b", {T}, nothing))
    clock.sleep(0.001)
    third = clock.start("c", lambda: here.take("c", {T}, nothing, told.append))
    clock.sleep(0.001)
    here.give_back("a", {T}, dead=True)
    assert second.join(1.0) and here.holder(T) == "b"
    assert told == ["Waiting for withstand, after a and b. Keep the guard closed."]
    here.give_back("b", {T}, dead=True)
    assert third.join(1.0) and told[1:] == [""]


def test_what_is_not_dead_or_still_connected_stays_and_locks_the_station() -> None:
    for dead, sentence in ((False, "cannot be shown to leave no voltage at a"), (True, "may still be connected at a")):
        clock, here = desk(switch={120: (T, "a"), 220: (T, "b")})
        here.reach.seen("switch", set(), [120, 220])
        held = here.take("a", {T}, nothing)
        here.reach.about_to_close("switch", 120)
        waits = clock.start("b", lambda here=here: here.take("b", {T}, nothing))  # type: ignore[misc]
        clock.sleep(0.001)
        if not dead:
            here.reach.seen("switch", set(), [120])
        with pytest.raises(LockedRed, match=sentence):
            here.give_back("a", held, dead=dead)
        assert here.holder(T) == "a"
        assert waits.join(1.0) and isinstance(waits.error, StationFault)
        assert str(waits.error).startswith("The station is locked: withstand ")
        with pytest.raises(StationFault, match="The station is locked"):
            here.take("c", {P}, nothing)
        assert here.holders() == {T: "a"}


def test_nobody_gets_an_instrument_while_off_is_on_its_way_to_it() -> None:
    clock, here = desk(switch={120: (T, "a")})
    held = here.take("a", {T}, nothing)
    with here.off_to("a", T) as reaches:
        assert reaches
        here.reach.seen("switch", set(), [120])
        here.give_back("a", held, dead=True)
        waits = clock.start("b", lambda: here.take("b", {T}, nothing) and None)
        clock.sleep(0.001)
        assert here.holder(T) is None
    assert waits.join(1.0) and here.holder(T) == "b"
    with here.off_to("a", T) as reaches:
        assert not reaches


def test_an_instrument_is_cleared_before_it_is_free_and_ended_only_for_who_has_it() -> None:
    _, here = desk()
    cleared: list[tuple[str, str | None]] = []
    here.on_return = lambda name: cleared.append((name, here.holder(name)))
    held, ended = here.take("a", {T}, nothing), list[str]()
    here.if_held("b", T, lambda: ended.append("b"))
    here.if_held("a", T, lambda: ended.append("a"))
    here.if_held("b", "residual-2", lambda: ended.append("own"))
    here.give_back("a", held, dead=True)
    here.if_held("a", T, lambda: ended.append("late"))
    assert ended == ["a", "own"] and cleared == [(T, "a")]


def test_a_wait_in_vain_ends_with_what_to_do() -> None:
    clock, here = desk()
    here.take("a", {T}, nothing)
    with pytest.raises(StationFault, match="b waited in vain for withstand"):
        here.take("b", {T}, nothing)
    assert clock.monotonic() == LONGEST_WAIT and not here.line()
    with pytest.raises(StationFault, match="asked for instruments while it has some"):
        here.take("a", {P}, nothing)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(("close", "read")), st.sampled_from((120, 220, 320)),
                          st.sets(st.sampled_from((120, 220, 320)))), max_size=12))
def test_reach_never_forgets_a_relay_that_may_be_closed(steps: list[tuple[str, int, set[int]]]) -> None:
    """Law: a source may reach a bay unless its relay was seen open after it was last asked to close or seen closed."""
    bay_of = {120: "a", 220: "b", 320: "c"}
    reach = Reach({"switch": {channel: (T, bay) for channel, bay in bay_of.items()}}, list("abc"))
    may = dict.fromkeys(bay_of, True)
    for what, channel, closed in steps:
        if what == "close":
            reach.about_to_close("switch", channel)
            may[channel] = True
        else:  # the bay of this channel reads the unit
            reach.seen("switch", closed, [channel])
            may.update(dict.fromkeys(closed, True))
            may[channel] = channel in closed
        assert {bay_of[each] for each, is_so in may.items() if is_so} == set(reach.bays_of(T))
        assert all(reach.may(T, bay_of[each]) == is_so for each, is_so in may.items())


def test_a_trip_in_the_middle_of_a_grant_waits_for_nobody() -> None:
    """A signal's handler runs in the thread that it interrupts, which may be at the Desk just then."""
    clock, here = desk(switch={120: (T, "a")})
    tripped: list[bool] = []

    def trip(bay: str, _: frozenset[str]) -> None:
        with here.off_to(bay, T) as reaches:
            tripped.append(reaches)
        here.if_held(bay, T, lambda: tripped.append(True))
        here.withdraw(bay)

    here.on_grant = trip
    work = clock.start("a", lambda: here.give_back("a", here.take("a", {P}, nothing), dead=True))
    assert work.join(1.0) and work.error is None
    assert tripped == [True] and not here.holders() and not here.line()  # T is not its own, so nothing was ended there

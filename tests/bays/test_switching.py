"""One switching unit for several bays: one exchange at a time, each bay its own relays, and what they may reach."""

from __future__ import annotations

from typing import Any

import pytest

from eolseq.clock import VirtualClock
from eolseq.errors import StationFault
from eolseq.instruments.roles import Answer
from eolseq.station.desk import Desk, Reach
from eolseq.station.switching import BaySwitch, Turn
from tests.bays.walking import every_order

CHANNELS = {"a": {"route-withstand": 120, "stage-1": 101, "discharge": 130},
            "b": {"route-withstand": 220, "stage-1": 201, "discharge": 230}}


class Relays:
    """A switching unit that takes a moment for each exchange, and none that comes while another one is going on."""

    name, role = "switching", "switching_unit"

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.closed: set[int] = set()
        self.asked: list[tuple[str, int | None]] = []
        self.busy = False

    def perform(self, action: str, **arguments: Any) -> Answer:
        assert not self.busy, "two bays spoke to it at once"
        self.busy = True
        self.clock.sleep(0.0)
        self.busy = False
        channel = arguments.get("channel")
        self.asked.append((action, channel))
        if action == "close":
            self.closed.add(channel)  # type: ignore[arg-type]
        elif action == "open":
            self.closed.discard(channel)  # type: ignore[arg-type]
        return Answer(channels=frozenset(self.closed))

    def check_errors(self) -> None:
        """None ever."""


def two_bays(clock: VirtualClock) -> tuple[Relays, Desk, BaySwitch, BaySwitch]:
    reach = Reach({"switching": {120: ("withstand", "a"), 220: ("withstand", "b")}}, ["a", "b"])
    desk, turn, relays = Desk(clock, {"withstand"}, reach), Turn(clock), Relays(clock)
    one, other = (BaySwitch(relays, bay, CHANNELS[bay], desk, turn) for bay in "ab")
    return relays, desk, one, other


def test_a_bay_sees_and_opens_only_its_own_relays() -> None:
    relays, _, one, other = two_bays(VirtualClock())
    for switch, channel in ((one, 101), (other, 201), (other, 230)):
        switch.perform("close", channel=channel)
    assert one.perform("closed").channels == {101} and other.perform("closed").channels == {201, 230}
    one.perform("open_all")
    assert relays.closed == {201, 230} and ("open_all", None) not in relays.asked
    with pytest.raises(StationFault, match="Channel 201 of switching is not one of a"):
        one.perform("close", channel=201)
    with pytest.raises(StationFault, match="Channel 201 of switching is not one of a"):
        one.perform("open", channel=201)


def test_a_way_from_a_shared_source_closes_only_for_who_has_it_and_reach_grows_before() -> None:
    relays, desk, one, other = two_bays(VirtualClock())
    one.perform("closed")
    assert desk.reach.bays_of("withstand") == ("b",)  # nobody has looked at the relays of b yet
    other.perform("closed")
    assert desk.reach.bays_of("withstand") == ()
    with pytest.raises(StationFault, match="was to connect withstand to a, which has not got it"):
        one.perform("close", channel=120)
    assert not relays.closed and desk.reach.bays_of("withstand") == ()
    held = desk.take("a", {"withstand"}, lambda: None)
    seen: list[tuple[str, ...]] = []
    relays.clock.probe = lambda _: seen.append(desk.reach.bays_of("withstand"))
    one.perform("close", channel=120)
    assert seen == [("a",)]  # while the order to close was on its way
    relays.clock.probe = None
    one.perform("open_all")
    assert desk.reach.bays_of("withstand") == ("a",)  # asked to open is not seen open
    one.perform("closed")
    assert desk.reach.bays_of("withstand") == ()
    desk.give_back("a", held, dead=True)


def test_a_neighbours_relay_to_what_one_has_is_among_the_closed_ones() -> None:
    relays, desk, one, other = two_bays(VirtualClock())
    desk.take("a", {"withstand"}, lambda: None)
    relays.closed |= {220, 201}
    assert one.perform("closed").channels == {220}
    assert other.perform("closed").channels == {220, 201}
    assert desk.reach.may("withstand", "b")


def test_every_order_of_waking_at_one_unit() -> None:
    """Three bays with two exchanges each: never two at once, nobody forgotten."""
    def case(clock: VirtualClock) -> None:
        relays, turn, served = Relays(clock), Turn(clock), list[str]()

        def work(bay: str) -> None:
            for _ in range(2):
                clock.sleep(0.0)
                with turn.taken("switching"):
                    relays.perform("closed")
                    served.append(bay)

        tasks = [clock.start(bay, lambda bay=bay: work(bay)) for bay in "abc"]  # type: ignore[misc]
        assert all(task.join(1.0) and task.error is None for task in tasks)
        assert sorted(served) == list("aabbcc")

    assert sum(1 for _ in every_order(case)) == 2_268


def test_a_unit_that_never_comes_free_is_told() -> None:
    clock = VirtualClock()
    turn = Turn(clock)
    with turn.taken("switching"), pytest.raises(StationFault, match="switching did not come free"), \
            turn.taken("switching"):
        pass
    with turn.taken("switching"):
        assert clock.monotonic() == 30.0

"""The virtual clock hands on a baton, jumps to the next deadline, and is the same every time."""

import itertools

import pytest

from eolseq.clock import SystemClock, VirtualClock
from eolseq.errors import Deadlock


def test_a_lone_sleeper_advances_time() -> None:
    clock = VirtualClock()
    clock.sleep(12.5)
    assert clock.monotonic() == 12.5
    assert (clock.now() - VirtualClock().now()).total_seconds() == 12.5


def test_tasks_interleave_by_deadline_then_arrival() -> None:
    clock = VirtualClock()
    seen: list[tuple[str, float]] = []

    def worker(name: str, step: float) -> None:
        for _ in range(3):
            clock.sleep(step)
            seen.append((name, clock.monotonic()))

    tasks = [clock.start("a", lambda: worker("a", 1.0)), clock.start("b", lambda: worker("b", 1.5))]
    assert all(task.join(10) for task in tasks)
    assert seen == [("a", 1.0), ("b", 1.5), ("a", 2.0), ("b", 3.0), ("a", 3.0), ("b", 4.5)]


def test_a_flag_wakes_before_the_deadline() -> None:
    clock = VirtualClock()
    flag = clock.signal()

    def raiser() -> None:
        clock.sleep(0.25)
        flag.set()

    clock.start("raiser", raiser)
    assert clock.wait(flag, 60)
    assert clock.monotonic() == 0.25
    flag.clear()
    assert not clock.wait(flag, 2)
    assert clock.monotonic() == 2.25


def test_nobody_runnable_is_a_deadlock_with_names() -> None:
    clock = VirtualClock()
    clock.start("stuck", lambda: clock.wait(clock.signal(), None) and None)
    with pytest.raises(Deadlock, match="stuck"):
        clock.wait(clock.signal(), None)


def test_an_error_in_a_task_is_kept() -> None:
    clock = VirtualClock()

    def broken() -> None:
        raise ValueError("boom")

    task = clock.start("broken", broken)
    assert task.join(1)
    assert isinstance(task.error, ValueError)


def test_choose_walks_every_wake_up_order() -> None:
    orders = set()
    for picks in itertools.product(range(3), range(2)):
        clock = VirtualClock()
        seen: list[str] = []
        choices = iter(picks)
        clock.choose = lambda ready, choices=choices: min(next(choices, 0), len(ready) - 1)
        tasks = [clock.start(name, lambda name=name, seen=seen: seen.append(name)) for name in "abc"]
        for task in tasks:
            task.join(5)
        orders.add("".join(seen))
    assert len(orders) == 6


def test_probe_is_called_at_every_hand_over_and_may_raise_a_flag() -> None:
    clock = VirtualClock()
    flag = clock.signal()
    counted: list[int] = []

    def probe(instant: int) -> None:
        counted.append(instant)
        if instant == 3:
            flag.set()

    clock.probe = probe
    clock.sleep(1)
    clock.sleep(1)
    assert clock.wait(flag, 100)
    assert clock.monotonic() == 2.0
    assert counted == [1, 2, 3]


def test_close_ends_every_task() -> None:
    clock = VirtualClock()
    ended: list[str] = []

    def forever() -> None:
        try:
            while True:
                clock.sleep(1)
        finally:
            ended.append("ended")

    task = clock.start("forever", forever)
    clock.sleep(5)
    clock.close()
    assert task.done() and ended == ["ended"]


def test_the_system_clock_keeps_the_same_contract() -> None:
    clock = SystemClock()
    flag = clock.signal()
    task = clock.start("raiser", flag.set)
    assert clock.wait(flag, 5)
    assert task.join(5) and task.error is None
    before = clock.monotonic()
    assert not clock.wait(clock.signal(), 0.01)
    assert clock.monotonic() - before >= 0.009


def test_a_task_may_start_another_and_end_with_it_as_the_next_to_run() -> None:
    clock, done = VirtualClock(), []

    def first() -> None:
        clock.start("second", lambda: done.append(clock.monotonic()))

    task = clock.start("first", first)
    clock.sleep(1.0)
    assert task.done() and task.error is None
    assert done == [0.0]

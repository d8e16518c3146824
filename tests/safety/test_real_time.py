"""Voltage goes away in real time too, whatever happens to the program or its lines, by the simulator's own view.

The simulated station and the program are processes of their own, joined by real sockets and a pseudo-terminal. The
station file names the addresses as that of a real bench would, so the cautions are acknowledged at a terminal.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.records.audit import audit
from tests.safety.cases import CUT_CASES, STATES, State
from tests.safety.real import Bench, Program, bench_at, short_sequence

pytestmark = pytest.mark.real_time

WATCHDOG = 0.3            # s, of the demo station
ALLOWED = WATCHDOG + 0.1  # s
AT_ONCE = 0.05            # s from a signal to the output off: one wake-up of the program and one message


@pytest.fixture
def bench(quick_path: Path) -> Iterator[Bench]:
    """A bench of its own for each test."""
    with bench_at(quick_path) as made:
        yield made


def reach(bench: Bench, state: State) -> Program:
    """A run that is in this state now."""
    program = bench.start(short_sequence(bench.folder, state.kind))
    simulator = bench.simulator
    simulator.await_event(lambda event: event.get("output") == "on" and event["name"] == state.source)
    if state.message:
        simulator.await_answer(state.meter, state.message, state.reached)
    return program


def seconds_energised(bench: Bench, state: State, moment: float) -> float:
    """Seconds from a moment, at which the unit was energised, until it was so no more."""
    event = bench.simulator.await_event(
        lambda e: (e.get("output") == "off" and e["name"] == state.source) or e.get("contactor") == "open", since=moment)
    assert state.source in bench.simulator.outputs(until=moment)
    assert bench.simulator.contactor_closed(until=moment)
    return float(event["time"] - moment)


def stays_off(bench: Bench) -> None:
    """Nothing reaches the unit, and the log is whole."""
    bench.simulator.catch_up()
    assert not bench.simulator.outputs() or not bench.simulator.contactor_closed()
    assert not audit(bench.records / "log.jsonl").findings


def last(bench: Bench, kind: str) -> dict[str, Any]:
    """The last entry of a kind."""
    return [entry for entry in bench.entries() if entry["kind"] == kind][-1]


@pytest.mark.parametrize("state", STATES, ids=str)
def test_killed(bench: Bench, state: State) -> None:
    program = reach(bench, state)
    moment = program.kill(signal.SIGKILL)
    assert seconds_energised(bench, state, moment) <= ALLOWED
    assert program.ends() == -signal.SIGKILL
    stays_off(bench)
    kinds = [entry["kind"] for entry in bench.entries()]
    assert kinds[-1] in ("energise", "reading") and "end" not in kinds

    again = bench.start(short_sequence(bench.folder, state.kind))
    assert again.ends() == 0
    entries = bench.entries()
    abandon, begin, end = (last(bench, kind) for kind in ("abandon", "begin", "end"))
    assert (abandon["serial"], abandon["energised"]) == (begin["serial"], "yes")
    assert abandon["index"] == begin["index"] - 1
    assert (begin["attempt"], end["attempt"], end["outcome"]) == (2, 2, "pass")
    assert [each["outcome"] for each in begin["earlier"]] == ["abandoned"]
    assert end["run"] == begin["index"] and end["index"] == len(entries) - 1
    stays_off(bench)


@pytest.mark.parametrize("state", STATES, ids=str)
def test_stopped_by_the_system_and_continued(bench: Bench, state: State) -> None:
    program = reach(bench, state)
    moment = program.kill(signal.SIGSTOP)
    assert seconds_energised(bench, state, moment) <= ALLOWED
    program.kill(signal.SIGCONT)
    assert program.ends() == 5
    assert last(bench, "end")["outcome"] == "fault"
    stays_off(bench)


@pytest.mark.parametrize(("state", "instrument", "fault"), CUT_CASES, ids=str)
def test_link_cut(bench: Bench, state: State, instrument: str, fault: str) -> None:
    program = reach(bench, state)
    bench.simulator.catch_up()
    moment = time.monotonic()
    bench.simulator.order(fault={"name": fault, "instrument": instrument})
    assert seconds_energised(bench, state, moment) <= ALLOWED
    assert program.ends() == 5
    assert last(bench, "end")["outcome"] == "fault"
    stays_off(bench)

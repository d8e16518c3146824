"""Voltage goes away in real time too, whatever happens to the program or its lines, by the simulator's own view.

The simulated station and the program are processes of their own, joined by real sockets and a pseudo-terminal. The
station file names the addresses as that of a real bench would, so the cautions are acknowledged at a terminal.
"""

from __future__ import annotations

import dataclasses
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.run import bay_of, ready_log
from eolseq.commands.wiring import real_wires
from eolseq.engine.events import SafetyState
from eolseq.engine.run import UnitRun
from eolseq.instruments.page import load_page
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.screen.words import ASK
from eolseq.sequence.load import load_sequence
from eolseq.station.file import load_station
from eolseq.station.open import open_station
from tests.safety.cases import CUT_CASES, STATES, State
from tests.safety.real import SERIAL, TRIAL_PASSED, Bench, Program, Simulator, bench_at, bench_station, short_sequence

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
        simulator.await_answer(state.meter, state.message, state.reached, program)
    return program


def seconds_energised(bench: Bench, state: State, moment: float) -> float:
    """Seconds from a moment, at which the unit was energised, until it was so no more."""
    event = bench.simulator.await_event(
        lambda e: (e.get("output") == "off" and e["name"] == state.source) or e.get("contactor") == "open", since=moment)
    assert state.source in bench.simulator.outputs(until=moment)
    assert bench.simulator.contactor_closed(until=moment)
    seconds = float(event["time"] - moment)
    print(f"{state}: energised for {seconds * 1000:.1f} ms more")  # pytest -s shows it
    return seconds


def stays_off(bench: Bench) -> None:
    """Nothing reaches the unit, and the log is whole."""
    bench.simulator.catch_up()
    assert not bench.simulator.outputs() or not bench.simulator.contactor_closed()
    assert not audit(bench.records / "log.jsonl").findings


def ended(program: Program, code: int) -> None:
    """The program ends with this exit code; what it wrote is shown otherwise."""
    assert program.ends() == code, program.text


def last(bench: Bench, kind: str) -> dict[str, Any]:
    """The last entry of a kind."""
    return [entry for entry in bench.entries() if entry["kind"] == kind][-1]


@pytest.mark.parametrize("state", STATES, ids=str)
def test_killed(bench: Bench, state: State) -> None:
    program = reach(bench, state)
    moment = program.kill(signal.SIGKILL)
    assert seconds_energised(bench, state, moment) <= ALLOWED
    ended(program, -signal.SIGKILL)
    stays_off(bench)
    kinds = [entry["kind"] for entry in bench.entries()]
    assert kinds[-1] in ("energise", "reading") and "end" not in kinds

    again = bench.start(short_sequence(bench.folder, state.kind))
    ended(again, TRIAL_PASSED)
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
    ended(program, 5)
    assert last(bench, "end")["outcome"] == "fault"
    stays_off(bench)


@pytest.mark.parametrize(("state", "instrument", "fault"), CUT_CASES, ids=str)
def test_link_cut(bench: Bench, state: State, instrument: str, fault: str) -> None:
    program = reach(bench, state)
    bench.simulator.catch_up()
    moment = time.monotonic()
    bench.simulator.order(fault={"name": fault, "instrument": instrument})
    assert seconds_energised(bench, state, moment) <= ALLOWED
    ended(program, 5)
    assert last(bench, "end")["outcome"] == "fault"
    stays_off(bench)


def terminate(program: Program) -> float:
    """SIGTERM, as a system going down sends it."""
    return program.kill(signal.SIGTERM)


def hang_up(program: Program) -> float:
    """The terminal closes under the program, and the system sends SIGHUP."""
    return program.hang_up()


def press_ctrl_c(program: Program) -> float:
    """Ctrl-C at the terminal."""
    now = time.monotonic()
    program.type("\x03")
    return now


ENDINGS = ((press_ctrl_c, "Ctrl-C"), (terminate, "a signal"), (hang_up, "a closed terminal"))


@pytest.mark.parametrize("state", STATES, ids=str)
@pytest.mark.parametrize(("end", "words"), ENDINGS, ids=[words for _, words in ENDINGS])
def test_ended_by_a_person(bench: Bench, state: State, end: Callable[[Program], float], words: str) -> None:
    program = reach(bench, state)
    bench.simulator.catch_up()
    moment = end(program)
    assert seconds_energised(bench, state, moment) <= AT_ONCE
    ended(program, 4)
    assert last(bench, "end")["outcome"] == "stopped"
    assert f"Stopped by {words}." in last(bench, "end")["sentence"]
    stays_off(bench)


@pytest.mark.parametrize(("end", "words"), ENDINGS, ids=[words for _, words in ENDINGS])
def test_ended_before_it_began(bench: Bench, end: Callable[[Program], float], words: str) -> None:
    program = bench.program(short_sequence(bench.folder))
    program.await_text(ASK)
    end(program)
    ended(program, 3)
    bench.simulator.catch_up()
    assert not any(event.get("output") == "on" for event in bench.simulator.events)
    assert "begin" not in [entry["kind"] for entry in bench.entries()]
    stays_off(bench)


@pytest.mark.parametrize("state", STATES, ids=str)
def test_guard_opened(bench: Bench, state: State) -> None:
    program = reach(bench, state)
    bench.simulator.catch_up()
    moment = time.monotonic()
    bench.simulator.order(open="both")
    assert seconds_energised(bench, state, moment) <= AT_ONCE
    ended(program, 4)
    assert last(bench, "end")["outcome"] == "stopped"
    stays_off(bench)


# What is stuck, and the simulated station through the command line alone.


def test_stuck_output_whose_own_meter_reads_nothing(bench: Bench) -> None:
    """On a bench of real instruments the station stays locked until maintenance has unlocked it."""
    withstand = STATES[2]
    program = reach(bench, withstand)
    bench.simulator.order(fault={"name": "stuck-silent", "instrument": "withstand"})
    ended(program, 5)
    assert "DANGER" in program.text
    assert last(bench, "end")["outcome"] == "fault"
    lock = last(bench, "lock")
    assert "unlock" not in [entry["kind"] for entry in bench.entries()]
    bench.simulator.catch_up()
    assert bench.simulator.outputs() == {"withstand"}
    assert not bench.simulator.contactor_closed()
    assert bench.simulator.ask("guard", "OUTP2?") == "1", "the guard must stay locked"
    bench.simulator.order(clear_faults=True)
    again = bench.program(short_sequence(bench.folder))
    ended(again, 3)
    assert "This station is locked" in again.text and lock["reason"].split(";")[0] in " ".join(again.text.split())


def run_and_stick(path: Path, sequence: Path, simulator: Simulator) -> Outcome:
    """Run the simulated station on the addresses of a simulator of ours, and stick the tester's output once it is on."""
    station = load_station(path)
    station = dataclasses.replace(station, records=str(path.parent / "records"), key=str(path.parent / station.key))
    pages = {each.name: load_page(Path(each.page)) for each in station.instruments}
    wires = real_wires(simulator.addresses)

    def announced(event: object) -> None:
        if isinstance(event, SafetyState) and event.state == "energised" and event.red:
            simulator.order(fault={"name": "stuck-silent", "instrument": "withstand"})

    opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock)
    try:
        log = ready_log(station, opened, wires.clock)
        try:
            run = UnitRun(wires.clock, load_sequence(sequence), bay_of(opened, pages), log, announced, lambda _: "tester")
            return run.run(SERIAL).outcome
        finally:
            log.close()
    finally:
        opened.close()


def test_stuck_output_on_a_simulated_station_unlocks_at_its_next_start(quick_path: Path) -> None:
    """The first run is in this process, because nobody else can spoil the instruments of a simulated station."""
    path, sequence = bench_station(quick_path, None), short_sequence(quick_path, "dielectric_withstand")
    simulator = Simulator()
    try:
        assert run_and_stick(path, sequence, simulator) is Outcome.FAULT
    finally:
        simulator.close()
    kinds = [entry.payload["kind"] for entry in Records.open(quick_path / "records").entries(0)]
    assert kinds[-1] == "end" and "lock" in kinds and "unlock" not in kinds
    program = Program(quick_path, "run", str(sequence), "--unit", SERIAL, "--station", str(path), "--acknowledge", "x")
    try:
        ended(program, 0)
    finally:
        program.close()
    payloads = [entry.payload for entry in Records.open(quick_path / "records").entries(0)]
    assert [each["kind"] for each in payloads if each["kind"] in ("lock", "unlock", "begin")] == \
        ["begin", "lock", "unlock", "begin"]
    assert payloads[-1]["outcome"] == "pass" and payloads[-1]["attempt"] == 2
    assert not audit(quick_path / "records" / "log.jsonl").findings

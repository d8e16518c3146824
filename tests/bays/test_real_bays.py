"""Two bays at once over real sockets and a pseudo-terminal, with threads for tasks, against a simulated station."""

from __future__ import annotations

import contextlib
import dataclasses
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.run import SWITCH_INTERVAL, bay_of, ready_log
from eolseq.commands.wiring import real_wires, simulated_bench
from eolseq.engine.run import RunResult, UnitRun
from eolseq.engine.schedule import Feed, Job, Schedule
from eolseq.records.audit import audit
from eolseq.station.open import open_station
from tests.bays_rig import PAGES, STATION
from tests.rig import ROOT, SEQUENCE


@pytest.mark.real_lines
def test_two_bays_over_real_lines_and_the_guard_of_a_third_stops_nobody(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    station = dataclasses.replace(STATION, records=str(tmp_path / "records"), key=str(tmp_path / "keys/station.pem"),
                                  guard=dataclasses.replace(STATION.guard, freshness=0.25))  # others run beside it
    results: dict[str, RunResult] = {}
    crashes: list[Exception | None] = []
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_INTERVAL)
    with simulated_bench(station, Path("simulators/four-bays.yaml"), "DH6-00000001") as (addresses, order):
        wires = real_wires(addresses)
        opened = open_station(station, PAGES, wires.addresses, wires.manager, wires.clock)
        log = ready_log(station, opened, wires.clock)
        try:
            bays = {name: bay_of(opened, PAGES, name) for name in ("bay-1", "bay-2")}
            feeds = {name: Feed(wires.clock) for name in bays}
            runs: list[UnitRun] = []

            def make(bay: str, job: Job) -> UnitRun:
                runs.append(UnitRun(wires.clock, job.sequence, bays[bay], log, lambda _: None, lambda _: "tester",
                                    [schedule.gate(bay)]))
                return runs[-1]

            schedule = Schedule(wires.clock, bays, feeds, make, lambda bay, _, result: results.update({bay: result}))
            for number, name in enumerate(bays, 1):
                feeds[name].put(Job(f"DH6-0000000{number}", SEQUENCE))
                feeds[name].close()
            schedule.start()
            order({"bay": "bay-3", "open": "both"})
            assert schedule.join(60.0)
            crashes = [each.crash for each in runs]
            path = log.path
        finally:
            log.close()
            opened.close()
            sys.setswitchinterval(before)
    assert crashes == [None, None]
    assert {bay: each.outcome for bay, each in results.items()} == {"bay-1": Outcome.PASS, "bay-2": Outcome.PASS}, \
        [each.sentence for each in results.values()]
    assert not audit(path).findings


class Process:
    """``eolseq shift`` at the four bays, in a folder of its own; what it said so far is in ``said``."""

    def __init__(self, folder: Path) -> None:
        self.said: list[str] = []
        self.child = subprocess.Popen([sys.executable, "-m", "eolseq", "shift", "--station", "simulators/four-bays.yaml"],
                                      cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)

    def __enter__(self) -> Process:
        return self

    def __exit__(self, *_: object) -> None:
        self.child.kill()
        self.child.wait()
        for stream in (self.child.stdin, self.child.stdout):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()

    def until(self, *wanted: str) -> None:
        """Read lines until each of these has been in one of them."""
        missing = set(wanted)
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self.said.append(line.rstrip("\n"))
            missing -= {each for each in missing if each in line}
            if not missing:
                return
        raise AssertionError(f"it ended without {missing}: {self.said[-20:]}")

    def scan(self, *codes: str) -> None:
        """Scan these codes."""
        assert self.child.stdin is not None
        for code in codes:
            self.child.stdin.write(f"{code}\n")
        self.child.stdin.flush()

    def sign_in(self) -> None:
        """At every bay at once."""
        self.until(*(f"{bay} | SIMULATED SIGN IN" for bay in STATION.bays))
        self.scan("op-07")
        self.until(*(f"{bay} | SIMULATED READ" for bay in STATION.bays))
        self.scan("op-7x", "op-07")  # another badge acknowledges nothing
        self.until(*(f"{bay} | SIMULATED SCAN UNIT" for bay in STATION.bays))

    def two_units(self) -> None:
        """A unit in each of the first two bays, both under test."""
        self.scan("bay-1", "PLATE DH-6 DH6-00000001", "bay-2", "PLATE DH-6 DH6-00000002")
        self.until("bay-1 | SIMULATED step 1 of 6", "bay-2 | SIMULATED step 1 of 6")


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    for each in ("sequences", "drivers", "simulators"):
        shutil.copytree(ROOT / each, tmp_path / each)
    return tmp_path


@pytest.mark.real_lines
def test_a_shift_at_four_bays_killed_in_the_middle_and_started_again(plant: Path) -> None:
    with Process(plant) as first:
        first.sign_in()
        first.two_units()
        first.child.kill()
    with Process(plant) as again:
        again.until("bay-1 | SIMULATED SIGN IN", "bay-2 | SIMULATED SIGN IN")
        for bay, serial in (("bay-1", "DH6-00000001"), ("bay-2", "DH6-00000002")):
            assert any(line.startswith(f"{bay} | ") and f"Unit {serial} was under test in {bay}" in line
                       for line in again.said), again.said
        again.scan("=end")
        again.until("bay-1 | SIMULATED SHIFT OVER")
        assert again.child.wait(20) == 0
    report = audit(plant / "bays-records/log.jsonl")
    assert not report.findings and report.outcomes["abandoned"] == 2


@pytest.mark.real_lines
def test_a_signal_makes_every_bay_safe_before_it_ends_the_shift(plant: Path) -> None:
    with Process(plant) as shift:
        shift.sign_in()
        shift.two_units()
        shift.child.send_signal(signal.SIGTERM)
        shift.until(*(f"{bay} | SIMULATED SHIFT OVER" for bay in STATION.bays))
        assert shift.child.wait(20) == 4
    report = audit(plant / "bays-records/log.jsonl")
    assert not report.findings and report.outcomes["stopped"] == 2

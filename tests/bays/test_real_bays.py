"""Two bays at once over real sockets and a pseudo-terminal, with threads for tasks, against a simulated station."""

from __future__ import annotations

import dataclasses
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


@pytest.mark.real_time
def test_two_bays_over_real_lines_and_the_guard_of_a_third_stops_nobody(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    station = dataclasses.replace(STATION, records=str(tmp_path / "records"), key=str(tmp_path / "keys/station.pem"))
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

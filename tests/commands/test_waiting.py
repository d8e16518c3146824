"""Reworks and voids said while another process has the log: they wait, are entered once, and what no longer fits is told."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.commands import signing
from eolseq.commands.waiting import FOLDER, LARGEST, take_in
from eolseq.line.unit_state import Standing, state_of
from eolseq.records.audit import audit
from eolseq.records.log import Log
from eolseq.station.file import Station, load_station
from tests.line.stories import UNIT, run_of
from tests.rig import ROOT

DONE = ("--cause", "pinched wire", "--changed", "wire replaced", "--by", "op-07")


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Station:
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "simulators/demo-station.yaml", "demo.yaml")
    return load_station(Path("demo.yaml"))


def waiting(place: str = "") -> list[Path]:
    return sorted((Path("records") / FOLDER / place).glob("*.json"))


def log_with(station: Station, *outcomes: str) -> Log:
    log = signing.open_log(station)
    for outcome in outcomes:
        run_of(log, outcome)
    log.checkpoint()
    return log


def test_they_wait_and_are_entered_before_the_next_unit(station: Station, capsys: pytest.CaptureFixture[str]) -> None:
    with log_with(station, "fail") as log:
        assert main(["rework", UNIT, *DONE, "--station", "demo.yaml"]) == 0
        assert "is handed in. It is entered before the next unit" in capsys.readouterr().out
        assert state_of(log, UNIT).standing is Standing.FAILED and len(waiting()) == 1
        said = take_in(log, station)
        assert state_of(log, UNIT).standing is Standing.REWORKED
        assert len(said) == 1 and "rework of unit DH6-00000001 by op-07 (SIMULATED)" in said[0]
        assert take_in(log, station) == [] and len(waiting("done")) == 1
        run_of(log, "pass")
        log.checkpoint()
        assert main(["void", UNIT, "--reason", "opened", "--by", "op-07", "--station", "demo.yaml"]) == 0
    assert main(["records", UNIT]) == 0
    assert "passed" in capsys.readouterr().out
    with signing.open_log(station) as log:  # any command that opens the log takes it in first
        assert state_of(log, UNIT).standing is Standing.VOIDED
    assert len(waiting("done")) == 2 and not waiting("refused") and not audit(Path("records/log.jsonl")).findings


def test_what_does_not_fit_any_more_is_set_aside_and_told(station: Station) -> None:
    with log_with(station, "fail") as log:
        assert main(["rework", UNIT, *DONE, "--station", "demo.yaml"]) == 0
        assert main(["void", UNIT, "--reason", "opened", "--by", "op-07", "--station", "demo.yaml"]) == 0
        run_of(log, "fail")
        said = take_in(log, station)
        assert "was tested again after the run of entry 3" in said[0] and "There is no pass to void" in said[1]
        assert state_of(log, UNIT).standing is Standing.FAILED
        size = log.size
        assert take_in(log, station) == [] and log.size == size
    assert len(waiting("refused")) == 2 and not waiting("done")


def test_two_bays_that_take_in_at_once_enter_it_once(station: Station) -> None:
    with log_with(station, "fail") as log:
        assert main(["rework", UNIT, *DONE, "--station", "demo.yaml"]) == 0
        with ThreadPoolExecutor(4) as bays:
            said = [each.result() for each in [bays.submit(take_in, log, station) for _ in range(4)]]
        assert sum(map(len, said)) == 1
        assert [each.kind for each in log.about(UNIT)] == ["rework"]


def test_what_the_lead_signs_is_not_handed_in(station: Station, capsys: pytest.CaptureFixture[str]) -> None:
    with log_with(station, "fail"):
        assert main(["rework", UNIT, *DONE, "--lead", "--station", "demo.yaml"]) == 3
        assert "in use by another process" in capsys.readouterr().err
        assert main(["release", UNIT, "--reason", "x", "--by", "q-1", "--station", "demo.yaml"]) == 3
    assert not waiting()


GOOD = {"v": 1, "kind": "void", "serial": UNIT, "reason": "opened", "by": "op-07"}
BAD: dict[str, bytes] = {
    "nothing": b"",
    "half a request": json.dumps(GOOD).encode()[:-9],
    "no object": b"[1]",
    "a number": b"7",
    "very deep": b"[" * LARGEST,
    "not UTF-8": b'{"v":1,"kind":"\xff"}',
    "another kind": json.dumps(GOOD | {"kind": "release"}).encode(),
    "another version": json.dumps(GOOD | {"v": 2}).encode(),
    "a field too many": json.dumps(GOOD | {"lead": "yes"}).encode(),
    "a field too few": json.dumps({name: GOOD[name] for name in ("v", "kind", "serial", "by")}).encode(),
    "a serial that is a list": json.dumps(GOOD | {"serial": [UNIT]}).encode(),
    "a name": json.dumps(GOOD | {"by": "anna"}).encode(),
    "too long": json.dumps(GOOD | {"reason": "x" * LARGEST}).encode(),
    "a lead's word": json.dumps({"v": 1, "kind": "rework", "serial": UNIT, "run": 3, "sequence": "s", "cause": "c",
                                 "changed": None, "by": "op-1", "lead": "yes"}).encode(),
    "a run that is true": json.dumps({"v": 1, "kind": "rework", "serial": UNIT, "run": True, "sequence": "s", "cause": "c",
                                      "changed": None, "by": "op-1"}).encode(),
    "a unit never tested": json.dumps(GOOD | {"serial": "DH6-00000009"}).encode(),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_requests_change_nothing_but_a_remark(station: Station, name: str) -> None:
    with log_with(station, "pass") as log:
        (Path("records") / FOLDER).mkdir()
        (Path("records") / FOLDER / "1-void.json").write_bytes(BAD[name])
        before = state_of(log, UNIT)
        assert "is not entered" in take_in(log, station)[0]
        assert state_of(log, UNIT).index == before.index and log.size == before.index + 2  # type: ignore[operator]
    assert len(waiting("refused")) == 1

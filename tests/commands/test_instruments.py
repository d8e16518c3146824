"""Who answers at the bench, and how each stands; a trace of it. Real sockets, real processes; the plant is invented."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.commands import signing
from eolseq.commands.instruments import at_words
from eolseq.records import entries
from eolseq.station.file import load_station
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

DEMO = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with the demo's files beside it."""
    monkeypatch.chdir(tmp_path)
    for name in ("simulators", "drivers", "sequences"):
        (tmp_path / name).symlink_to(ROOT / name)
    return tmp_path


def station(changes: dict[str, str]) -> str:
    text = DEMO
    for pattern, new in changes.items():
        text, count = re.subn(pattern, new, text)
        assert count, pattern
    Path("bench.yaml").write_text(text, "utf-8")
    return "bench.yaml"


def test_all_in_order_with_a_trace(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["instruments", "--station", "simulators/demo-station.yaml", "--json", "--trace", "t.jsonl"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [each["name"] for each in said["instruments"]] == [each.name for each in load_station(
        ROOT / "simulators/demo-station.yaml").instruments]
    assert all(float(each["round_trip_ms"]) > 0 and each["problem"] is None for each in said["instruments"])
    assert said["instruments"][0]["identity"] == "Aldervale Instruments (simulated),WT-5,SIM-0001,1.0"
    head, *events = [json.loads(line) for line in Path("t.jsonl").read_text("utf-8").splitlines()]
    assert (head["kind"], head["command"]) == ("trace", "instruments")
    for each in said["instruments"]:
        mine = [one for one in events if one["instrument"] == each["name"]]
        assert [one["what"] for one in mine] == ["out", "in"] * (len(mine) // 2) and len(mine) >= 12
        assert [one["at"] for one in mine] == sorted(one["at"] for one in mine)
        assert mine[0]["text"] == "*IDN?" and mine[1]["text"] == each["identity"]
    assert not (folder / "records").exists(), "looking makes no log"


def test_a_trace_is_never_written_over_an_old_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("t.jsonl").write_text("kept")
    assert main(["instruments", "--station", "simulators/demo-station.yaml", "--trace", "t.jsonl"]) == 2
    assert "is there already" in capsys.readouterr().err and Path("t.jsonl").read_text() == "kept"


@pytest.mark.parametrize(("changes", "code", "words"), [
    ({"SIM-0004": "SIM-0444"}, 5, ["WRONG", "reports the serial number SIM-0004, not SIM-0444"]),
    ({r"(serial: SIM-0005, calibrated_until: )2099-12-31": r"\g<1>2020-12-31"}, 1,
     ["SEE BELOW", "was good until 2020-12-31"]),
    ({r"\nguard:": "\nchecks: {verification: {every: day}, challenge: {every: day}}\n\nguard:"}, 1,
     ["power: (PS-9 SIM-0003) was never verified", "The station was never challenged"]),
    ({r"\nguard:": "\nfaulty: [current:silent]\n\nguard:"}, 5, ["NO ANSWER", "current: did not finish its answer"]),
])
def test_what_is_not_in_order(folder: Path, capsys: pytest.CaptureFixture[str], changes: dict[str, str], code: int,
                              words: list[str]) -> None:
    assert main(["instruments", "--station", station(changes)]) == code
    said = capsys.readouterr().out
    assert all(each in said for each in words), said
    assert "withstand   WT-5" in said, "the others are shown all the same"


def test_a_lock_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with signing.open_log(load_station(ROOT / "simulators/demo-station.yaml")) as log:
        log.append(entries.Lock(reason="Dead was not proved.", do="Measure before opening."))
    assert main(["instruments", "--station", "simulators/demo-station.yaml"]) == 1
    assert "The station is locked (entry 1): Dead was not proved." in capsys.readouterr().out


def test_a_real_station_that_another_program_works_on_is_left_alone(folder: Path,
                                                                     capsys: pytest.CaptureFixture[str]) -> None:
    text = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",', DEMO)
    Path("bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    with signing.open_log(load_station(Path("bench.yaml"))):
        assert main(["instruments", "--station", "bench.yaml"]) == 3
        assert main(["talk", "power", "--station", "bench.yaml", "--send", "*IDN?"]) == 3
    assert capsys.readouterr().err.count("in use by another process") == 2


@pytest.mark.parametrize(("address", "words"), [
    ("TCPIP0::10.0.0.5::5025::SOCKET", "10.0.0.5:5025"), ("ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
    ("TCPIP0::10.0.0.5::hislip0,4880::INSTR", "TCPIP0::10.0.0.5::hislip0,4880::INSTR")])
def test_addresses_as_people_say_them(address: str, words: str) -> None:
    assert at_words(address) == words

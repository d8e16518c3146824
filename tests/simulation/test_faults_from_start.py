"""Faults that are there from the start: how they are written, where they may stand, and that they are really there."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.__main__ import main
from eolseq.errors import FileMistakes, WrongUse
from eolseq.simulation.faulty import Fault, pattern, read_fault
from eolseq.simulation.fields import MANNERS, ROLES
from eolseq.simulation.file import build, load_simulator
from eolseq.station.file import STATION, load_station
from tests.rig import ROOT, SIMULATOR
from tests.safety.real import Simulator

STATION_FILE, SIMULATOR_FILE = ROOT / "simulators/demo-station.yaml", ROOT / "simulators/demo-simulator.yaml"

WRITTEN = {
    "current:silent": Fault("current", "silent"), "current:drifted:0.02": Fault("current", "drifted", 0.02),
    "guard:slow:5e-3": Fault("guard", "slow", 0.005), "withstand:error-in-queue:-330": Fault("withstand", "error-in-queue", -330),
    "bay:test-lead-off": Fault("", "test-lead-off"),
}
NOT_WRITTEN = ["", "silent", "current:", ":silent", "current silent", "Current:silent", "current:silent:", "current:slow:1:2",
               "current:slow:nan", "current:slow:inf", "current:slow:1e999", "current:slow:1,5", "current:slow:0x1",
               "current:slow:1.2.3", "current:slow:.", "current:slow:5 ms", "a" * 41 + ":silent", "current:" + "b" * 61,
               "current:silent\n", "čurrent:silent", "current:slow:\u0661"]


@pytest.mark.parametrize(("text", "fault"), WRITTEN.items())
def test_how_a_fault_is_written(text: str, fault: Fault) -> None:
    assert read_fault(text) == fault
    assert read_fault(str(fault)) == fault
    assert re.fullmatch(pattern(), text)


@pytest.mark.parametrize("text", NOT_WRITTEN)
def test_what_is_no_fault_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not written as|is no number"):
        read_fault(text)


@given(st.text(max_size=60))
def test_any_text_is_a_fault_or_refused(text: str) -> None:
    try:
        fault = read_fault(text)
    except ValueError:
        return
    assert read_fault(str(fault)).name == fault.name


def test_a_station_file_takes_what_a_simulator_file_takes() -> None:
    """The station file has the form only, since it knows no simulator."""
    (of_station,) = [each.of.of for key, each in STATION.fields.items() if key == "faulty"]
    for text in [*WRITTEN, *NOT_WRITTEN]:
        taken = re.fullmatch(of_station.pattern, text) is not None
        assert taken or text not in WRITTEN
        assert not taken or re.fullmatch(pattern(), text)


BAD = {
    # name: (written, words)
    "unknown instrument": ("toaster:silent", "There is no instrument 'toaster'."),
    "unknown fault": ("current:sleepy", "current has no fault 'sleepy'."),
    "fault of others": ("current:stuck", "current has no fault 'stuck'."),
    "what measures only": ("switching:drifted", "switching has no fault 'drifted'."),
    "unknown fault of the bay": ("bay:lead-off", "The bay has no fault 'lead-off'."),
    "fault of the bay, no bay": ("current:test-lead-off", "current has no fault 'test-lead-off'."),
    "number where none is taken": ("current:silent:3", "silent takes no number"),
    "number of the bay": ("bay:test-lead-off:3", "takes no number"),
    "number out of range": ("current:slow:-1", "slow takes a number from 0 to 3600"),
}


@pytest.mark.parametrize(("written", "words"), BAD.values(), ids=BAD.keys())
def test_an_unknown_fault_exits_2_and_lists_the_names(written: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", str(STATION_FILE), "--fault", "guard:slow:0.001", "--fault", written]) == 2
    told = capsys.readouterr()
    assert words in told.err and told.out == ""
    if "has no fault" in words:
        names = SIMULATOR.faults if written.startswith("bay") else ("silent", "split-at", "drifted")
        assert all(name in told.err for name in names if not written.startswith("switching") or name != "drifted")


@pytest.mark.parametrize(("written", "words"), BAD.values(), ids=BAD.keys())
def test_a_file_with_an_unknown_fault_is_refused(written: str, words: str, tmp_path: Path,
                                                 capsys: pytest.CaptureFixture[str]) -> None:
    simulator = tmp_path / "simulator.yaml"
    simulator.write_text(SIMULATOR_FILE.read_text("utf-8") + f"\nfaulty: [guard:slow, '{written}']\n", "utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_simulator(simulator)
    (mistake,) = caught.value.mistakes
    assert mistake.place.line > 300 and words.rstrip(".").lower() in mistake.what.lower()
    station = tmp_path / "station.yaml"
    station.write_text(STATION_FILE.read_text("utf-8") + f"\nfaulty: ['{written}']\n", "utf-8")
    load_station(station)
    assert main(["simulate", str(station)]) == 2
    sequence = ROOT / "sequences/duct-heater-6kw.yaml"
    assert main(["run", str(sequence), "--unit", "DH6-00000001", "--station", str(station), "--acknowledge", "tester"]) == 2
    assert capsys.readouterr().err.count(words) == 2


def test_a_real_station_is_not_made_faulty(tmp_path: Path) -> None:
    text = STATION_FILE.read_text("utf-8").replace("simulated: simulators/demo-simulator.yaml", "faulty: [current:silent]")
    real = tmp_path / "real.yaml"
    real.write_text(re.sub(r"\{page: (drivers/[a-z]+-[0-9]+\.yaml),", r"{page: \1, address: 'TCPIP0::h::1::SOCKET',", text), "utf-8")
    with pytest.raises(FileMistakes, match="a real station is not made faulty by its file"):
        load_station(real)


def test_faults_of_the_file_and_of_the_command_are_there_together(tmp_path: Path) -> None:
    copy = tmp_path / "simulator.yaml"
    copy.write_text(SIMULATOR_FILE.read_text("utf-8") + "\nfaulty: ['current:drifted:0.5', bay:test-lead-off]\n", "utf-8")
    bay = build(load_simulator(copy), now=0.0, faults=[Fault("guard", "slow", 0.01)])
    assert [each.drift for each in bay.by_name["current"].meters.values()] == [1.5]
    assert bay.fixture.return_lead >= 1e6
    assert (bay.by_name["guard"].wire.fault, bay.by_name["guard"].wire.fault_number) == ("slow", 0.01)
    with pytest.raises(WrongUse, match="no fault"):
        build(SIMULATOR, now=0.0, faults=[Fault("guard", "stuck")])
    bay.clear_faults()
    assert bay.by_name["guard"].wire.fault is None and bay.fixture.return_lead < 1.0


def test_every_fault_of_every_role_can_be_had() -> None:
    models = {*ROLES.values(), *(model for others in MANNERS.values() for model in others.values())}
    instruments = build(SIMULATOR, now=0.0).by_name.values()
    assert {type(each) for each in instruments} <= models
    for each in instruments:
        assert set(each.own_faults()) == set(each.has_faults)
        for name in each.all_faults():
            each.set_fault(name)
            each.clear_fault()
            assert each.wire.fault is None


def test_the_manual_says_what_every_fault_does() -> None:
    known = {name: about for model in ROLES.values() for name, about in model.all_faults().items()}
    part = (ROOT / "eolseq/manual/simulators.md").read_text("utf-8").split("## Faults from the start")[1].split("\n## ")[0]
    rows = re.findall(r"^\| `([a-z-]+)` \| [a-z ]+ \| (.+) \|$", part, re.M)
    assert dict(rows) == known and len(rows) == len(known) == 20


@pytest.mark.real_lines
def test_they_are_there_over_real_lines(tmp_path: Path) -> None:
    simulator = Simulator("--fault", "current:wrong-identity", "--fault", "power:split-at:3", "--fault", "input:refused")
    try:
        assert simulator.ask("current", "*IDN?").split(",")[2] == "SIM-0005-OTHER"
        assert simulator.ask("power", "*IDN?").split(",")[2] == "SIM-0003"
        with pytest.raises(ConnectionRefusedError):
            simulator.ask("input", "*IDN?")
    finally:
        simulator.close()


@pytest.mark.real_lines
def test_a_run_on_a_station_file_that_is_faulty_does_not_pass(tmp_path: Path) -> None:
    station = tmp_path / "station.yaml"
    station.write_text(STATION_FILE.read_text("utf-8") + "\nfaulty: ['current:wrong-identity']\n", "utf-8")
    done = subprocess.run([sys.executable, "-m", "eolseq", "run", str(ROOT / "sequences/duct-heater-6kw.yaml"), "--unit",
                           "DH6-00000001", "--station", str(station), "--acknowledge", "tester"], cwd=tmp_path, timeout=60,
                          env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin"}, capture_output=True, text=True, check=False)
    assert done.returncode == 5 and "reports the serial number SIM-0005-OTHER, not SIM-0005" in done.stderr, done

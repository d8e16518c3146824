"""Talking by hand, as it is called: what goes, what is refused before anything is opened, and who must sign in."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.commands import signing
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.station.file import load_station
from tests.commands.test_keys import make, with_passphrase
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

DEMO = ROOT / "simulators/demo-station.yaml"
STATION = ("--station", "simulators/demo-station.yaml")
HAND = ("--energise", "--acknowledge", "demo")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A working folder with the demo's files beside it, and no terminal."""
    monkeypatch.chdir(tmp_path)
    for name in ("simulators", "drivers", "sequences"):
        (tmp_path / name).symlink_to(ROOT / name)
    with Path("/dev/null").open(encoding="utf-8") as nobody:
        monkeypatch.setattr("sys.stdin", nobody)
        yield


def real_station() -> str:
    """A station file with addresses where nobody is, and enrolled people."""
    text = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",',
                  DEMO.read_text("utf-8"))
    Path("bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    return "bench.yaml"


def test_questions_of_the_page_are_asked_and_all_traffic_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["talk", "withstand", *STATION, "--send", "OUTP?", "MEAS:VOLT?;CURR?", "--trace", "t.jsonl"]) == 0
    said = capsys.readouterr().out
    assert "withstand -> OUTP?" in said and re.search(r"withstand <- 0   \(\d+\.\d\d ms\)", said)
    assert "withstand -> MEAS:VOLT?;CURR?" in said
    traced = [json.loads(line).get("text") for line in Path("t.jsonl").read_text("utf-8").splitlines()]
    assert traced[1:3] == ["*IDN?", "Aldervale Instruments (simulated),WT-5,SIM-0001,1.0"] and "OUTP?" in traced
    assert not Path("records").exists()


@pytest.mark.parametrize(("name", "text"), [
    ("withstand", "OUTP ON"), ("withstand", "*IDN?;OUTP ON"), ("withstand", "*RST"), ("withstand", "OUTP ON;*OPC?"),
    ("guard", "*TRG"), ("guard", "OUTP1 ON;*OPC?"), ("switching", "ROUT:CLOS (@101)"), ("power", "SOUR:VOLT 5")])
def test_anything_else_needs_energise(name: str, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["talk", name, *STATION, "--send", "*IDN?", text]) == 3
    shown = capsys.readouterr()
    assert "needs --energise" in shown.err and shown.out == "", "nothing was opened"


@pytest.mark.parametrize(("words", "code", "says"), [
    (["talk", "withstand", *STATION, "--energise", "--send", "*RST"], 3, "Nobody is there to acknowledge"),
    (["talk", "guard", *STATION, *HAND, "--send", "OUTP1 ON"], 3, "from the watcher alone"),
    (["talk", "power", *STATION, *HAND, "--send", "OUTP ON"], 3, "it needs volts"),
    (["talk", "power", *STATION, *HAND, "--send", "*CLS", "SOUR:CURR:PROT 31"], 3, "ceiling of 30 A"),
    (["talk", "nobody", *STATION, "--send", "*IDN?"], 2, "no instrument nobody"),
    (["talk", "power", *STATION], 2, "no terminal to type in"),
])
def test_what_is_refused_before_anything_is_opened(words: list[str], code: int, says: str,
                                                   capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == code
    assert says in capsys.readouterr().err and not Path("records").exists()


def test_a_station_without_a_residual_meter_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("bench.yaml").write_text(re.sub(r"  residual:.*\n", "", DEMO.read_text("utf-8")), "utf-8")
    assert main(["talk", "power", "--station", "bench.yaml", *HAND, "--send", "*CLS"]) == 3
    assert "no residual meter" in capsys.readouterr().err


def test_a_real_station_takes_no_name_for_a_signature(capsys: pytest.CaptureFixture[str]) -> None:
    station = real_station()
    assert main(["talk", "power", "--station", station, *HAND, "--send", "*CLS"]) == 3
    assert main(["talk", "power", "--station", station, "--energise", "--send", "*CLS"]) == 3
    said = capsys.readouterr().err
    assert "--acknowledge is for simulated stations only" in said and "Maintenance signs in" in said


def test_only_a_key_of_maintenance_signs_in(capsys: pytest.CaptureFixture[str]) -> None:
    from eolseq.commands.talk import signed_in
    from eolseq.commands.verify import refuse_key
    from eolseq.errors import Refused
    from eolseq.records.keys import load_person_key
    from eolseq.records.system import OperatingSystem
    from tests.commands.test_keys import WORDS

    station = real_station()
    make("q-1", "e-1", "m-1", "m-2")
    assert with_passphrase("keys", "enrol", *(f"keys/{name}.pem.pub" for name in ("q-1", "e-1", "m-1")), "--station",
                           station, "--key", "keys/q-1.pem", "--reason", "first keys", "--yes") == 0
    with signing.open_log(load_station(Path(station))) as log:
        for name in ("q-1", "e-1", "m-1", "m-2"):
            key = load_person_key(Path(f"keys/{name}.pem"), WORDS, OperatingSystem())
            if name == "m-1":
                refuse_key(log, key)
                assert signed_in(log, key) == f", m-1 of maintenance signed in with key {key.keyid}"
                continue
            with pytest.raises(Refused, match="not one of maintenance"):
                refuse_key(log, key)


def test_by_hand_is_a_recorded_run_on_a_reserved_serial(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["talk", "power", *STATION, *HAND, "--trace", "t.jsonl", "--send",
                 "SOUR:VOLT 120;:SOUR:FREQ 60;:SOUR:CURR:PROT 2", "SOUR:LIST:VOLT 120;DWEL 1", "OUTP ON"]) == 0
    said = capsys.readouterr().out
    assert "DANGER: VOLTAGE MAY BE PRESENT" in said and "Off, and dead." in said
    assert "take any unit out" in said and "connect the unit" not in said
    records = Records.open(Path("records"))
    kinds = [records.entry(n).payload["kind"] for n in range(records.size)]
    assert kinds == ["genesis", "begin", "remark", "remark", "energise", "remark", "reading", "end"]
    assert records.runs()[0].serial == "REFERENCE-BY-HAND"
    assert audit(Path("records/log.jsonl")).findings == []
    events = [json.loads(line) for line in Path("t.jsonl").read_text("utf-8").splitlines()[1:]]
    assert {"power", "guard", "residual", "switching"} <= {each["instrument"] for each in events}

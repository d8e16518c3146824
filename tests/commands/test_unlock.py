"""A locked station is freed by an order that maintenance or quality signs for that lock, and by nothing else."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.commands import signing
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.station.file import load_station
from tests.commands.test_keys import make, with_passphrase
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A real station's file, with keys enrolled; its instruments are not there."""
    monkeypatch.chdir(tmp_path)
    text = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    text = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",', text)
    Path("bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    make("q-1", "e-1", "m-1")
    assert with_passphrase("keys", "enrol", *(f"keys/{name}.pem.pub" for name in ("q-1", "e-1", "m-1")), "--station",
                           "bench.yaml", "--key", "keys/q-1.pem", "--reason", "first keys", "--yes") == 0
    return "bench.yaml"


def lock(station: str, reason: str = "Dead was not proved.") -> int:
    with signing.open_log(load_station(Path(station))) as log:
        return log.append(entries.Lock(reason=reason, do="Measure before opening."))


def unlock(station: str, by: str, *more: str) -> int:
    return with_passphrase("unlock", "--station", station, "--key", f"keys/{by}.pem", "--yes", *more)


@pytest.mark.parametrize("by", ["m-1", "q-1"])
def test_maintenance_and_quality_unlock_and_the_order_stands_in_the_log(station: str, by: str) -> None:
    lock(station)
    assert unlock(station, by, "--reason", "fuse of the tester replaced") == 0
    records = Records.open(Path("records"))
    last = records.entry(records.size - 1).payload
    assert (last["kind"], last["by"], last["reason"]) == ("unlock", by, "fuse of the tester replaced")
    assert audit(Path("records/log.jsonl")).findings == []
    with signing.open_log(load_station(Path(station))) as log:
        assert log.locked() is None


def test_what_does_not_unlock(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert unlock(station, "m-1", "--reason", "nothing to do") == 3
    lock(station)
    assert unlock(station, "e-1", "--reason", "an engineer may not") == 3
    assert "this needs maintenance or quality" in capsys.readouterr().err
    assert main(["unlock", "--station", station]) == 2
    assert main(["unlock", "--station", station, "--reason", "x", "--acknowledge", "op-1"]) == 3
    with signing.open_log(load_station(Path(station))) as log:
        assert log.locked() is not None


def test_an_order_serves_for_its_own_lock_only(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    first = lock(station)
    made = ("--records", "records", "--lock", str(first), "--out", "order.json", "--reason", "relay exchanged")
    assert unlock(station, "m-1", *made) == 0
    assert main(["unlock", "--station", station, "--document", "order.json"]) == 0
    second = lock(station, "Missed a reference unit.")
    assert main(["unlock", "--station", station, "--document", "order.json"]) == 3
    assert f"The lock of entry {first} was unlocked" in capsys.readouterr().err
    with signing.open_log(load_station(Path(station))) as log:
        assert log.locked() is not None and log.locked().index == second


def test_a_simulated_station_takes_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "station.yaml"
    path.write_text((ROOT / "simulators/demo-station.yaml").read_text("utf-8"), "utf-8")
    lock(str(path))
    words = ["unlock", "--station", str(path), "--reason", "looked at", "--acknowledge"]
    assert main([*words, " "]) == 2
    assert main([*words, "op-1"]) == 0
    assert main([*words, "op-1"]) == 3

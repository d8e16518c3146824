"""``eolseq batch``: a band from sound reference units, out of a CSV file or a log, pasted into a sequence."""

from __future__ import annotations

import json
import random
import statistics
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.bands.interval import factor, spread
from eolseq.sequence.load import read_sequence
from tests.bands.worked import BANDS, SOUND
from tests.rig import Rig

CHANCE = random.Random(3)
VALUES = [f"{CHANCE.gauss(18.7, 0.15):.3f}" for _ in range(15)]


def csv(tmp_path: Path, text: str) -> str:
    path = tmp_path / "batch.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def batch(tmp_path: Path, separator: str = ",") -> str:
    lines = [separator.join(("serial", "stage 1")), *(separator.join((f"DH6-{n:08}", value)) for n, value in enumerate(VALUES))]
    return csv(tmp_path, "\n".join(lines) + "\n\n")


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_column_of_a_csv_file(tmp_path: Path, separator: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = batch(tmp_path, separator)
    assert main(["batch", "--csv", path, "--column", "stage 1", "--in", "ohm", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["readings"] == [f"{value} ohm" for value in VALUES]
    found = spread([float(value) for value in VALUES])
    half = factor(15, 0.99, 0.95) * found.deviation
    assert float(told["band"]["at_least"].split()[0]) == pytest.approx(found.mean - half, abs=0.011)
    assert float(told["band"]["at_most"].split()[0]) == pytest.approx(found.mean + half, abs=0.011)
    numbers = [float(value) for value in VALUES]
    stated = [float(told["spread"][key].removesuffix(" ohm")) for key in ("centre", "deviation")]
    assert stated == pytest.approx([statistics.mean(numbers), statistics.stdev(numbers)], rel=1e-4)


def test_what_is_printed_is_a_band_of_a_sequence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = batch(tmp_path)
    assert main(["batch", "--csv", path, "--column", "stage 1", "--in", "ohm", "--coverage", "90 %"]) == 0
    said = capsys.readouterr().out
    block = "".join(f"    {line}\n" for line in said.splitlines() if not line.startswith("#"))
    sequence = read_sequence(SOUND.replace(f"    {BANDS['Stage 1']}\n", block).encode(), Path("pasted.yaml"))
    band = sequence.steps[1].bands()[0][1]
    assert f"# band: {band}" in said
    stated = sequence.spread(1)
    assert stated is not None and float(stated.centre) == pytest.approx(statistics.mean(map(float, VALUES)), rel=1e-4)
    assert "15 units, column stage 1 of batch.csv" in band.basis and "90 % of all held with 95 % confidence" in band.basis


BAD = [
    ("serial,ohm\nA,18.7\nB,eighteen\n", ["--column", "ohm", "--in", "ohm"], "line 3: 'eighteen' is no number"),
    ("serial,ohm\nA,18.7\nB,\n", ["--column", "ohm", "--in", "ohm"], "line 3: '' is no number"),
    ("serial,ohm\nA,18.7\nB\n", ["--column", "ohm", "--in", "ohm"], "line 3: '' is no number"),
    ("serial,ohm\nA,nan\n", ["--column", "ohm", "--in", "ohm"], "'nan' is no number"),
    ("serial,ohm\nA,18,7\n", ["--column", "watt", "--in", "ohm"], "0 columns named 'watt'"),
    ("ohm,ohm\n1,2\n", ["--column", "ohm", "--in", "ohm"], "2 columns named 'ohm'"),
    ("", ["--column", "ohm", "--in", "ohm"], "Its columns are: none"),
    ("serial,ohm\nA,18.7\n", ["--column", "ohm", "--in", "Ohm"], "'Ohm' is not a unit"),
    ("serial,ohm\nA,18.7\n", ["--column", "ohm"], "Give --column and --in"),
    ("serial,ohm\nA,18.7\nB,18.8\n", ["--column", "ohm", "--in", "ohm"], "2 units are too few"),
    ("ohm\n" + "18.7\n" * 12, ["--column", "ohm", "--in", "ohm"], "all units read alike"),
    ("serial,ohm\nA,18.7\n", ["--column", "ohm", "--in", "ohm", "--coverage", "100 %"], "no part between 50 % and 99.9 %"),
    ("serial,ohm\nA,18.7\n", ["--column", "ohm", "--in", "ohm", "--confidence", "high"], "--confidence"),
]


@pytest.mark.parametrize(("text", "options", "why"), BAD)
def test_readings_that_give_no_band(tmp_path: Path, text: str, options: list[str], why: str,
                                    capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["batch", "--csv", csv(tmp_path, text), *options]) == 2
    captured = capsys.readouterr()
    assert why in captured.err and not captured.out


def test_files_that_cannot_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00ohm")
    for name in ("binary.csv", "nix.csv"):
        assert main(["batch", "--csv", str(tmp_path / name), "--column", "ohm", "--in", "ohm"]) == 2
        assert "cannot be read" in capsys.readouterr().err


def test_the_last_runs_of_named_units_in_a_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    serials = [f"DH6-{n:08}" for n in range(1, 13)]
    with Rig(tmp_path) as rig:
        for serial in serials:
            rig.serial = serial
            rig.world.load(serial)
            assert rig.run().outcome.value == "pass"
    monkeypatch.chdir(tmp_path)
    words = ["batch", "--step", "Stage 1 cold", "--reading", "resistance", "--units"]
    assert main([*words, *serials, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["readings"]) == 12
    assert all(18.6 < float(each.split()[0]) < 18.9 for each in told["readings"])
    assert "12 SIMULATED units in the log" in told["source"]
    assert main([*words, *serials, "DH6-99999999"]) == 2
    assert "unit DH6-99999999 has 0 readings" in capsys.readouterr().err
    assert main(["batch", "--step", "Stage 1 cold"]) == 2
    assert "Give --csv" in capsys.readouterr().err

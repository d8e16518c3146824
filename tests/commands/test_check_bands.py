"""``eolseq check --bands``: per step the band, its inputs, the formula, the source and its standing; a table of limits."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from eolseq.__main__ import main
from eolseq.commands import bands
from eolseq.sequence.load import load_sequence
from tests.records.people import Plant, approval_document, carry

SEQUENCE = "sequences/duct-heater-6kw.yaml"
STATION = "simulators/demo-station.yaml"
SHIPPED = sorted(str(path) for path in Path("sequences").glob("*.yaml"))
STANDINGS = {"seen", "second-hand", "from memory", "stated", "common practice", "as its basis says"}


def document(path: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["check", "--bands", "--json", path]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("path", SHIPPED)
def test_every_band_of_every_step_is_told(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = document(path, capsys)
    sequence = load_sequence(Path(path))
    assert [each["name"] for each in told["steps"]] == [step.name for step in sequence.steps]
    for each, step in zip(told["steps"], sequence.steps, strict=True):
        assert {"band", "inputs", "formula", "source", "standing"} <= set(each)
        limits = {(band.at_least and str(band.at_least), band.at_most and str(band.at_most)) for _, band in step.bands()}
        for one in (each, *each["others"]):
            assert (one["band"]["at_least"], one["band"]["at_most"]) in limits
            assert one["standing"] in STANDINGS
            if one["from"] != "written":
                assert one["inputs"] and one["formula"] and one["source"]
                assert any(digit in one["formula"] for digit in "123456789")


def test_the_heater_shows_its_working(capsys: pytest.CaptureFixture[str]) -> None:
    stage = document(SEQUENCE, capsys)["steps"][1]
    assert (stage["band"]["at_least"], stage["band"]["at_most"]) == ("17.84 ohm", "20.81 ohm")
    assert stage["inputs"]["rated voltage"] == "240 V" and stage["inputs"]["element AT-3000"] == "1 x 3 kW"
    assert "240^2 / 3000 = 19.2 ohm" in stage["formula"] and "1.025" in stage["formula"]
    assert "IEC 60335-1 10.1 Table 1" in stage["source"]
    assert {"text": "an alloy maker's table of C_t", "standing": "second-hand"} in stage["sources"]


def test_a_voltage_never_stands_higher_than_its_weakest_source(capsys: pytest.CaptureFixture[str]) -> None:
    withstand = document(SEQUENCE, capsys)["steps"][4]
    voltage = next(each for each in withstand["others"] if each["name"] == "applied voltage")
    assert voltage["sources"][0]["standing"] == "from memory"
    assert voltage["standing"] == "common practice"  # how far it may be exceeded has no source


def test_the_words_hold_every_working_and_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--bands", SEQUENCE]) == 0
    said = capsys.readouterr().out
    assert "     = cold: 19.2 / 1.025 = 18.732 ohm" in said
    assert "     source: EN 50106:2008, routine earth continuity (seen)" in said
    table = [line for line in said.splitlines() if line.startswith("| ")]
    assert table[0] == "| step | what | limit | clause and edition | standing | basis | approver |"
    assert all(line.count("|") == 8 for line in table)
    assert len(table) - 2 == len(bands.limits(load_sequence(Path(SEQUENCE)), "not approved"))
    assert all(line.endswith("| not approved |") for line in table[2:])


def test_every_limit_of_the_sequence_is_in_the_table() -> None:
    sequence = load_sequence(Path(SEQUENCE))
    rows = bands.limits(sequence, "not approved")
    for step in sequence.steps:
        told = {row.limit for row in rows if row.step == step.name}
        assert {str(band) for _, band in step.bands()} <= told
    assert all(row.source and row.standing and row.basis for row in rows)


def test_one_sequence_at_a_time(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--bands", SEQUENCE, STATION]) == 2
    assert "Name one sequence" in capsys.readouterr().err


def test_a_file_with_mistakes_shows_them_and_no_bands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(Path(SEQUENCE).read_text(encoding="utf-8").replace("works_at: 400 degC", "works_at: 4000 degC"),
                   encoding="utf-8")
    assert main(["check", "--bands", "--json", str(bad)]) == 2
    told = json.loads(capsys.readouterr().out)
    assert "steps" not in told and told["files"][0]["mistakes"]


def test_a_station_without_a_log_approves_nothing(tmp_path: Path) -> None:
    assert bands.approver(load_sequence(Path(SEQUENCE)), tmp_path) == "not approved"
    assert bands.approver(load_sequence(Path(SEQUENCE)), None) == "not approved"


def test_the_approver_of_exactly_these_bytes_is_named(tmp_path: Path) -> None:
    path = tmp_path / "earth.yaml"
    path.write_text(Path(SEQUENCE).read_text(encoding="utf-8"), encoding="utf-8")
    sequence = load_sequence(path)
    plant = Plant(tmp_path)
    with plant.log as log:
        carry(log, approval_document(plant.standing, "e-1", name=sequence.name, source=sequence.source))
    assert bands.approver(sequence, Path(plant.log.path).parent).startswith("e-1 (engineer), entry ")
    path.write_bytes(sequence.source + b"# changed\n")
    assert bands.approver(load_sequence(path), Path(plant.log.path).parent) == "not approved"


def test_the_same_bytes_give_the_same_bands() -> None:
    first, second = (load_sequence(Path(SEQUENCE)) for _ in range(2))
    assert first.digest == second.digest
    assert [step.bands() for step in first.steps] == [step.bands() for step in second.steps]

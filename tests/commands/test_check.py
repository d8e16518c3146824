"""``eolseq check``: exit codes, words, the document, and what it must not import."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import parse
from eolseq.sequence.hazards import hazard_of
from eolseq.sequence.load import load_sequence

SEQUENCE = "sequences/duct-heater-6kw.yaml"
STATION = "simulators/demo-station.yaml"
SHIPPED = sorted(str(path) for folder in ("sequences", "drivers", "simulators") for path in Path(folder).glob("*.yaml"))


@pytest.mark.parametrize("path", SHIPPED)
def test_every_shipped_file_is_in_order(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", path]) == 0
    assert capsys.readouterr().out.splitlines()[-1].endswith(": in order")


def test_the_words_show_steps_bands_hazards_instruments_and_time(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", SEQUENCE, "--station", STATION]) == 0
    said = capsys.readouterr().out
    for step in load_sequence(Path(SEQUENCE)).steps:
        assert step.name in said
        assert all(f"{name}: {band}" in said for name, band in step.bands())
        assert hazard_of(step) in said
    assert "withstand_tester" in said
    assert "guard_unit" in said
    assert "expected time: about " in said


def test_hazards_name_what_is_dangerous_and_what_is_not() -> None:
    sentences = {step.kind: hazard_of(step) for step in load_sequence(Path(SEQUENCE)).steps}
    assert {kind for kind, sentence in sentences.items() if sentence.startswith("DANGER")} == {
        "dielectric_withstand", "motor_current"}
    assert "1230 V ac" in sentences["dielectric_withstand"]


def test_several_files_and_every_mistake_in_one_go(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(Path(SEQUENCE).read_text(encoding="utf-8").replace("trip: 5 mA", "trip: 2 mA")
                   .replace("wires: four", "wire: four"), encoding="utf-8")
    assert main(["check", SEQUENCE, str(bad), str(tmp_path / "nix.yaml"), STATION]) == 2
    said = capsys.readouterr().out.splitlines()
    assert sum(line.startswith(f"{bad}:") and ": " in line for line in said) == 3
    assert f"{bad}, a sequence: NOT IN ORDER" in said
    assert f"{SEQUENCE}, a sequence: in order" in said
    assert f"{STATION}, a station: in order" in said
    assert f"{tmp_path / 'nix.yaml'}: NOT IN ORDER" in said


def test_the_document_holds_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.yaml"
    text = Path(SEQUENCE).read_text(encoding="utf-8")
    first, withstand, motor = (text.index(f"  - kind: {kind}") for kind in ("ground_continuity", "dielectric_withstand",
                                                                            "motor_current"))
    other.write_text(text[:first] + text[withstand:motor] + text[first:withstand].replace("&stage", "").replace(
        "band: *stage", "band: {at_least: 17 ohm, at_most: 20 ohm, basis: invented}") + text[motor:], encoding="utf-8")
    assert main(["check", SEQUENCE, str(other), "--json"]) == 2
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    good, wrong = document["files"]
    assert document["in_order"] is False
    assert (good["in_order"], good["mistakes"]) == (True, [])
    assert {each["severity"] for each in good["findings"]} == {"note"}
    assert good["sequence"]["steps"][0]["kind"] == "ground_continuity"
    assert good["sequence"]["digest"] == load_sequence(Path(SEQUENCE)).digest
    assert {each["code"] for each in wrong["findings"] if each["severity"] == "error"} == {"order"}
    assert "NOT IN ORDER" in captured.err


def test_a_kind_nobody_knows_is_met_with_the_nearest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text("format: 1\nkind: sequense\n", encoding="utf-8")
    assert main(["check", str(path)]) == 2
    assert "did you mean 'sequence'?" in capsys.readouterr().out


@pytest.mark.parametrize(("station", "code"), [("nix.yaml", 2), (SEQUENCE, 2)])
def test_a_station_that_is_none(station: str, code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", SEQUENCE, "--station", station]) == code
    assert capsys.readouterr().err


def test_checking_loads_neither_pyvisa_nor_anything_else_that_is_heavy() -> None:
    code = ("import sys; from eolseq.__main__ import main; "
            f"code = main(['check', {SEQUENCE!r}, {STATION!r}, '--station', {STATION!r}]); "
            "heavy = {'pyvisa', 'pyvisa_py', 'serial', 'rich', 'transitions', 'cryptography', 'greenlet'}; "
            "sys.exit(code or sorted(heavy & set(sys.modules)) or 0)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


def test_a_band_is_printed_as_it_was_written() -> None:
    assert str(AcceptanceBand(parse("2 mohm"), parse("0.10 ohm"))) == "2 mohm to 0.10 ohm"


def test_a_sequence_in_a_wrong_order_is_refused_with_a_station_as_without(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "motor.yaml"
    text = Path(SEQUENCE).read_text(encoding="utf-8")
    path.write_text(text[:text.index("  - kind: ground")] + text[text.index("  - kind: motor_current"):], encoding="utf-8")
    said = []
    for options in ([], ["--station", STATION]):
        assert main(["check", str(path), *options]) == 2
        said.append("".join(line for line in capsys.readouterr().out.splitlines(keepends=True) if ": note: " not in line))
    assert said[0] == said[1]
    assert said[0].count("error: ") == 3  # continuity, short check and withstand are missing

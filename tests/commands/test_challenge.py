"""``eolseq challenge`` from the command line: a missed reference unit locks the station until it is unlocked."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from tests.benches import demo_station

pytestmark = pytest.mark.real_lines


def test_a_missed_unit_locks_and_lists_suspects(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    text = demo_station()
    some = ("  references:\n    good: {about: sound}\n"
            "    open-earth: {about: was repaired by mistake, step: Earth path to every metal part}\n\nceilings:")
    text = re.sub(r"  references:\n.*?\nceilings:", some, text, flags=re.S)
    never = "checks: {verification: {every: never}, challenge: {every: never}}\n"
    Path("station.yaml").write_text(text + never, "utf-8")
    words = ["challenge", "--station", "station.yaml", "--acknowledge", "tester"]
    assert main(words) == 1
    said = capsys.readouterr().out
    assert "MISSED  open-earth" in said and "CAUGHT  good" in said and "The station is LOCKED." in said
    assert main(words) == 3
    assert "eolseq unlock" in capsys.readouterr().err
    assert main(["unlock", "--station", "station.yaml", "--acknowledge", "q-1", "--reason", "unit exchanged"]) == 0
    assert main(["records", "--challenges"]) == 0
    assert "FAIL  Duct heater 6 kW, by tester" in capsys.readouterr().out
    assert main(["run", "sequences/duct-heater-6kw.yaml", "--unit", "DH6-00000001", "--station", "station.yaml",
                 "--acknowledge", "tester"]) == 3
    assert "missed a reference unit at its last challenge" in capsys.readouterr().out

"""A power source that takes only one connection: OFF goes on that one, if its page says so, and its unit passes.

A page that says otherwise is found out before anything is energised: its second line is closed at once. The plant is invented.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.records.reader import Records
from tests.benches import demo_station
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines


@pytest.mark.parametrize(("says", "code"), [("no", 0), ("yes", 1)])
def test_the_stop_line_is_the_one_line(says: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                       capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    page = (ROOT / "drivers/ps-9.yaml").read_text("utf-8")
    assert page.count("second_connection: yes") == 1
    Path("ps-9.yaml").write_text(page.replace("second_connection: yes", f"second_connection: {says}"), "utf-8")
    simulator = (ROOT / "simulators/demo-simulator.yaml").read_text("utf-8")
    assert simulator.count("    role: power_source\n") == 1
    Path("one.yaml").write_text(simulator.replace("    role: power_source\n",
                                                  "    role: power_source\n    connections: one\n"), "utf-8")
    station = demo_station()
    Path("station.yaml").write_text(station.replace("simulators/demo-simulator.yaml", "one.yaml")
                                    .replace("drivers/ps-9.yaml", "ps-9.yaml"), "utf-8")
    assert main(["verify", "power", "--station", "station.yaml", "--acknowledge", "tester", "--json"]) == code
    found = json.loads(capsys.readouterr().out)["instruments"][0]
    records = Records.open(Path("records"))
    kinds = [records.entry(index).payload["kind"] for index in range(records.size)]
    if says == "no":
        assert found["outcome"] == "pass" and "energise" in kinds
    else:
        assert found["outcome"] == "fault" and "The stop line to power is lost" in found["sentence"]
        assert "energise" not in kinds

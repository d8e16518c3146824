"""``eolseq verify`` from the command line: a sound instrument, a drifted one with its suspects, and the gate after it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.records.reader import Records
from tests.benches import demo_station

pytestmark = pytest.mark.real_lines

CHECKS = "checks: {verification: {every: day, units: 50}, challenge: {every: never}}\n"
SHORT = """format: 1
kind: sequence
name: Stage 1 only
version: "1"
about: Invented demo data.
unit: {models: [DH-6], serial_pattern: "DH6-[0-9]{8}", protection_class: III, rated: {voltage: 240 V}}
steps:
  - kind: heater_resistance
    name: Stage 1 cold
    ambient: {at_least: 10 degC, at_most: 35 degC}
    band: {at_least: 15 ohm, at_most: 22 ohm, basis: "invented"}
    connections: {closed: [{part: stage-1, by: coil, delay: 200 ms}]}
"""


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A simulated station that asks for verification; without reference meters, which take their time."""
    monkeypatch.chdir(tmp_path)
    text = re.sub(r"\nreference_meters:.*?\n\n", "\n", demo_station(), count=1,
                  flags=re.S)
    Path("station.yaml").write_text(text.replace("\ncheck", "\n#check") + CHECKS, "utf-8")
    Path("short.yaml").write_text(SHORT, "utf-8")
    return "station.yaml"


def verify(station: str, *words: str) -> int:
    return main(["verify", *words, "--station", station, "--acknowledge", "tester"])


def test_units_are_refused_until_every_instrument_holds_and_when_one_has_drifted(
        station: str, capsys: pytest.CaptureFixture[str]) -> None:
    unit = ["run", "short.yaml", "--unit", "DH6-00000001", "--station", station, "--acknowledge", "tester"]
    assert main(unit) == 3
    shown = capsys.readouterr().out
    assert "Never verified on this station: withstand, continuity," in shown and "eolseq verify --all" in shown
    assert verify(station, "--all") == 0
    told = capsys.readouterr().out
    assert "take any unit out, connect the known loads" in told and "connect the unit" not in told
    assert main(unit) == 0

    path = Path(station)
    path.write_text(path.read_text("utf-8") + "faulty: [\"resistance:drifted\"]\n", "utf-8")
    capsys.readouterr()
    assert verify(station, "resistance", "--json") == 1
    captured = capsys.readouterr()
    found = json.loads(captured.out)
    assert [each["outcome"] for each in found["instruments"]] == ["fail"]
    assert any("DH6-00000001" in line for line in found["suspects"])
    assert "1 unit tested on it since" in captured.err
    assert Records.open(Path("records")).entry(found["instruments"][0]["entry"]).payload["kind"] == "verification"
    assert main(unit) == 3
    assert "resistance (RM-4 SIM-0004) did not hold at its last verification" in capsys.readouterr().out


def test_a_reference_meter_of_the_simulator_is_read_and_nobody_types(
        station: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = demo_station()
    Path("gauge.yaml").write_text(text, "utf-8")
    assert verify("gauge.yaml", "gauge") == 0
    told = capsys.readouterr().out
    assert "pressure at 10 bar: 1000040 Pa, pass" in told and "Pump to about 10 bar on standard" in told
    Path("gauge.yaml").write_text(text + 'faulty: ["gauge:reading-stuck"]\n', "utf-8")
    assert verify("gauge.yaml", "gauge") == 1
    assert "gauge (entry 2): FAIL. Pressure at 5 bar is 0 Pa" in capsys.readouterr().out
    assert verify(station, "gauge") == 3 and "no reference meter here shows whether gauge" in capsys.readouterr().err


def test_wrong_use(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert verify(station) == 2
    assert verify(station, "nothing") == 2
    assert verify(station, "withstand", "--all") == 2
    text = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",',
                  Path(station).read_text("utf-8")).replace("simulated: simulators/demo-simulator.yaml\n", "")
    Path("real.yaml").write_text(text, "utf-8")
    capsys.readouterr()
    assert main(["verify", "--all", "--station", "real.yaml", "--acknowledge", "x"]) == 3
    assert main(["verify", "--all", "--station", "real.yaml"]) == 2
    assert "Maintenance signs" in capsys.readouterr().err

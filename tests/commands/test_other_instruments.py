"""The whole program over real lines, with the awkward meter and a guard unit that has registers in the demo bench.

All instruments, units and numbers are invented demo data.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.errors import FileMistakes
from eolseq.instruments.line import Line
from eolseq.station.file import load_station
from tests.benches import changed_files, patient
from tests.rig import ROOT


@pytest.mark.real_lines
def test_a_unit_is_run_with_them(quick_path: Path, monkeypatch: pytest.MonkeyPatch,
                                 capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(quick_path)
    for folder in ("drivers", "sequences"):
        shutil.copytree(ROOT / folder, folder)
    _, station = changed_files(quick_path, "resistance", "guard")
    station.write_text(patient(station.read_text("utf-8")), "utf-8")
    code = main(["run", "sequences/duct-heater-6kw.yaml", "--unit", "DH6-00000001", "--station", "bench.yaml",
                 "--acknowledge", "tester", "--json"])
    out = capfd.readouterr()
    said = json.loads(out.out)
    assert (code, said["outcome"]) == (0, "pass"), out.err
    raw = [each["raw"] for step in said["steps"] for each in step["readings"]]
    assert any("," in each for each in raw), "the awkward meter's decimal comma"


PORTS = {
    # name: (what stands in the station file beside the page, words of the mistake, nearest right word)
    "no serial line": ('address: "TCPIP::192.0.2.1::5025::SOCKET", port: {baud: 9600}', "which is no serial line", ""),
    "unknown parity": ('address: "ASRL/dev/ttyS0::INSTR", port: {parity: evn}', "'evn'", "even"),
    "unknown key": ('address: "ASRL/dev/ttyS0::INSTR", port: {bauds: 9600}', "'bauds'", "baud"),
    "too many bits": ('address: "ASRL/dev/ttyS0::INSTR", port: {data_bits: 9}', "9", ""),
    "device of nothing": ('address: "ASRL/dev/ttyS0::INSTR", device: 0', "0", ""),
}


def real_station(folder: Path, beside: str) -> Path:
    """The demo station as a real one, with more said of its continuity tester."""
    text = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    text = text.replace("simulated: simulators/demo-simulator.yaml\n", "")
    text = text.replace("{page: drivers/ct-30.yaml", f"{{{beside}, page: drivers/ct-30.yaml")
    text = re.sub(r"(\n  ([a-z]+): +\{)(?=page:)", r'\1address: "TCPIP::\2::1::SOCKET", ', text)
    path = folder / "bench.yaml"
    path.write_text(text, "utf-8")
    return path


@pytest.mark.parametrize(("beside", "words", "near"), PORTS.values(), ids=PORTS.keys())
def test_mistakes_about_a_port_have_a_place(beside: str, words: str, near: str, tmp_path: Path) -> None:
    with pytest.raises(FileMistakes) as caught:
        load_station(real_station(tmp_path, beside))
    found = [each for each in caught.value.mistakes if words in each.what]
    assert found and found[0].nearest == near and found[0].place.column > 10


def test_a_station_sets_a_port_otherwise_than_the_page(tmp_path: Path) -> None:
    port = "{baud: 1200, data_bits: 7, parity: odd, stop_bits: 2, handshake: lines}"
    station = load_station(real_station(tmp_path, f'address: "ASRL/dev/ttyS0::INSTR", port: {port}, device: 7'))
    place = next(each for each in station.instruments if each.name == "continuity")
    line = place.line(Line(end=b"\r", echo=True))
    assert (line.baud, line.data_bits, line.parity, line.stop_bits, line.handshake) == (1200, 7, "odd", 2, "lines")
    assert (line.end, line.echo, place.device) == (b"\r", True, 7), "the rest stays as the page says"
    other = next(each for each in station.instruments if each.name == "guard")
    assert other.line(Line(baud=115200)).baud == 115200

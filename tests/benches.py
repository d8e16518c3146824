"""The demo bench with other instruments in some places: files made from the shipped ones, nothing else changed."""

from __future__ import annotations

import re
from pathlib import Path

from eolseq.simulation.file import Simulator, load_simulator
from eolseq.station.file import Station, load_station
from tests.rig import ROOT

OTHERS = {
    # place: (model, keys of the simulator file beside its role, page)
    "resistance": ("RM-70", "link: serial, manner: awkward", "drivers/rm-70.yaml"),
    "input": ("PM-8", "link: serial, manner: registers", "drivers/registers/pm-8.yaml"),
    "guard": ("GU-8", "link: tcp, manner: registers", "drivers/registers/gu-8.yaml"),
}


def patient(text: str) -> str:
    """A station file whose guard unit may be silent for longer, for real lines beside other tests."""
    assert text.count("freshness: 100 ms") == 1
    return text.replace("freshness: 100 ms", "freshness: 250 ms")


def demo_station() -> str:
    """The demo's station file, made patient."""
    return patient((ROOT / "simulators/demo-station.yaml").read_text("utf-8"))


def changed_files(folder: Path, *places: str, simulated: str = "bench-simulator.yaml") -> tuple[Path, Path]:
    """Write a simulator file and a station file with these places taken by the other instruments."""
    simulator = (ROOT / "simulators/demo-simulator.yaml").read_text("utf-8")
    station = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    for place in places:
        model, keys, page = OTHERS[place]
        simulator, station = _simulated(simulator, place, model, keys), _placed(station, place, page)
    station = station.replace("simulators/demo-simulator.yaml", simulated)
    (folder / simulated).write_text(simulator, "utf-8")
    (folder / "bench.yaml").write_text(station, "utf-8")
    return folder / simulated, folder / "bench.yaml"


def changed_bench(folder: Path, *places: str) -> tuple[Simulator, Station]:
    """The same, read."""
    simulator, station = changed_files(folder, *places)
    return load_simulator(simulator), load_station(station)


def _placed(text: str, place: str, page: str) -> str:
    changed, count = re.subn(rf"(\n  {place}: +{{page: )[^,]+,", rf"\g<1>{page},", text)
    assert count == 1
    return changed


def _simulated(text: str, place: str, model: str, keys: str) -> str:
    """The same instrument as another model with other keys, in either way of writing it."""
    block = re.search(rf"\n  {place}:\n(?:    .*\n)+", text) or re.search(rf"\n  {place}: {{.*\n", text)
    assert block is not None
    new = re.sub(r"model: [A-Z0-9-]+", f"model: {model}", block[0])
    between = "\n    " if new.startswith(f"\n  {place}:\n") else ", "
    new = re.sub(r"link: (?:tcp|serial)", keys.replace(", ", between), new)
    assert new != block[0]
    return text.replace(block[0], new)

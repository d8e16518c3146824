"""A station in virtual time whose bay has a fixture with a coded plug, and a tester that counts. Invented plant."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import tests.rig
from eolseq.commands.fixture import measure
from eolseq.commands.gates import Setting, gates_of
from eolseq.engine.run import RunResult
from eolseq.instruments.page import load_page
from eolseq.simulation.file import load_simulator
from eolseq.station.checks import Checks, Demand
from eolseq.station.file import Station, load_station
from tests.rig import PAGES, ROOT, Rig

FIXTURES = """
fixtures:
  nest-6:
    fits: [DH-6]
    plug: 4.7 kohm
    cycles: 2
    inspect_every: 90
    zero: {shorting_piece: S-3, points: [front-panel, rear-panel, motor-frame, element-plate, control-box],
           at_least: 10 mohm, at_most: 60 mohm, good_for: 30}
    baseline: {voltage: 1230 V, at_least: 10 uA, at_most: 60 uA, earth_current: 0.5 A, good_for: 7}
  nest-3: {fits: [DH-3], plug: 10 kohm}
"""
COUNTING = load_page(ROOT / "drivers/counting/wt-5.yaml")
NEVER = Checks(Demand("never"), Demand("never"))


def station_with(folder: Path, fixtures: str = FIXTURES) -> Station:
    """The demo station with fixtures and the relay that a coded plug is read over."""
    text = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    path = folder / "station.yaml"
    path.write_text(text.replace("  discharge: 130\n", "  discharge: 130\n  route-plug: 129\n") + fixtures, "utf-8")
    return load_station(path)


def simulator_with(folder: Path, fixture: str) -> Any:
    """The demo simulator with another plug and other contacts."""
    text = (ROOT / "simulators/demo-simulator.yaml").read_text("utf-8")
    path = folder / "simulator.yaml"
    path.write_text(text.replace("  plug: 4.7 kohm\n", fixture), "utf-8")
    return load_simulator(path)


class FixtureRig(Rig):
    """A rig whose runs pass the station's own gates."""

    def __init__(self, folder: Path, monkeypatch: Any, *, in_bay: str = "  plug: 4.7 kohm\n  contacts: 30 mohm\n",
                 counting: bool = False, fixtures: str = FIXTURES, **changes: Any) -> None:
        monkeypatch.setattr(tests.rig, "SIMULATOR", simulator_with(folder, in_bay))
        monkeypatch.setattr(tests.rig, "STATION", station_with(folder, fixtures))
        self.pages = {**PAGES, **({"withstand": COUNTING} if counting else {})}
        monkeypatch.setattr(tests.rig, "PAGES", self.pages)
        super().__init__(folder)
        self.station = dataclasses.replace(self.station, **changes)

    def gated(self, serial: str = "DH6-00000001") -> RunResult:
        """A run through the gates that the station's file asks for."""
        self.gates = gates_of(Setting(self.sequence, self.opened, self.pages, self.log, self.clock)).of_unit
        self.serial = serial
        self.world.load(serial)
        return self.run()

    def measured(self, what: str, fit: str) -> tuple[RunResult, int | None]:
        """A fixture measured without a unit, as ``eolseq fixture`` does it."""
        self.world.obey({"fit": fit})
        return measure(self.station.fixtures[0], what, self.opened, self.pages, self.clock, self.log,
                       self.events.append, self._acknowledge, [], "tester")

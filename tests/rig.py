"""A simulated station in virtual time, wired as the program wires it: the bench for tests of whole runs.

The invented plant, the DH-6 and every instrument are demo data.
"""

from __future__ import annotations

import dataclasses
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from eolseq.clock import VirtualClock
from eolseq.commands.run import bay_of, ready_log
from eolseq.commands.wiring import virtual_wires
from eolseq.engine.events import Cautions, Event
from eolseq.engine.run import RunResult, UnitRun
from eolseq.instruments.page import load_page
from eolseq.sequence.load import load_sequence
from eolseq.simulation.file import build, load_simulator
from eolseq.station.file import load_station
from eolseq.station.open import open_station

ROOT = Path(__file__).resolve().parent.parent
SEQUENCE = load_sequence(ROOT / "sequences/duct-heater-6kw.yaml")
FIRST: Any = SEQUENCE.steps[0]
SHORT = dataclasses.replace(SEQUENCE, steps=(dataclasses.replace(FIRST, points=FIRST.points[:2]), *SEQUENCE.steps[1:]))
"""For walks of a whole run: two bonded parts instead of five, each measured as the one before it."""
STATION = load_station(ROOT / "simulators/demo-station.yaml")
SIMULATOR = load_simulator(ROOT / "simulators/demo-simulator.yaml")
PAGES = {each.name: load_page(ROOT / each.page) for each in STATION.instruments}
SCAN = 0.05  # seconds between two looks at the guard, unless a test says otherwise


class Rig:
    """One unit in the bay of a simulated station, everything open and proved off; ``run`` tests it."""

    def __init__(self, folder: Path, serial: str = "DH6-00000001", defect: str | None = None, scan: float = SCAN,
                 sequence: Any = SEQUENCE, **guard: float) -> None:
        self.serial = serial
        self.sequence = sequence
        self.events: list[Event] = []
        self.clock = VirtualClock()
        self.station = dataclasses.replace(
            STATION, records=str(folder / "records"), key=str(folder / "keys/station.pem"),
            guard=dataclasses.replace(STATION.guard, scan=scan, **guard))
        self.world = build(SIMULATOR, serial, defect, now=0.0)
        self._stack = ExitStack()
        self.wires = self._stack.enter_context(virtual_wires(self.world, self.clock))
        self.operator: str | None = "tester"
        self.gates: list[Any] = []
        self.approval: int | None = None
        self.trial = False
        self.listen: Any = None  # nobody is at a terminal

    def open(self) -> Rig:
        """Open the station and its log."""
        self.opened = open_station(self.station, PAGES, self.wires.addresses, self.wires.manager, self.clock)
        self._stack.callback(self.opened.close)
        self.log = ready_log(self.station, self.opened, self.clock)
        self._stack.callback(self.log.close)
        return self

    def run(self) -> RunResult:
        """Test the unit in the bay."""
        unit = UnitRun(self.clock, self.sequence, bay_of(self.opened, PAGES), self.log, self.events.append,
                       self._acknowledge, self.gates, approval=self.approval, trial=self.trial, listen=self.listen)
        self.unit = unit
        return unit.run(self.serial)

    def _acknowledge(self, _: Cautions) -> str | None:
        return self.operator

    def close(self) -> None:
        """Close everything, and end every task."""
        self.clock.probe = None
        self._stack.close()
        self.clock.close()

    def __enter__(self) -> Rig:
        return self.open()

    def __exit__(self, *_: object) -> None:
        self.close()

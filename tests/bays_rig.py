"""A simulated station of several bays in virtual time, wired as the program wires it.

The invented plant, the DH-6 and every instrument are demo data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from eolseq.clock import VirtualClock
from eolseq.commands.run import bay_of, ready_log
from eolseq.commands.wiring import virtual_wires
from eolseq.engine.events import Event
from eolseq.engine.run import RunResult, UnitRun
from eolseq.engine.schedule import Feed, Job, Schedule
from eolseq.instruments.page import load_page
from eolseq.simulation.file import build, load_simulator
from eolseq.station.file import load_station
from eolseq.station.open import open_station
from tests.rig import ROOT, SEQUENCE

STATION = load_station(ROOT / "simulators/four-bays.yaml")
SIMULATOR = load_simulator(ROOT / "simulators/four-bays-simulator.yaml")
PAGES = {each.name: load_page(ROOT / each.page) for each in STATION.instruments}
SCAN = 0.05  # seconds between two looks at a guard, unless a test says otherwise


def of_bays(count: int) -> tuple[Any, Any]:
    """Station and simulator with the first so many bays."""
    kept, gone = STATION.places[:count], STATION.places[count:]
    away = {name for each in gone for name in (each.guard, *each.own)}
    station = dataclasses.replace(STATION, places=kept,
                                  instruments=tuple(e for e in STATION.instruments if e.name not in away))
    simulator = dataclasses.replace(SIMULATOR, bays=SIMULATOR.bays[:count],
                                    instruments=tuple(e for e in SIMULATOR.instruments if e.name not in away))
    return station, simulator


def each_with_its_own(role_name: str) -> tuple[Any, Any]:
    """Station and simulator of two bays that do not share the instrument of this name: each has one."""
    station, simulator = of_bays(2)
    second = f"{role_name}-2"

    def with_second(instruments: Any) -> tuple[Any, ...]:
        first = next(each for each in instruments if each.name == role_name)
        return (*instruments, dataclasses.replace(first, name=second, serial=f"{first.serial}-B"))

    names = (role_name, second)
    return (dataclasses.replace(station, instruments=with_second(station.instruments), places=tuple(
                dataclasses.replace(each, own=(*each.own, name)) for each, name in zip(station.places, names, strict=True))),
            dataclasses.replace(simulator, instruments=with_second(simulator.instruments), bays=tuple(
                dataclasses.replace(each, instruments=(*each.instruments, name))
                for each, name in zip(simulator.bays, names, strict=True))))


class BaysRig:
    """Several bays with a unit in each, everything open and proved off; ``run`` tests a list of units at each."""

    def __init__(self, folder: Path, bays: int = 2, scan: float = SCAN, sequence: Any = SEQUENCE,
                 made: tuple[Any, Any] | None = None) -> None:
        self.sequence = sequence
        self.events: list[tuple[str, Event]] = []
        self.results: list[tuple[str, str, RunResult]] = []
        self.clock = VirtualClock()
        station, simulator = made or of_bays(bays)
        self.pages = {each.name: load_page(ROOT / each.page) for each in station.instruments}
        self.station = dataclasses.replace(
            station, records=str(folder / "records"), key=str(folder / "keys/station.pem"),
            guard=dataclasses.replace(station.guard, scan=scan))
        self.hall: Any = build(simulator, now=0.0)
        self._stack = ExitStack()
        self.wires = self._stack.enter_context(virtual_wires(self.hall, self.clock))
        self.before_unit: Callable[[str, str], None] = self.load

    def open(self) -> BaysRig:
        """Open the station and its log."""
        self.opened = open_station(self.station, self.pages, self.wires.addresses, self.wires.manager, self.clock)
        self._stack.callback(self.opened.close)
        self.log = ready_log(self.station, self.opened, self.clock)
        self._stack.callback(self.log.close)
        self.bays = {name: bay_of(self.opened, self.pages, name) for name in self.station.bays
                     if name not in self.opened.out}
        return self

    @property
    def desk(self) -> Any:
        """The Desk."""
        return self.opened.desk

    def load(self, bay: str, serial: str) -> None:
        """A person changes the unit."""
        self.hall.bays[bay].load(serial)

    def schedule(self, units: dict[str, list[str]]) -> Schedule:
        """All bays started, with these serials at each, in this order."""
        feeds = {name: Feed(self.clock) for name in self.bays}
        for name, serials in units.items():
            for serial in serials:
                feeds[name].put(Job(serial, self.sequence))
        for feed in feeds.values():
            feed.close()
        self.scheduled = Schedule(self.clock, self.bays, feeds, self._make, self._told,
                                  lambda: self.desk.locked)
        self.scheduled.start()
        return self.scheduled

    def run(self, units: dict[str, list[str]], seconds: float = 3600.0) -> list[tuple[str, str, RunResult]]:
        """Test these units; every result with its bay and serial, in the order in which they ended."""
        self.results.clear()
        assert self.schedule(units).join(seconds), "the bays did not end"
        return self.results

    def _make(self, bay: str, job: Job) -> UnitRun:
        self.before_unit(bay, job.serial)
        return UnitRun(self.clock, job.sequence, self.bays[bay], self.log,
                       lambda event: self.events.append((bay, event)), lambda _: "tester",
                       [self.scheduled.gate(bay)])

    def _told(self, bay: str, job: Job, result: RunResult) -> None:
        self.results.append((bay, job.serial, result))

    def close(self) -> None:
        """Close everything, and end every task."""
        self.clock.probe = self.clock.choose = None
        self._stack.close()
        self.clock.close()

    def __enter__(self) -> BaysRig:
        return self.open()

    def __exit__(self, *_: object) -> None:
        self.close()

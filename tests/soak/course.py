"""The course of a soak: life after life of the program over one plant, the book-keeping between them, and the figures."""

from __future__ import annotations

import dataclasses
import time
from collections import Counter, deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from eolseq.errors import EolseqError
from eolseq.records.audit import audit
from eolseq.simulation.file import build
from tests.soak.bench import of_folder
from tests.soak.books import Books, Entry
from tests.soak.life import Life, Plant, Stuck
from tests.soak.plan import Visit, simulator, visits
from tests.soak.plant import unlock
from tests.soak.watch import Watch

A_DAY = 240      # visits until the people go home
SCAN = 0.05      # seconds between two looks at the guard
NOT_OPENED = 4   # times in a row before it counts as stuck


@dataclass
class Figures:
    """What a soak came to."""

    seed: int
    units: int = 0
    seconds: float = 0.0
    days: float = 0.0
    ends: Counter[str] = field(default_factory=Counter)
    watch: Watch = field(default_factory=Watch)
    findings: list[str] = field(default_factory=list)

    @property
    def leaks(self) -> list[str]:
        """What was left behind between lives."""
        return self.watch.leaks


class Soak:
    """``run`` goes on until so many different units were scanned."""

    def __init__(self, folder: Path, seed: int, units: int, progress: Callable[[str], None] = lambda _: None,
                 minutes: float = 1e6) -> None:
        self.ends_at = time.perf_counter() + minutes * 60.0  # after that no further unit comes
        self.figures = Figures(seed)
        self.units, self.progress = units, progress
        random = Random(f"the course of {seed}")
        station = of_folder(folder, SCAN)
        world = build(simulator(Random(f"the units of {seed}")), "DH6-99999999", None, now=0.0)
        self.source = visits(seed)
        self.books = Books(folder / "records" / "log.jsonl")
        self.plant = Plant(folder, station, world, random, deque(), self.books)
        self.seconds, self.today = 0.0, A_DAY
        self.fresh = 0

    def run(self) -> Figures:
        """The whole soak."""
        begun, refused, known = time.perf_counter(), 0, 0
        while self.fresh < self.units or self.plant.todo:
            self._fill()
            end, why = self._live()
            self.figures.watch.look(self.books.scans)
            self.figures.ends[end] += 1
            self._serviced(end)
            refused = refused + 1 if end == "not opened" else 0
            if refused >= NOT_OPENED:
                raise Stuck(f"the station could not be opened: {why}")
            before, known = known, len(self.books.surprises)
            for each in self.books.surprises[before:]:
                self.progress(f"SURPRISE {each}")
            self.progress(f"{self.books.scans} scans, {self.plant.lives} lives, {self.plant.checks} checks, day {self.seconds / 86400:.1f}, "
                          f"{time.perf_counter() - begun:.0f} s: {end} {why[:60]}; "
                          f"{len(self.books.surprises)} surprises")
        self._last_life()
        self.books.close()
        figures = self.figures
        figures.watch.look(self.books.scans, last=True)
        report = audit(self.books.log)
        figures.findings = [str(each) for each in report.findings]
        figures.units, figures.days = len(self.books.units), self.seconds / 86400
        figures.seconds = time.perf_counter() - begun
        return figures

    def _fill(self) -> None:
        """Have a few units ready; not the whole plan."""
        if time.perf_counter() > self.ends_at:
            self.units = self.fresh
        while len(self.plant.todo) < 4 and self.fresh < self.units:
            self.plant.todo.append(next(self.source))
            self.fresh += 1

    def _live(self) -> tuple[str, str]:
        """One life of the program, and what follows it."""
        plant = self.plant
        plant.lives += 1
        life = Life(plant, self.seconds, self.today)
        life.refill = self._fill
        life.follow = self._follow
        end, why = life.run()
        if life.stuck:
            raise Stuck(life.stuck)
        self.today = life.left
        self.seconds = life.clock.monotonic()
        if life.visit is not None and life.entry is not None:
            life.entry.energised = life.energised()
        plant.world.changes.clear()
        self.figures.watch.ended(life.clock)
        cut, entry = life.visit, life.entry
        self.books.settle(plant.tray.emptied(), killed=end == "killed")
        if cut is not None and entry is not None:
            self._cut(cut)
        return end, why

    def _cut(self, visit: Visit) -> None:
        """A unit that was under test when the program ended is scanned again, as the screen says."""
        self.plant.todo.appendleft(dataclasses.replace(visit, mishap=None, rework=False))

    def _follow(self, entry: Entry) -> None:
        """What people do with a unit after its test: rework, try again, scan what has passed by mistake."""
        visit, random, todo = entry.visit, self.plant.random, self.plant.todo
        again = dataclasses.replace(visit, mishap=None, rework=False)
        drawn = random.random()
        if entry.told in ("stopped", "fault", "refused") and entry.may_run and visit.mishap and drawn < 0.9:
            todo.appendleft(again)
        elif entry.told == "fail" and drawn < 0.25:
            todo.appendleft(Visit(visit.serial, None, True, None, rework=True, earlier="made" if visit.earlier else ""))
        elif not visit.admitted and drawn < 0.7:
            todo.appendleft(dataclasses.replace(again, earlier="made"))  # whoever makes that check has made it
        elif entry.told in ("pass", "fail") and drawn > 0.97:
            todo.appendleft(again)  # must be refused

    def _serviced(self, end: str) -> None:
        """Between two lives: instruments put right, the station unlocked, people home and back."""
        world, random = self.plant.world, self.plant.random
        self.seconds += random.uniform(5.0, 400.0)
        world.advance_to(self.seconds)
        if end in ("ended", "not opened") or random.random() < 0.5:
            world.clear_faults()
            world.press_stop(False)
        if end == "ended" and not self.today:
            self.today = A_DAY
            self.seconds += 86400.0 - self.seconds % 86400.0 + random.uniform(0.0, 900.0)
            world.advance_to(self.seconds)
        if end != "killed" and self.books.locked:
            with suppress(EolseqError):
                self.figures.ends["unlocked"] += unlock(self.plant.station, self.seconds)

    def _last_life(self) -> None:
        """One more, with nothing to test, so that what a kill left open at the very end is settled."""
        self.plant.world.clear_faults()
        self.today = 0
        end, why = self._live()
        if end != "ended":
            raise Stuck(f"the last life: {end}: {why}")

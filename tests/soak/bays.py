"""A soak at several bays of one station: units side by side, one scanner, kills in the middle of all of it.

The people scan a bay's code and then the unit's, each bay at its own pace; the books are the same as at one bay, but that
this station prints no labels and asks for no rework. Instruments of a bay and shared ones become faulty under a test;
maintenance puts them right between two lives, but sometimes leaves a bay's own one as it is, and that bay is out of use.
"""

from __future__ import annotations

import dataclasses
from collections import Counter, deque
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from itertools import count
from pathlib import Path
from random import Random
from typing import Any

import eolseq.records.log as log_module
from eolseq.commands.run import ready_log
from eolseq.commands.shift_bays import BaysAtWork, look_back_at_bays
from eolseq.commands.wiring import virtual_wires
from eolseq.errors import EolseqError, RecordFault
from eolseq.line.scans import read_scan
from eolseq.line.shift_events import Note, Situation, Stands, UnitOver
from eolseq.records.audit import audit
from eolseq.simulation.file import build
from eolseq.station.open import open_station
from tests.bays_rig import PAGES, SCAN, of_bays
from tests.rig import SEQUENCE
from tests.shift_rig import MORNING
from tests.soak.books import Books, Entry
from tests.soak.life import LONGEST, Stuck
from tests.soak.plan import FALSE, Mishap, Visit, faults_of
from tests.soak.plant import Disk, Killed, PlantClock, Process, dead_to_the_bench, order_of, unlock
from tests.soak.watch import Watch

AT_THE_SCANNER = 0.4  # seconds between a bay's code and the unit's
PLACES = (Situation.WAITING, Situation.PLATE, Situation.SIGN_IN, Situation.CAUTIONS, Situation.LOCKED,
          Situation.OUT_OF_USE)
LEFT = 0.3      # of the lives after a fault: maintenance has no part for a bay's own instrument
KINDS = ("kill",) * 4 + ("torn",) * 2 + ("guard",) * 2 + ("stop",) * 2 + ("fault",) * 5 + ("mains", "full")


class Hall:
    """What outlives the program: bench, units still to come, books."""

    def __init__(self, folder: Path, seed: int, bays: int, units: int) -> None:
        station, simulator = of_bays(bays)
        self.own = [name for each in station.places for name in (each.guard, *each.own)]
        self.station = dataclasses.replace(station, records=str(folder / "records"), key=str(folder / "keys/station.pem"),
                                           guard=dataclasses.replace(station.guard, scan=SCAN))
        self.world: Any = build(simulator, now=0.0)
        self.random = Random(seed)
        self.books = Books(folder / "records" / "log.jsonl", line=False)
        defects = sorted(simulator.defects_of("DH6-00000001"))
        self.faults = sorted(each for each in faults_of(station, simulator) if each[1] not in FALSE)
        self.faulty: set[str] = set()  # instruments, in this life
        self.out: Counter[str] = Counter()  # lives that a bay was out of use
        self.todo = deque(self._visit(number, defects) for number in range(1, units + 1))
        self.ends: Counter[str] = Counter()
        self.watch = Watch()
        self.seconds = 0.0

    def _visit(self, number: int, defects: list[str]) -> Visit:
        random, serial = self.random, f"DH6-{number:08d}"
        drawn, mishap = random.random(), None
        if drawn < 0.14:
            kind, after, number = random.choice(KINDS), random.uniform(0.0, 30.0), random.randrange(1, 40)
            instrument, name = random.choice(self.faults) if kind == "fault" else ("", "")
            mishap = Mishap(kind, after, number, instrument, name)
        if random.random() < 0.25:
            return Visit(serial, random.choice(defects), False, mishap)
        return Visit(serial, None, True, mishap)

    def run(self) -> Books:
        """Life after life until every unit was scanned; then the books are closed."""
        while self.todo:
            self._live()
            self.watch.look(self.books.scans)
        self._live()
        self.watch.look(self.books.scans, last=True)
        self.books.close()
        self.books.surprises += [str(each) for each in audit(self.books.log).findings]
        return self.books

    def told(self) -> list[str]:
        """The figures for people."""
        books = self.books
        return [f"{len(self.station.bays)} bays, {books.scans} scans in {self.seconds:.0f} s of plant time; lives of the "
                f"program ended: {dict(self.ends)}; bays out of use in so many of them: {dict(self.out)}",
                f"outcomes: {dict(books.outcomes)}", f"mishaps: {dict(books.mishaps)}",
                f"log: {books.size} entries, {books.debris} torn lines; surprises: {len(books.surprises)}",
                self.watch.told(),
                *books.surprises[:40]]

    def _live(self) -> None:
        life = HallLife(self)
        end = life.run()
        self.watch.ended(life.clock)
        self.ends[end if end in ("killed", "ended") else "record fault"] += 1
        self.out.update(name for name, each in life.stands.items() if each.situation is Situation.OUT_OF_USE)
        if end not in ("killed", "ended") and not life.disk.full:
            raise Stuck(f"a life at several bays: {end}")
        self.books.settle(killed=end != "ended")
        for each in (self.world, *self.world.bays.values()):
            each.changes.clear()
        cut = [visit for visit, _ in life.at.values()]
        self.todo.extendleft(dataclasses.replace(visit, mishap=None) for visit in cut)
        self.seconds = life.clock.monotonic() + self.random.uniform(5.0, 200.0)
        self.world.tick(self.seconds)
        self._serviced(end)

    def _serviced(self, end: str) -> None:
        """Between two lives: instruments put right, all or all but one of a bay's own; the station unlocked."""
        for name in self.station.bays:
            self.world.obey({"bay": name, "clear_faults": True, "stop": False})
        faulty, self.faulty = self.faulty, set()
        own = [each for each in self.own if each in faulty]
        if own and self.random.random() < LEFT and self.todo:
            self.fault("silent", own[0])
        if end == "ended" and self.books.locked:
            self.ends["unlocked"] += unlock(self.station, self.seconds)

    def fault(self, name: str, instrument: str) -> None:
        """An instrument becomes faulty."""
        self.faulty.add(instrument)
        self.world.set_fault(name, instrument)


class HallLife:
    """One life of the program at several bays."""

    def __init__(self, hall: Hall) -> None:
        self.hall, self.random = hall, hall.random
        self.process = Process()
        self.disk = Disk(self.process)
        self.clock = PlantClock(MORNING, hall.seconds)
        self.at: dict[str, tuple[Visit, Entry]] = {}
        self.stands: dict[str, Stands] = {}
        self.wrong: Mishap | None = None  # what is wrong at more than one bay, from when it came on
        self.plate: dict[str, str] = {}
        self.home: set[str] = set()
        self._turns: Counter[str] = Counter()
        self._scanner_free = 0.0
        self._kill_in = count(0)

    def run(self) -> str:
        """Live; how it ended."""
        with ExitStack() as stack:
            stack.callback(self.clock.close)
            stack.enter_context(self._disk_in_place())
            try:
                return self._opened(stack)
            except Killed:
                return "killed"
            except (RecordFault, EolseqError) as error:
                return str(error)
            finally:
                self.clock.probe = None

    @contextmanager
    def _disk_in_place(self) -> Iterator[None]:
        system = log_module.OperatingSystem
        log_module.OperatingSystem = lambda: self.disk  # type: ignore[assignment,misc]
        try:
            yield
        finally:
            log_module.OperatingSystem = system  # type: ignore[misc]

    def _opened(self, stack: ExitStack) -> str:
        hall, clock = self.hall, self.clock
        wires = stack.enter_context(virtual_wires(hall.world, clock))
        self.visalib = wires.manager.visalib
        past = look_back_at_bays(hall.station, (SEQUENCE,), lambda *_: None)
        opened = open_station(hall.station, PAGES, wires.addresses, wires.manager, clock)
        stack.callback(self._quietly, opened.close)
        log = ready_log(hall.station, opened, clock, past[hall.station.bays[0]].records)
        stack.callback(log.close)
        self._obey = order_of(hall.world, self.process)
        self.work = BaysAtWork(clock, opened, PAGES, log, (SEQUENCE,), self.tell, self._order)
        clock.start("end of the day", self._end_of_day)
        self.work.run(past)
        return "ended"

    def _quietly(self, close: Any) -> None:
        if self.process.dead:
            self._die()
        with suppress(Killed, EolseqError):
            close()
        self.clock.probe = None

    def _die(self) -> None:
        self.process.dead = True
        dead_to_the_bench(self.visalib)

        def gone(_: int) -> None:
            raise Killed
        self.clock.probe = gone

    def _order(self, what: Mapping[str, Any]) -> None:
        """What a person does at the bench; a unit that is put in is in its own condition."""
        load = what.get("load")
        if load is not None:
            by_serial = {visit.serial: visit.condition for visit, _ in self.at.values()}
            what = {**what, "load": {**load, "defect": by_serial.get(load["serial"])}}
        self._obey(what)

    # -- people -------------------------------------------------------------------------------------------------

    def tell(self, bay: str, event: Any) -> None:
        """Something is told at a bay."""
        self.process.live()
        if isinstance(event, UnitOver):
            visit, entry = self.at.pop(bay)
            self.plate[bay] = visit.serial
            self.hall.books.told(entry, str(event.outcome), event.sentence, False)
            if event.outcome == "fault":
                self.home.update(self.hall.station.bays)  # maintenance is called
            self.hall.world.obey({"bay": bay, "stop": False})
        elif isinstance(event, Stands):
            self.stands[bay] = event
            self._soon(bay)
        elif isinstance(event, Note) and (not event.running or event.word == "WHICH BAY"):
            if event.word == "REFUSED" and bay in self.at and self.stands[bay].situation is Situation.RUNNING:
                visit, entry = self.at.pop(bay)
                self.plate[bay] = visit.serial
                self.hall.books.told(entry, "refused", event.sentence, False)
            self._soon(bay)

    def _soon(self, bay: str) -> None:
        self._turns[bay] += 1
        turn = self._turns[bay]

        def work() -> None:
            self.clock.sleep(1.5 + self.random.random())
            if turn == self._turns[bay] and self.stands[bay].situation in PLACES:
                self._scan(bay, turn)
        self.clock.start("person", work)

    def _scan(self, bay: str, turn: int) -> None:
        """Wait for the scanner, scan the bay's code, then what is right there."""
        now = self.clock.monotonic()
        begins = max(now, self._scanner_free)
        self._scanner_free = begins + 2 * AT_THE_SCANNER
        self.clock.sleep(begins - now)
        line = self._line(bay)
        if line is None or turn != self._turns[bay]:
            return
        for text in (bay, line) if line != "=end" else (line,):
            found = read_scan(text.encode())
            if found is not None:
                self.work.board.put(found)
            self.clock.sleep(AT_THE_SCANNER)

    def _line(self, bay: str) -> str | None:
        situation = self.stands[bay].situation
        if situation in (Situation.SIGN_IN, Situation.CAUTIONS):
            return "op-07"
        if situation is Situation.PLATE:
            return f"PLATE DH-6 {self.plate[bay]}"
        if bay in self.at:
            return f"PLATE DH-6 {self.at[bay][0].serial}"
        if situation in (Situation.LOCKED, Situation.OUT_OF_USE) or not self.hall.todo:
            self.home.add(bay)
        if bay in self.home:
            return "=end" if len(self.home) == len(self.hall.station.bays) and not self.at else None
        visit = self.hall.todo.popleft()
        self.at[bay] = (visit, self.hall.books.scanned(visit))
        if visit.mishap is not None:
            self._prepare(bay, visit, visit.mishap)
        elif self.wrong is not None:
            self._suffers(bay)
        return f"PLATE DH-6 {visit.serial}"

    def _prepare(self, bay: str, visit: Visit, mishap: Mishap) -> None:
        if mishap.kind == "torn":
            self.disk.tear_in = mishap.number
            return

        def work() -> None:
            self.clock.sleep(mishap.after)
            if mishap.kind == "kill":
                self._kill_in = count(1 - mishap.number)
                self.clock.probe = self._count_down
            elif bay in self.at and self.at[bay][0] is visit:
                self._at_its_moment(bay, mishap)
        self.clock.start("mishap", work)

    def _at_its_moment(self, bay: str, mishap: Mishap) -> None:
        self.hall.world.tick(self.clock.monotonic())
        if mishap.kind in ("fault", "full"):
            self.wrong = mishap
            for other in list(self.at):
                self._suffers(other)
        if mishap.kind == "full":
            self.disk.full = True
        elif mishap.kind == "fault":
            self.hall.fault(mishap.name, mishap.instrument)
        else:
            self.hall.world.obey({"bay": bay, **{"guard": {"open": "both"}, "stop": {"stop": True},
                                                 "mains": {"power_fails": True}}[mishap.kind]})

    def _suffers(self, bay: str) -> None:
        """What is wrong at one bay may reach the unit at another: its instrument is shared, or the station locks."""
        _, entry = self.at[bay]
        if entry.visit.mishap is None or (self.wrong is not None and self.wrong.kind == "full"):
            entry.visit = dataclasses.replace(entry.visit, mishap=self.wrong)

    def _count_down(self, _: int) -> None:
        if next(self._kill_in) >= 0:
            self._die()
            raise Killed

    def _end_of_day(self) -> None:
        self.clock.sleep(LONGEST)
        raise Stuck(str(self.stands))

"""One life of the program in a soak: opened on the log that is there, a person at its bay, until its end, good or bad."""

from __future__ import annotations

import dataclasses
import json
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import eolseq.records.log as log_module
from eolseq.commands.run import ready_log
from eolseq.commands.shift import look_back, tell_proved_off, turned_away
from eolseq.commands.shift_parts import AtStation
from eolseq.commands.wiring import virtual_wires
from eolseq.errors import EolseqError, RecordFault
from eolseq.line.after_pass import AfterPass
from eolseq.line.scans import Inbox, read_scan
from eolseq.line.shift import Shift
from eolseq.line.shift_events import Note, Situation, Stands, UnitOver
from eolseq.station.open import open_station
from tests.shift_rig import MORNING
from tests.soak.bench import PAGES, SEQUENCES, hand_in
from tests.soak.books import Books, Entry
from tests.soak.mishaps import prepare
from tests.soak.plan import CODES, Visit
from tests.soak.plant import Disk, Killed, PlantClock, Process, Tray, dead_to_the_bench, order_of

REACTS = 1.5
LONGEST = 14 * 3600.0  # virtual seconds of one life
BADGES = ("op-07", "op-12")


class Stuck(Exception):
    """A person who does what the screen says gets no further."""


@dataclass
class Plant:
    """What outlives the program: the bench, the paper, the units that are still to come, and the books."""

    folder: Path
    station: Any
    world: Any
    random: Random
    todo: deque[Visit]
    books: Books
    tray: Tray = dataclasses.field(default_factory=Tray)
    lives: int = 0
    checks: int = 0


class Life:
    """``run`` gives how the life ended: in a word, with a sentence."""

    def __init__(self, plant: Plant, seconds: float, units: int) -> None:
        self.plant, self.random, self.books = plant, plant.random, plant.books
        self.left = units  # visits until the person goes home
        self.process = Process()
        self.disk = Disk(self.process)
        self.clock = PlantClock(MORNING, seconds)
        self.visit: Visit | None = None
        self.entry: Entry | None = None
        self.stands: Stands | None = None
        self.home = ""       # why the person ends the shift, once they mean to
        self.stuck = ""
        self.follow: Callable[[Entry], None] = lambda _: None   # what people do with a unit after its test
        self.refill: Callable[[], None] = lambda: None          # has the next units ready
        self._turn = 0
        self._tries = 0

    def run(self) -> tuple[str, str]:
        """Live."""
        plant = self.plant
        plant.tray.process = self.process
        with ExitStack() as stack:
            stack.callback(self._cleared_away)
            stack.enter_context(self._patched())
            try:
                return self._opened(stack)
            except Killed:
                return "killed", "torn" if self.disk.tore else ""
            except RecordFault as error:
                return "record fault", str(error)
            except EolseqError as error:
                return "not opened", str(error)
            finally:
                self.process.dead = self.process.dead or self.disk.full
                self.clock.probe = None

    def _opened(self, stack: ExitStack) -> tuple[str, str]:
        plant, clock = self.plant, self.clock
        wires = stack.enter_context(virtual_wires(plant.world, clock))
        self.visalib = wires.manager.visalib
        past = look_back(plant.station, SEQUENCES, lambda _: None)
        opened = open_station(plant.station, PAGES, wires.addresses, wires.manager, clock)
        stack.callback(self._quietly, opened.close)
        inbox = self.inbox = Inbox(clock, turned_away(self.tell))
        log = self.log = ready_log(plant.station, opened, clock, past.records)
        stack.callback(log.close)
        around = self.around = AtStation(clock, opened, PAGES, log, SEQUENCES, order_of(plant.world, self.process),
                                         None, inbox.listen)
        around._defects = self.conditions()
        if around.papers is None:
            raise Stuck("the station prints no labels")
        around.papers.paper.printer = plant.tray
        tell_proved_off(past, self.tell)
        self.after = AfterPass(around.papers, around.rules)
        if past.pending is not None:
            self.after.resume(past.pending)
        clock.start("end of the day", self._end_of_day)
        return "ended", Shift(around, inbox, self.tell, self.after).run()

    def conditions(self) -> dict[str, str]:
        """The condition of the unit that is scanned, by serial; looked up when it is put in."""
        life = self

        class Now(dict[str, str]):
            def get(self, serial: str, default: Any = None) -> Any:
                visit = life.visit
                return visit.condition if visit is not None and visit.serial == serial else default
        return Now()

    @contextmanager
    def _patched(self) -> Iterator[None]:
        """The log is on the soak's disk; only every 25th label is drawn, since that is most of a unit's time."""
        from eolseq.commands.labelling import Paper

        system, pdf = log_module.OperatingSystem, Paper._pdf
        codes, random = self.plant.tray.codes, Random(self.plant.lives)

        def drawn(paper: Any, label: Any, code: Any) -> bytes:
            from hashlib import sha256

            made = pdf(paper, label, code) if random.random() < 0.04 else f"{label.words()} {code.text()}".encode()
            codes[sha256(made).hexdigest()] = code.text()
            return made

        log_module.OperatingSystem = lambda: self.disk  # type: ignore[assignment,misc]
        Paper._pdf = drawn  # type: ignore[method-assign]
        try:
            yield
        finally:
            log_module.OperatingSystem = system  # type: ignore[misc]
            Paper._pdf = pdf  # type: ignore[method-assign]

    def _quietly(self, close: Callable[[], None]) -> None:
        """Close what a dead process cannot close any more; its sockets the kernel closes."""
        if self.process.dead:
            self.die()
        with suppress(Killed, EolseqError):
            close()

    def _cleared_away(self) -> None:
        """Nothing of the process is left; what went wrong in the plant is over, but for the instruments'."""
        self.clock.probe = None
        self.clock.close()

    def die(self) -> None:
        """A kill: from here on nothing of the process acts."""
        self.process.dead = True
        dead_to_the_bench(self.visalib)

        def gone(_: int) -> None:
            raise Killed
        self.clock.probe = gone

    # -- the person ---------------------------------------------------------------------------------------------

    def tell(self, event: Any) -> None:
        """What the screen would show; the person reacts to it after a while."""
        self.process.live()
        if isinstance(event, UnitOver):
            self._over(str(event.outcome), event.sentence)
        elif isinstance(event, Stands):
            self.stands = event
            self._tries = 0
            self._soon()
        elif isinstance(event, Note) and not event.running:
            if event.word == "REFUSED" and self.stands is not None and self.stands.situation is Situation.RUNNING:
                self._over("refused", event.sentence)
            self._soon()

    def _soon(self) -> None:
        self._turn += 1
        turn = self._turn

        def work() -> None:
            self.clock.sleep(REACTS + self.random.random())
            if turn == self._turn and self.stands is not None:
                self._act(self.stands)
        self.clock.start("person", work)

    def _act(self, stands: Stands) -> None:
        situation = stands.situation
        if situation in (Situation.RUNNING, Situation.CHECKING, Situation.ENDED):
            return
        self._tries += 1
        if self._tries > 12:
            self.stuck = f"{situation}: {stands.do}"
            self.inbox.ended = "stuck"
            return
        line = b"=end" if self._tries > 6 or situation is Situation.LOCKED or (
            self.home and situation is Situation.WAITING) else self._line(situation, stands)
        self.scan(line)

    def _line(self, situation: Situation, stands: Stands) -> bytes:
        if situation in (Situation.SIGN_IN, Situation.CAUTIONS):
            return (stands.operator or BADGES[self.plant.lives % 2]).encode()
        if situation is Situation.CHECK_DUE:
            self.plant.checks += 1
            return b"=verify" if "=verify" in stands.do else b"=challenge"
        if situation is Situation.WAITING:
            return self._next_unit()
        serial = self.after.pending.serial if self.after.pending is not None else ""
        code = self.plant.tray.code_of(serial)
        if self.random.random() < 0.02:
            return self.random.choice(CODES[3:])  # what does not belong here, never what ends the shift
        if situation is Situation.LABEL:
            return code.encode() if code else b"=not-found"
        if situation is Situation.LABEL_MISSING:
            return b"=destroyed" if code else b"=not-found"
        return self._plate(serial)

    def _plate(self, serial: str) -> bytes:
        model = next(m for each in SEQUENCES if each.unit.fits(serial) for m in each.unit.models)
        return self.around.rules.plate_of(serial, model).encode()

    def scan(self, line: bytes) -> None:
        """Scan a line."""
        found = read_scan(line)
        if found is not None:
            self.inbox.put(found)

    def _next_unit(self) -> bytes:
        if self.visit is not None:
            return self._plate(self.visit.serial)  # scanned, and then the cautions came or nothing at all
        self.refill()
        if not self.left or not self.plant.todo:
            self.home = "the day is over"
            return b"=end"
        self.left -= 1
        visit = self.visit = self.plant.todo.popleft()
        if visit.rework:
            self._hand_in_rework(visit)
        if visit.earlier:
            hand_in(self.plant.station, visit.serial, visit.earlier, self.clock.now(), self.books.scans)
        self.plant.world.changes.clear()  # those of checks before it
        self.entry = self.books.scanned(visit)
        if visit.mishap is not None:
            prepare(self, visit, visit.mishap)
        return self._plate(visit.serial)

    def _hand_in_rework(self, visit: Visit) -> None:
        """As ``eolseq rework`` leaves it while a shift has the log."""
        folder = Path(self.plant.station.records) / "waiting"
        folder.mkdir(exist_ok=True)
        run = self.log.last_run(visit.serial)
        sequence = next(each.name for each in SEQUENCES if each.unit.fits(visit.serial))
        asked = {"v": 1, "kind": "rework", "serial": visit.serial, "run": run.closed_by if run else 0,
                 "sequence": sequence, "cause": "found by the soak", "changed": "the part at fault", "by": "rw-01"}
        (folder / f"{self.clock.monotonic():012.3f}-{visit.serial}.json").write_text(json.dumps(asked), "utf-8")
        self.books.reworked(visit.serial)

    def _over(self, outcome: str, sentence: str) -> None:
        """A unit's test is over, as the screen said."""
        if self.visit is None or self.entry is None:
            return
        visit, self.visit = self.visit, None
        self.disk.full_at_begin = False
        if visit.mishap is not None and visit.mishap.kind == "clock back":
            self.clock.wrong = 0.0
        self.books.told(self.entry, outcome, sentence, self.energised())
        self.follow(self.entry)
        if visit.mishap is not None and visit.mishap.kind in ("fault", "bay", "mains", "stop", "guard"):
            self.home = "maintenance is called"
        if outcome == "fault":
            self.home = "maintenance is called"

    def energised(self) -> bool:
        """Whether an output was on since the last scan; the list of changes starts anew."""
        changes = self.plant.world.changes
        found = any(each.get("output") == "on" for each in changes)
        changes.clear()
        return found

    def _end_of_day(self) -> None:
        self.clock.sleep(LONGEST)
        self.stuck = f"the shift had not ended after {LONGEST:.0f} s: {self.stands}"
        self.inbox.close()


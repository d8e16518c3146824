"""A shift in virtual time at the simulated line bench, wired as the program wires it, with a person who reacts.

The invented plant, its products, people and instruments are demo data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from eolseq.clock import VirtualClock
from eolseq.commands.run import ready_log
from eolseq.commands.shift import look_back, tell_proved_off, turned_away
from eolseq.commands.shift_parts import AtStation
from eolseq.commands.wiring import virtual_wires
from eolseq.instruments.page import load_page
from eolseq.line.after_pass import AfterPass
from eolseq.line.label_code import read_code
from eolseq.line.scans import Inbox, Scan, read_scan
from eolseq.line.shift import Shift
from eolseq.line.shift_events import Note, Situation, Stands, UnitOver
from eolseq.sequence.load import load_sequence
from eolseq.simulation.file import build, load_simulator
from eolseq.station.file import load_station
from eolseq.station.open import open_station

ROOT = Path(__file__).resolve().parent.parent
STATION = load_station(ROOT / "simulators/line-station.yaml")
SIMULATOR = load_simulator(ROOT / "simulators/demo-simulator.yaml")
PAGES = {each.name: load_page(ROOT / each.page) for each in STATION.instruments}
assert STATION.shift is not None
SEQUENCES = tuple(load_sequence(ROOT / each) for each in STATION.shift.sequences)
SCAN = 0.05    # seconds between two looks at the guard
REACTS = 1.5   # seconds a person takes for a scan
LONGEST = 1800.0  # virtual seconds
BADGE = "op-07"
MORNING = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)


def typed(text: str) -> bytes:
    """What a keyboard sends for a text that is typed."""
    return f"={text}".encode()


class Person:
    """Does what the screen asks: signs in, brings the units, scans back; ``odd`` is done first in a situation.

    ``odd`` gives for a situation the lines that this person scans there, each once, before what is right.
    """

    def __init__(self, rig: ShiftRig, units: list[str], odd: Mapping[Situation, list[bytes]] | None = None,
                 badge: str = BADGE) -> None:
        self.rig, self.units, self.badge = rig, list(units), badge
        self.odd = {situation: list(lines) for situation, lines in (odd or {}).items()}

    def react(self, stands: Stands) -> None:
        """One line for the situation, after the time that a person takes."""
        line = self._line(stands.situation)
        if line is not None:
            self.rig.scan_later(line)

    def next_of(self, situation: Situation) -> bytes | None:
        """The line that is right in a situation."""
        rig = self.rig
        if situation in (Situation.SIGN_IN, Situation.CAUTIONS):
            return self.badge.encode()
        if situation is Situation.WAITING:
            return self.units.pop(0).encode() if self.units else typed("end")
        if situation is Situation.LABEL:
            return rig.label_of("").encode()
        if situation is Situation.PLATE:
            return rig.plate_of(rig.after.pending.serial).encode() if rig.after.pending is not None else None
        if situation is Situation.CHECK_DUE:
            return typed("verify" if any("verif" in each.what for each in rig.around.due()) else "challenge")
        return None

    def _line(self, situation: Situation) -> bytes | None:
        waiting = self.odd.get(situation)
        return waiting.pop(0) if waiting else self.next_of(situation)


class ShiftRig:
    """A station with everything open, its inbox and what it told; ``run`` lets a person work through a shift."""

    def __init__(self, folder: Path, *, checks: bool = False, defects: Mapping[str, str] | None = None,
                 scan: float = SCAN, start: datetime = MORNING, **changes: Any) -> None:
        self.folder = folder
        self.clock = VirtualClock(start)
        self.told: list[Any] = []
        self.also: Callable[[Any], None] = lambda _: None
        self.person: Person | None = None
        self.defects = dict(defects or {})
        assert STATION.labels is not None
        self.station = dataclasses.replace(
            STATION, records=str(folder / "records"), key=str(folder / "keys/station.pem"),
            labels=dataclasses.replace(STATION.labels, folder=str(folder / "labels")),
            guard=dataclasses.replace(STATION.guard, scan=scan), checks=STATION.checks if checks else None)
        self.station = dataclasses.replace(self.station, **changes)
        self.world: Any = build(SIMULATOR, None, None, now=0.0)
        self._stack = ExitStack()
        self.wires = self._stack.enter_context(virtual_wires(self.world, self.clock))
        self.pages_shown = 1
        self.longest = LONGEST

    def open(self) -> ShiftRig:
        """Open the station and its log, as the command does."""
        self.past = look_back(self.station, SEQUENCES, self.tell)
        self.opened = open_station(self.station, PAGES, self.wires.addresses, self.wires.manager, self.clock)
        self._stack.callback(self.opened.close)
        self.inbox = Inbox(self.clock, turned_away(self.tell))
        self.log = ready_log(self.station, self.opened, self.clock, self.past.records)
        self._stack.callback(self.log.close)
        self.around = AtStation(self.clock, self.opened, PAGES, self.log, SEQUENCES, self.world.obey, self.defects,
                                self.inbox.listen)
        tell_proved_off(self.past, self.tell)
        self.after = AfterPass(self.around.papers, self.around.rules)
        if self.past.pending is not None:
            self.after.resume(self.past.pending)
        self.shift = Shift(self.around, self.inbox, self.tell, self.after, lambda _: self.pages_shown)
        return self

    def run(self, units: list[str], odd: Mapping[Situation, list[bytes]] | None = None, badge: str = BADGE) -> str:
        """A shift over these units; why it ended. The input ends by itself after LONGEST."""
        self.person = Person(self, units, odd, badge)
        self.clock.start("end of the day", self._end_of_day)
        return self.shift.run()

    def tell(self, event: Any) -> None:
        """Keep what was told, and let the person react to where the shift stands, or to a note that turned them away."""
        self.told.append(event)
        self.also(event)
        if self.person is None:
            return
        if isinstance(event, Stands):
            self.person.react(event)
        elif isinstance(event, Note) and not event.running and self._stands is not None \
                and self._stands.situation not in (Situation.RUNNING, Situation.CHECKING):
            told = len(self.told)
            self.clock.start("looks again", lambda: self._again(told))

    def scan_later(self, line: bytes, seconds: float = REACTS) -> None:
        """Scan a line after so many seconds."""
        def work() -> None:
            self.clock.sleep(seconds)
            self.scan(line)
        self.clock.start("person", work)

    def scan(self, line: bytes) -> None:
        """Scan a line now."""
        found = read_scan(line)
        if found is not None:
            self.inbox.put(found)

    def notes(self) -> list[str]:
        """The words of every note."""
        return [each.word for each in self.told if isinstance(each, Note)]

    def note(self, word: str) -> Note:
        """The last note with a word."""
        return [each for each in self.told if isinstance(each, Note) and each.word == word][-1]

    def outcomes(self) -> list[tuple[str, str]]:
        """Serial and outcome of every unit that was tested."""
        return [(each.serial, str(each.outcome)) for each in self.told if isinstance(each, UnitOver)]

    def situations(self) -> list[Situation]:
        """Every situation in the order of the shift, each change once."""
        found: list[Situation] = []
        for each in self.told:
            if isinstance(each, Stands) and (not found or found[-1] is not each.situation):
                found.append(each.situation)
        return found

    def label_of(self, serial: str) -> str:
        """The code of the label that was printed last for a unit, as a scanner reads it."""
        pending = self.after.pending
        assert pending is not None and pending.printed is not None
        assert read_code(pending.printed.code).serial == serial or not serial
        return pending.printed.code

    def plate_of(self, serial: str) -> str:
        """What is on a unit's rating plate."""
        model = next(m for each in SEQUENCES if each.unit.fits(serial) for m in each.unit.models)
        return self.around.rules.plate_of(serial, model)

    def entries(self, *kinds: str) -> list[dict[str, Any]]:
        """The payloads of the log's entries of these kinds."""
        from eolseq.records.reader import Records

        return [each.payload for each in Records.open(Path(self.station.records)).entries()
                if each.payload["kind"] in kinds]

    @property
    def _stands(self) -> Stands | None:
        return next((each for each in reversed(self.told) if isinstance(each, Stands)), None)

    def _again(self, told: int) -> None:
        """After a note that changed nothing, the person tries once more what is right."""
        self.clock.sleep(REACTS)
        if self.person is not None and self._stands is not None and not any(
                isinstance(each, Stands) for each in self.told[told:]) and not self.inbox.over:
            self.person.react(self._stands)

    def _end_of_day(self) -> None:
        self.clock.sleep(self.longest)
        self.inbox.close()

    def close(self) -> None:
        """Close everything, and end every task."""
        self.clock.probe = None
        self._stack.close()
        self.clock.close()

    def __enter__(self) -> ShiftRig:
        return self.open()

    def __exit__(self, *_: object) -> None:
        self.close()


def scans(*lines: bytes) -> list[Scan]:
    """Lines as scans."""
    return [found for each in lines if (found := read_scan(each)) is not None]

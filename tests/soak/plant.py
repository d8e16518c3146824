"""The plant around the program: time that goes on, a disk that can fill up, a printer that can jam, and sudden death.

A process of the program is killed by letting nothing of it act any more: its files, its lines and its waits all raise
``Killed``, until every task of it has come to its end. The simulated bench stays as the kill left it.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

from eolseq.clock import VirtualClock
from eolseq.commands.printing import PrintFailed
from eolseq.records.entries import Unlock
from eolseq.records.log import Log
from eolseq.records.system import OperatingSystem
from tests.shift_rig import MORNING


class Killed(BaseException):
    """The process is gone."""


class PlantClock(VirtualClock):
    """Virtual time that begins where the process before ended; ``wrong`` is how far its wall time is off, in seconds."""

    def __init__(self, start: datetime, seconds: float) -> None:
        super().__init__(start)
        self._seconds = seconds
        self.wrong = 0.0

    def now(self) -> datetime:
        """The wall time as this computer has it."""
        return super().now() + timedelta(seconds=self.wrong)


@dataclass
class Process:
    """What of the program's process can end: ``die`` is how a kill looks from inside it."""

    dead: bool = False

    def live(self) -> None:
        """Raise Killed when the process is gone."""
        if self.dead:
            raise Killed


class Disk(OperatingSystem):
    """The calls of a log; can be full, and can tear the Nth write from now in two and kill the process there."""

    def __init__(self, process: Process) -> None:
        self.process = process
        self.full = self.full_at_begin = False
        self.tear_in = 0
        self.tore = False

    def open(self, path: Path, flags: int, mode: int = 0o644) -> int:
        """A descriptor."""
        self.process.live()
        return super().open(path, flags, mode)

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        """Write, or fail."""
        self.process.live()
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        if self.tear_in:
            self.tear_in -= 1
            if not self.tear_in:
                super().write(descriptor, bytes(data)[:len(data) * 2 // 3])
                self.process.dead = self.tore = True
                raise Killed
        return super().write(descriptor, data)

    def fdatasync(self, descriptor: int) -> None:
        """A killed process loses nothing that it wrote, so there is nothing to wait for."""
        self.process.live()

    def fsync(self, descriptor: int) -> None:
        """As above."""
        self.process.live()

    def rename(self, old: Path, new: Path) -> None:
        """Rename, while alive."""
        self.process.live()
        super().rename(old, new)

    def reserve(self, descriptor: int, offset: int, length: int) -> bool:
        """Set space aside, or fail."""
        self.process.live()
        if self.full or self.full_at_begin:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().reserve(descriptor, offset, length)


@dataclass(frozen=True)
class Sheet:
    """A piece of paper that came out: the name of its job and the SHA-256 (hex) of its file."""

    name: str
    digest: str

    @property
    def serial(self) -> str:
        """The unit that it is of."""
        return self.name.split(" ")[1]

    @property
    def label(self) -> bool:
        """Whether it is a label."""
        return self.name.startswith("unit ")


@dataclass
class Tray:
    """The printer of the plant, which outlives every process; ``fails`` is when it jams: before or after the paper."""

    name: str = "printer of the soak"
    fails: str = ""
    sheets: list[Sheet] = field(default_factory=list)    # that nobody has taken out
    codes: dict[str, str] = field(default_factory=dict)  # by digest: what a scanner reads on it
    newest: deque[Sheet] = field(default_factory=lambda: deque(maxlen=20))  # labels that are still to be found
    jobs: int = 0
    process: Process = field(default_factory=Process)

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Give the paper out, if nothing jams."""
        self.process.live()
        fails, self.fails = self.fails, ""
        if fails == "before":
            raise PrintFailed("the paper is out")
        sheet = Sheet(name, sha256(pdf).hexdigest())
        self.jobs += 1
        self.sheets.append(sheet)
        if sheet.label:
            self.newest.append(sheet)
        if fails == "after":
            raise PrintFailed("the queue did not answer")
        return f"job {self.jobs}"

    def ready(self) -> str:
        """Always, as far as it knows."""
        return ""

    def code_of(self, serial: str) -> str:
        """What is read on the newest label of a unit; empty when none came out."""
        sheet = next((each for each in reversed(self.newest) if each.serial == serial), None)
        return "" if sheet is None else self.codes[sheet.digest]


    def emptied(self) -> list[Sheet]:
        """The paper that came out since it was emptied last; codes are kept of the newest labels only."""
        taken, self.sheets = self.sheets, []
        self.codes = {each.digest: self.codes[each.digest] for each in self.newest}
        return taken


def unlock(station: Any, seconds: float) -> bool:
    """Maintenance unlocks the station at a second of the plant's time; whether it was locked."""
    with Log.open(Path(station.records), origin_name=station.origin, key_path=Path(station.key),
                  role="simulated station", clock=PlantClock(MORNING, seconds)) as log:
        if log.locked() is None:
            return False
        log.append(Unlock(by="m-01", reason="what was at fault was put right"))
        log.checkpoint()
    return True


def dead_to_the_bench(visalib: Any) -> None:
    """Nothing that a killed process still says reaches an instrument."""
    def gone(_: bytes) -> None:
        raise Killed

    for session in visalib.sessions.values():
        session._carry = gone


def order_of(world: Any, process: Process) -> Any:
    """The way to tell the bench what a person does there, while the process lives."""
    def order(what: Mapping[str, Any]) -> None:
        process.live()
        world.obey(what)
    return order

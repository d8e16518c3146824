"""The station's log: opened only when it is whole, written one durable line at a time.

An entry counts when ``append`` returns: its bytes are on the disk, under the station's signature and the root over
every line before it. After any error of a write the log writes no more: what reached the disk is then not known. What
a crash left of an unfinished line stays in the file, and the first entry after it says so.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from hashlib import sha256
from os import O_APPEND, O_CLOEXEC, O_DIRECTORY, O_RDONLY, O_RDWR
from pathlib import Path
from threading import Lock as ThreadLock
from types import TracebackType

from eolseq import __version__
from eolseq.clock import Clock
from eolseq.errors import RecordFault, Refused
from eolseq.records.carried import CarriedEntries
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.compose import Composer, utc_text, values_of
from eolseq.records.entries import ClockMark, EarlierAttempt, Entry, Recovery
from eolseq.records.envelope import read_payload
from eolseq.records.folder import (
    begin_log,
    check_names,
    check_owner,
    finish_line,
    make_folder,
    refuse_network,
    refuse_unless_plain,
    replace_file,
    take,
)
from eolseq.records.keys import STATION, SigningKey, station_key
from eolseq.records.merkle import leaf_hash
from eolseq.records.runs import KEPT_WHOLE, WATCHED, AboutUnit, Glance, LabelSeen, LockState, OpenRun, Run
from eolseq.records.scan import CHECKPOINT_NAME, LOG_NAME, Scan, as_read, scan
from eolseq.records.scars import Scar
from eolseq.records.system import OperatingSystem

RESERVE = 1 << 20
"""Bytes of disk space that must be set aside for every open run before it begins: its readings, its end, an abandon."""

CLOCK_TOLERANCE = 300.0
"""Seconds that the wall clock may lie behind the latest entry of the log; beyond, nothing is tested."""

CLOCK_AHEAD = 400 * 86_400.0
"""Seconds that the wall clock of a real station may lie ahead of it; beyond, a person must say that it is right."""

_AHEAD = 4 << 20  # bytes set aside at a time
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_STOP = "Keep voltage off. Check the disk's space and health, then start the program again."


class Log:
    """An open log that this process alone may write; made by ``Log.open``."""

    def __init__(self, found: Scan, key: SigningKey, clock: Clock, os: OperatingSystem, held: tuple[int, int]) -> None:
        self.path = found.path
        self.origin = found.identity.origin
        self._found, self._key, self._clock, self._os = found, key, clock, os
        self._file, self._folder = held
        self._composer = Composer(self.origin, key, clock, os.boot())
        self._set_aside = 0  # up to which byte of the file disk space is ours already
        self._unsure = False  # whether a line was written that the disk may not have yet
        self._broken = ""
        self.recovered: Scar | None = None
        self._one_at_a_time = ThreadLock()

    @classmethod
    def open(cls, folder: Path, *, origin_name: str, key_path: Path, role: str, clock: Clock,
             os: OperatingSystem | None = None, software: str = __version__, read: Scan | None = None) -> Log:
        """Open the log in a folder, or begin it with a genesis entry; refuses whatever cannot be trusted.

        Debris of a crash behind the last line is committed by an entry of kind ``recovery`` and told in ``recovered``.
        Refused: another process has the log, the key is missing or not private, the log is another station's or lies
        on a network. RecordFault: it is damaged, shorter than its checkpoint, or cannot be written.

        ``read`` is what was read of the log a moment ago; it is read again unless the files are as they were then.
        """
        system = os or OperatingSystem()
        check_names(folder, origin_name, key_path)
        held: list[int] = []
        try:
            return cls._open(folder, origin_name, key_path, role, clock, system, software, held, read)
        except BaseException as error:
            for descriptor in held:
                with suppress(OSError):
                    system.close(descriptor)
            if isinstance(error, OSError):
                raise RecordFault(f"The log in {folder} cannot be opened: {error.strerror or error}.",
                                  "Check the disk, the folder and who may write to it.") from error
            raise

    @classmethod
    def _open(cls, folder: Path, origin_name: str, key_path: Path, role: str, clock: Clock, system: OperatingSystem,
              software: str, held: list[int], read: Scan | None) -> Log:
        path = folder / LOG_NAME
        make_folder(folder, system)
        refuse_network(folder, system)
        held.append(take(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC, system))
        exists = path.exists()
        key = station_key(key_path, system, may_make=not exists)
        if not exists:
            begin_log(path, f"{origin_name}/{key.keyid}", key, role, clock, system, software)
        refuse_unless_plain(path)
        held.append(take(path, O_RDWR | O_APPEND | O_CLOEXEC, system))
        found = read if read is not None and read.path == path and as_read(read) else scan(path)
        check_owner(found, origin_name, key, role)
        if found.unfinished:
            found = finish_line(found, held[1], system)
        log = cls(found, key, clock, system, (held[1], held[0]))
        if found.tail:
            log._recover()
        if found.tree.size == 1:
            log.checkpoint()
        return log

    @property
    def size(self) -> int:
        """The number of entries."""
        return self._found.tree.size

    def root(self) -> bytes:
        """The Merkle root over all lines, 32 bytes."""
        return self._found.tree.root()

    def attempts(self, serial: str) -> list[EarlierAttempt]:
        """Every run on a unit so far, oldest first, open and abandoned ones included."""
        return self._found.book.attempts(serial)

    def runs(self, serial: str) -> list[Run]:
        """The runs on a unit, oldest first, as the log has them."""
        return self._found.book.runs(serial)

    def about(self, serial: str) -> tuple[AboutUnit, ...]:
        """The entries about a unit outside its runs, such as a rework, a label or an earlier check, oldest first."""
        return self._found.book.about(serial)

    @property
    def simulated(self) -> bool:
        """Whether it is the log of a simulated station."""
        return self._found.identity.role != STATION

    def last_run(self, serial: str) -> Run | None:
        """The last run on a unit as the log has it, open or not; None when there is none."""
        return self._found.book.last_run(serial)

    def labels(self, serial: str) -> tuple[LabelSeen, ...]:
        """Every entry about labels of a unit, oldest first."""
        return self._found.book.labels(serial)

    def open_runs(self) -> list[OpenRun]:
        """The runs that were begun and neither ended nor abandoned, oldest first."""
        return self._found.book.open_runs()

    def runs_since(self, index: int, bay: str = "") -> int:
        """How many runs on units, not on reference units, were begun after an entry: at a bay, or in all."""
        return self._found.book.runs_since(index, bay)

    def first_unit_since(self, index: int, bay: str = "") -> datetime | None:
        """When the first run on a unit after an entry was begun, at a bay or in all; None when there was none."""
        return self._found.book.first_unit_since(index, bay)

    @property
    def mounted(self) -> Mapping[str, str]:
        """By bay, where there are several, the fixture that was last found there."""
        return self._found.book.mounted

    def locked(self) -> LockState | None:
        """The last lock that no unlock has followed; None when the station is free."""
        return self._found.book.lock

    @property
    def documents(self) -> CarriedEntries:
        """The entries that say who may sign what and what is approved, oldest first; the first is the genesis."""
        return self._found.book.documents

    @property
    def last_time(self) -> str:
        """The time of the last entry (UTC, ISO 8601)."""
        return self._found.last_time

    def withstand_applications(self, serial: str) -> int:
        """How often withstand voltage was put on a unit in all its attempts so far, this one included."""
        return self._found.book.withstand_applications(serial)

    def seconds_behind(self) -> float:
        """How many seconds the wall clock lies behind the latest entry; 0.0 when it does not."""
        return max(0.0, -self._seconds_ahead())

    def refuse_wrong_clock(self) -> None:
        """Mark a wall clock that lies behind the last entry; Refused when it is too far off for a test."""
        with self._one_at_a_time:
            self.refuse_if_broken()
            self._mark_clock(utc_text(self._clock))
        self._refuse_far_off()

    def accept_clock(self, by: str, reason: str) -> int:
        """Write that a person says the wall clock is right, whatever the entries before it say; the entry's index."""
        return self.append(ClockMark(behind=f"{self.seconds_behind():.3f}", last=self._found.book.latest, reason=reason,
                                     by=by))

    def append(self, entry: Entry, durable: bool = True) -> int:
        """Write one entry and wait until it is on the disk; its index. RecordFault, and no more writes, on any error.

        What is not ``durable`` is on the disk with the next entry that is, or with the next checkpoint.

        An entry that cannot be written at all (over-long, a float in it, the end of a run that is not open) is refused
        without harm to the log. So is a ``begin`` (Refused) when the clock is far off or the disk has not the space
        for a whole run. A clock seen to have gone back is marked first, by an entry of its own.
        """
        with self._one_at_a_time:
            self.refuse_if_broken()
            if entry.kind == "begin":
                self._refuse_far_off()
                self._found.book.refuse_overtaken(getattr(entry, "serial", ""), getattr(entry, "earlier_checks", ()))
                self._found.book.refuse_same_fixture(getattr(entry, "serial", ""), getattr(entry, "bay", ""))
                self._set_space_aside()
            time = utc_text(self._clock)
            if time < self._found.last_time and entry.kind != "clock":
                self._mark_clock(time)
            return self._append(entry, time, durable)

    def _append(self, entry: Entry, time: str, durable: bool = True, before: bytes = b"") -> int:
        index, found = self.size, self._found
        values = values_of(entry)
        found.book.refuse_misfit(entry.kind, values)
        payload = self._composer.payload(entry, values, index, found.tree.root(), time)
        line = self._composer.line(entry.kind, payload)
        self._write(b"%b%b\n" % (before, line), durable)
        try:
            leaf = leaf_hash(line)
            found.tree.append(leaf)
            found.last_time = time
            if entry.kind in WATCHED:
                fields = read_payload(payload) if entry.kind in KEPT_WHOLE else values
                found.book.note(index, leaf, Glance(entry.kind, time, fields), found.length - len(line) - 1, len(line))
        except BaseException as error:  # the line stands, and what is known of it here may not
            self._break(f"Entry {index} was written but could not be taken in", error)
            raise
        return index

    def checkpoint(self) -> Checkpoint:
        """Write origin, size and root, signed, to the file beside the log, whole or not at all; what was written.

        Never before all that it counts is on the disk: a log that is shorter than its checkpoint is not trusted.
        """
        with self._one_at_a_time:
            self.refuse_if_broken()
            self._make_sure()
            checkpoint = Checkpoint(self.origin, self.size, self.root())
            note = sign_checkpoint(checkpoint, self._key)
            try:
                replace_file(self.path.with_name(CHECKPOINT_NAME), note, self._folder, self._os)
            except BaseException as error:
                self._break("The checkpoint could not be written", error)
                raise
            return checkpoint

    def vouch(self, text: str) -> bytes:
        """The station's signature, 64 bytes, under a text that leaves it, such as a label's; writes nothing."""
        return self._key.sign(text.encode())

    def close(self) -> None:
        """Give the log back so that another process may have it; writes nothing."""
        self._broken = self._broken or "The log is closed."
        if self._file >= 0:
            for descriptor in (self._file, self._folder):
                with suppress(OSError):  # every acknowledged byte is on the disk already
                    self._os.close(descriptor)
            self._file = self._folder = -1

    def __enter__(self) -> Log:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def _write(self, data: bytes, durable: bool) -> None:
        try:
            size, known = self._os.fstat(self._file).st_size, self._found.length + self._found.tail
            if size != known:
                raise OSError(f"it has {size} bytes, not {known}: something else wrote to it")
            self._os.write_all(self._file, data)
            self._unsure = not durable
            if durable:
                self._os.fdatasync(self._file)
        except BaseException as error:
            self._break("The log could not be written", error)
            raise
        self._found.length, self._found.tail = known + len(data), 0

    def _make_sure(self) -> None:
        """Wait until every line is on the disk."""
        if not self._unsure:
            return
        try:
            self._os.fdatasync(self._file)
        except BaseException as error:
            self._break("The log could not be written", error)
            raise
        self._unsure = False

    def _recover(self) -> None:
        """Commit the debris behind the last line; if a crash cuts this off too, there is only more debris."""
        with self.path.open("rb") as stream:
            stream.seek(self._found.length)
            digest, left, last = sha256(), self._found.tail, b""
            while left and (last := stream.read(min(left, 1 << 20))):
                digest.update(last)
                left -= len(last)
        parting = b"" if last.endswith(b"\n") else b"\n"
        digest.update(parting)
        scar = Scar(self._found.length, self._found.tail + len(parting), digest.hexdigest())
        self._append(Recovery(offset=scar.offset, length=scar.length, sha256=scar.sha256), utc_text(self._clock),
                     before=parting)
        self.recovered = scar

    def _set_space_aside(self) -> None:
        """Have the disk keep room for a whole run behind the end of the file, so that it cannot fill up inside one."""
        length, need = self._found.length, RESERVE * (len(self._found.book.open) + 1)
        if length + need <= self._set_aside:
            return
        kept = enough = False
        for size in (need + _AHEAD, need):
            try:
                kept = self._os.reserve(self._file, length, size)
                enough = kept or self._os.free_bytes(self._file) >= need
                break
            except OSError as error:
                if error.errno not in _FULL:
                    self._break("Disk space for the log could not be set aside", error)
        if not enough:
            raise Refused(f"The disk has not the {need // 1024} KiB that the record of a run may need.",
                          f"Free space on the disk that {self.path.parent} is on, then start again.")
        self._set_aside = length + size if kept else 0

    def _mark_clock(self, time: str) -> None:
        last = self._found.last_time
        if time < last:
            behind = (datetime.fromisoformat(last) - datetime.fromisoformat(time)).total_seconds()
            self._append(ClockMark(behind=f"{behind:.3f}", last=last, reason="The clock lies behind the last entry."),
                         time)

    def _seconds_ahead(self) -> float:
        return (self._clock.now() - datetime.fromisoformat(self._found.book.latest)).total_seconds()

    def _refuse_far_off(self) -> None:
        ahead = self._seconds_ahead()
        if ahead >= -CLOCK_TOLERANCE and (ahead <= CLOCK_AHEAD or self._found.identity.role != STATION):
            return
        where = f"{-ahead:.0f} s behind" if ahead < 0 else f"{ahead / 86_400:.0f} days ahead of"
        raise Refused(f"The computer's clock is {where} the latest entry of the log.",
                      "Set the clock, then start again. If it is right and the log is not, have quality run: "
                      "eolseq records --clock-is-right PERSON")

    def _break(self, what: str, error: BaseException) -> None:
        """Never write again; an error becomes a fault, an interrupt is left to go on as it is."""
        reason = (error.strerror if isinstance(error, OSError) else "") or str(error) or type(error).__name__
        self._broken = f"{what}: {reason.removesuffix('.')}."
        if isinstance(error, Exception):
            raise RecordFault(self._broken, _STOP) from error

    def refuse_if_broken(self) -> None:
        """Raise RecordFault when a write has failed, or what was written can be asked no more: nothing is written."""
        self._broken = self._broken or self._found.book.fault
        if self._broken:
            raise RecordFault(f"The log is not written any more. {self._broken}", _STOP)

"""The station's log: opened only when it is whole, written one durable line at a time.

An entry counts when ``append`` returns: its bytes are on the disk, under the station's signature and the root over
every line before it. After any error of a write the log writes no more: what reached the disk is then not known.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from os import O_APPEND, O_CLOEXEC, O_CREAT, O_DIRECTORY, O_RDONLY, O_RDWR, O_TRUNC, O_WRONLY
from pathlib import Path
from threading import Lock as ThreadLock
from types import TracebackType
from typing import Any

from eolseq import __version__
from eolseq.clock import Clock
from eolseq.errors import NotGenuine, RecordFault, Refused, WrongUse
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.entries import EarlierAttempt, Entry, Genesis
from eolseq.records.envelope import LONGEST_LINE, read_payload, seal
from eolseq.records.keys import SigningKey, first_registry, station_key
from eolseq.records.merkle import EMPTY_ROOT, leaf_hash
from eolseq.records.note import valid_name
from eolseq.records.runs import WATCHED, Carried, Glance, LockState, OpenRun
from eolseq.records.scan import AUDIT_FIRST, CHECKPOINT_NAME, LOG_NAME, Scan, scan, torn
from eolseq.records.system import OperatingSystem

_STOP = "Keep voltage off. Check the disk's space and health, then start the program again."


class Log:
    """An open log that this process alone may write; made by ``Log.open``."""

    def __init__(self, found: Scan, key: SigningKey, clock: Clock, os: OperatingSystem, held: tuple[int, int]) -> None:
        self.path = found.path
        self.origin = found.identity.origin
        self._found, self._key, self._clock, self._os = found, key, clock, os
        self._file, self._folder = held
        self._boot = os.boot()
        self._broken = ""
        self._one_at_a_time = ThreadLock()

    @classmethod
    def open(cls, folder: Path, *, origin_name: str, key_path: Path, role: str, clock: Clock,
             os: OperatingSystem | None = None, software: str = __version__) -> Log:
        """Open the log in a folder, or begin it with a genesis entry; refuses whatever cannot be trusted.

        LogTorn: a crash left half a line. Refused: another process has it, the key is missing or not private, or the
        log is another station's. RecordFault: it is damaged, shorter than its checkpoint, or cannot be written.
        """
        system = os or OperatingSystem()
        _check_names(folder, origin_name, key_path)
        held: list[int] = []
        try:
            return cls._open(folder, origin_name, key_path, role, clock, system, software, held)
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
              software: str, held: list[int]) -> Log:
        path = folder / LOG_NAME
        _make_folder(folder, system)
        held.append(_take(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC, system))
        exists = path.exists()
        key = station_key(key_path, system, may_make=not exists)
        if not exists:
            _begin(path, f"{origin_name}/{key.keyid}", key, role, clock, system, software)
        held.append(_take(path, O_RDWR | O_APPEND | O_CLOEXEC, system))
        found = scan(path)
        _check_owner(found, origin_name, key, role)
        if found.tail:
            raise torn(path, found.tree.size, found.length, found.tail)
        log = cls(found, key, clock, system, (held[1], held[0]))
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

    def open_runs(self) -> list[OpenRun]:
        """The runs that were begun and neither ended nor abandoned, oldest first."""
        return self._found.book.open_runs()

    def locked(self) -> LockState | None:
        """The last lock that no unlock has followed; None when the station is free."""
        return self._found.book.lock

    @property
    def documents(self) -> tuple[Carried, ...]:
        """The entries that say who may sign what and what is approved, oldest first; the first is the genesis."""
        return tuple(self._found.book.documents)

    @property
    def last_time(self) -> str:
        """The time of the last entry (UTC, ISO 8601)."""
        return self._found.last_time

    def seconds_behind(self) -> float:
        """How many seconds the wall clock lies behind the last entry; 0.0 when it does not."""
        last = datetime.fromisoformat(self.last_time)
        return max(0.0, (last - self._clock.now()).total_seconds())

    def append(self, entry: Entry, durable: bool = True) -> int:
        """Write one entry and wait until it is on the disk; its index. RecordFault, and no more writes, on any error.

        An entry that cannot be written at all (over-long, a float in it, the end of a run that is not open) is refused
        without harm to the log.
        """
        with self._one_at_a_time:
            self._refuse_if_broken()
            index, tree = self.size, self._found.tree
            payload = _payload(entry, self.origin, index, tree.root(), self._clock, self._boot)
            self._found.book.refuse_misfit(entry.kind, payload)
            line = _line(payload, self._key)
            self._write(line + b"\n", durable)
            leaf = leaf_hash(line)
            tree.append(leaf)
            self._found.last_time = payload["time"]
            if entry.kind in WATCHED:
                self._found.book.note(index, leaf, Glance(entry.kind, payload["time"], payload))
            return index

    def checkpoint(self) -> None:
        """Write origin, size and root, signed, to the file beside the log, whole or not at all."""
        with self._one_at_a_time:
            self._refuse_if_broken()
            note = sign_checkpoint(Checkpoint(self.origin, self.size, self.root()), self._key)
            try:
                _replace(self.path.with_name(CHECKPOINT_NAME), note, self._folder, self._os)
            except BaseException as error:
                self._break("The checkpoint could not be written", error)
                raise

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

    def _write(self, line: bytes, durable: bool) -> None:
        try:
            size = self._os.fstat(self._file).st_size
            if size != self._found.length:
                raise OSError(f"it has {size} bytes, not {self._found.length}: something else wrote to it")
            self._os.write_all(self._file, line)
            if durable:
                self._os.fdatasync(self._file)
        except BaseException as error:
            self._break("The log could not be written", error)
            raise
        self._found.length += len(line)

    def _break(self, what: str, error: BaseException) -> None:
        """Never write again; an error becomes a fault, an interrupt is left to go on as it is."""
        reason = (error.strerror if isinstance(error, OSError) else "") or str(error) or type(error).__name__
        self._broken = f"{what}: {reason}."
        if isinstance(error, Exception):
            raise RecordFault(self._broken, _STOP) from error

    def _refuse_if_broken(self) -> None:
        if self._broken:
            raise RecordFault(f"The log is not written any more. {self._broken}", _STOP)


def _payload(entry: Entry, origin: str, index: int, root: bytes, clock: Clock, boot: str) -> dict[str, Any]:
    now = clock.now().astimezone(UTC).isoformat(timespec="microseconds")
    payload = {"v": 1, "origin": origin, "index": index, "root": root.hex(), "time": now.replace("+00:00", "Z"),
               "boot": boot, "mono": f"{clock.monotonic():.6f}", "kind": entry.kind}
    for name in _names(entry):
        payload[name] = getattr(entry, name)
    return payload


def _line(payload: dict[str, Any], key: SigningKey) -> bytes:
    """The signed line; what is to be signed is first read back as an auditor will read it."""
    try:
        text = _ENCODER.encode(payload).encode()
        read_payload(text)
    except (TypeError, ValueError, NotGenuine) as error:
        raise RecordFault(f"An entry of kind {payload['kind']} cannot be written: {error}",
                          "Nothing was written. This is a mistake in the program or in a file; report it.") from error
    line = seal(text, key)
    if len(line) > LONGEST_LINE:
        raise RecordFault(f"An entry of kind {payload['kind']} needs {len(line)} bytes; {LONGEST_LINE} is the most.",
                          "Nothing was written. Shorten the sequence or its texts.")
    return line


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return {name: getattr(value, name) for name in _names(value)}
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} is not text, a count or null")


def _names(value: object) -> tuple[str, ...]:
    kind: Any = type(value)
    names = _FIELD_NAMES.get(kind)
    if names is None:
        names = _FIELD_NAMES[kind] = tuple(each.name for each in fields(kind))
    return names


_FIELD_NAMES: dict[type, tuple[str, ...]] = {}
_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)


def _check_names(folder: Path, origin_name: str, key_path: Path) -> None:
    if not valid_name(origin_name):
        raise WrongUse(f"The origin {origin_name!r} cannot name a log.",
                       "Use letters and digits, without spaces or plus.")
    if key_path.resolve().is_relative_to(folder.resolve()):
        raise WrongUse(f"The key {key_path} lies in the records folder, which is copied and handed on.",
                       "Name a place outside it in the station file.")


def _check_owner(found: Scan, origin_name: str, key: SigningKey, role: str) -> None:
    identity = found.identity
    if identity.key.public != key.public:
        raise Refused(f"The log {found.path} is signed by key {identity.key.keyid}; the station's is {key.keyid}.",
                      "Name the right key and records folder in the station file.")
    if identity.origin != f"{origin_name}/{key.keyid}":
        raise Refused(f"The log {found.path} is of {identity.origin}, not of {origin_name}.",
                      "Name another records folder in the station file.")
    if identity.role != role:
        raise Refused(f"The log {found.path} is a {identity.role}'s, and this is a {role}.",
                      "Keep simulated and real records apart: name another records folder.")


def _make_folder(folder: Path, system: OperatingSystem) -> None:
    for each in (*reversed(folder.parents), folder):
        if not each.exists():
            system.mkdir(each, 0o755)
            system.sync_folder(each.parent)


def _take(path: Path, flags: int, system: OperatingSystem) -> int:
    descriptor = system.open(path, flags)
    try:
        if system.lock(descriptor):
            return descriptor
    except BaseException:
        system.close(descriptor)
        raise
    system.close(descriptor)
    raise Refused(f"{path} is in use by another process.", "End the other eolseq on this station first.")


def _begin(path: Path, origin: str, key: SigningKey, role: str, clock: Clock, system: OperatingSystem,
           software: str) -> None:
    """The first line, written under another name, so that a log is never without its first entry."""
    if path.with_name(CHECKPOINT_NAME).exists():
        raise RecordFault(f"The log {path} is missing, but its checkpoint is there.", AUDIT_FIRST)
    registry = first_registry(key, role, origin.rpartition("/")[0], origin)
    genesis = Genesis(registry=registry, software=software)
    line = _line(_payload(genesis, origin, 0, EMPTY_ROOT, clock, system.boot()), key)
    descriptor = system.open(path.parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC)
    try:
        _replace(path, line + b"\n", descriptor, system)
    finally:
        system.close(descriptor)


def _replace(path: Path, content: bytes, folder: int, system: OperatingSystem) -> None:
    """Write a file under a temporary name and rename it: whole and durable, or as it was."""
    fresh = path.with_name(path.name + ".new")
    descriptor = system.open(fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC)
    try:
        system.write_all(descriptor, content)
        system.fsync(descriptor)
    finally:
        system.close(descriptor)
    system.rename(fresh, path)
    system.fsync(folder)

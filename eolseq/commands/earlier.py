"""The watched folder of earlier checks, and the gate that asks for them before a run."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from eolseq.errors import Refused
from eolseq.records.check_entries import EarlierCheck
from eolseq.serials import reserved

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.line.check_files import Row
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.earlier_fields import EarlierRules, Equipment

SETTLED = 2.0
"""Seconds for which a file must not have changed before it is read; one that does not end its last line waits too."""

DONE, ASIDE = "done", "set-aside"
_REMARKS = 20  # rows of one file that are told one by one in the log; the file beside has all


class CheckStore(Protocol):
    """Where results of earlier checks may come from besides files and hands, such as a plant's own store."""

    def results(self, serial: str) -> Iterable[EarlierCheck]:
        """The results on a unit that this station has not entered yet, oldest first."""


@dataclass
class Taken:
    """What became of the folder: files read, results entered, rows set aside in words, files that wait in words."""

    files: int = 0
    entered: int = 0
    aside: list[str] = field(default_factory=list)
    waiting: list[str] = field(default_factory=list)


def read_folder(rules: EarlierRules, log: Log, clock: Clock) -> Taken:
    """Enter every result that has arrived in the station's folder; Refused when it cannot be read.

    A file is read once: it is moved to ``done`` behind its last durable entry, under a name that begins with its
    digest, and a row that is in the log already, by that digest, is not entered again after a crash between the two.
    """
    taken = Taken()
    folder = Path(rules.folder)
    try:
        found = [path for path in folder.iterdir() if path.suffix in (".csv", ".jsonl")]
        for path in sorted(found, key=lambda path: (path.lstat().st_mtime, path.name)):
            _take_file(path, rules, log, clock, taken)
    except OSError as error:
        raise Refused(f"The folder of earlier checks {folder} cannot be read: {error.strerror} "
                      f"({Path(str(error.filename or folder)).name}).",
                      "Have maintenance look at the folder and its share; then test again.") from error
    return taken


def _take_file(path: Path, rules: EarlierRules, log: Log, clock: Clock, taken: Taken) -> None:
    from fnmatch import fnmatchcase

    whose = [each for each in rules.equipment if fnmatchcase(path.name, each.files)]
    if len(whose) != 1:
        what = "no equipment's" if not whose else "that of " + " and ".join(each.name for each in whose)
        taken.waiting.append(f"{path.name} is {what} by the station file: it stays where it is")
        return
    data = _whole(path, clock.now(), taken)
    if data is not None:
        _enter_rows(path, data, whose[0], rules, log, clock, taken)


def _whole(path: Path, now: datetime, taken: Taken) -> bytes | None:
    """The bytes of a file that nobody writes to any more; None while it must wait."""
    from eolseq.line.check_files import MOST_BYTES

    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as stream:
        seen = os.fstat(descriptor)
        if not stat.S_ISREG(seen.st_mode) or seen.st_size > MOST_BYTES:
            taken.waiting.append(f"{path.name} is no plain file of at most {MOST_BYTES >> 20} MiB: it stays")
            return None
        data = stream.read(MOST_BYTES + 1)
    age = now.timestamp() - seen.st_mtime
    if age < SETTLED or len(data) != seen.st_size or not data.endswith(b"\n"):
        taken.waiting.append(f"{path.name} is not finished yet: it waits until it ends a line and rests for "
                             f"{SETTLED:.0f} s")
        return None
    return data


def _enter_rows(path: Path, data: bytes, equipment: Equipment, rules: EarlierRules, log: Log, clock: Clock,
                taken: Taken) -> None:
    from hashlib import sha256

    from eolseq.line.check_files import read_file
    from eolseq.line.earlier_checks import judged, unclear

    digest = sha256(data).hexdigest()
    done = path.parent / DONE
    if not any(done.glob(f"{digest[:16]}-*")):
        rows = read_file(data, equipment, json_lines=path.suffix == ".jsonl", now=clock.now())
        entries = []
        for row in rows:
            where: dict[str, Any] = {"by": equipment.name, "source": equipment.name, "file": path.name,
                                     "digest": digest, "row": row.line, "text": row.text}
            if row.told is not None:
                entries.append(judged(row.told, rules.bands.get(row.told.check), **where))
            elif row.about is not None:
                entries.append(unclear(*row.about, row.why, clock.now(), **where))
        new = [each for each in entries if not _known(log, each)]
        for number, each in enumerate(new, 1):
            log.append(each, durable=number == len(new))
        taken.entered += len(new)
        _set_aside(path, digest, [row for row in rows if row.told is None], log, taken)
    done.mkdir(exist_ok=True)
    os.replace(path, done / f"{digest[:16]}-{path.name}")
    _sync(done)
    _sync(path.parent)
    taken.files += 1


def _known(log: Log, entry: EarlierCheck) -> bool:
    """Whether this row of this very file is in the log already."""
    return any(each.kind == "earlier_check" and (each.payload["digest"], each.payload["row"])
               == (entry.digest, entry.row) for each in log.about(entry.serial))


def _set_aside(path: Path, digest: str, rows: list[Row], log: Log, taken: Taken) -> None:
    """Rows that cannot be read: kept word for word in a file of their own, told in the log."""
    import json

    from eolseq.records.entries import Remark

    if not rows:
        return
    aside = path.parent / ASIDE
    aside.mkdir(exist_ok=True)
    text = "".join(json.dumps({"file": path.name, "line": row.line, "reason": row.why, "text": row.text},
                              ensure_ascii=False) + "\n" for row in rows)
    with (aside / f"{digest[:16]}-{path.name}.jsonl").open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    _sync(aside)
    said = [f"{path.name}:{row.line}: {row.why}" for row in rows]
    taken.aside += said
    for each in said[:_REMARKS]:
        log.append(Remark(serial=None, reason=f"An earlier check was set aside: {each}"))
    if len(said) > _REMARKS:
        log.append(Remark(serial=None, reason=f"{len(said) - _REMARKS} more rows of {path.name} were set aside."))


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class EarlierGate:
    """Refuses a unit that has not passed every earlier check that its sequence needs; the folder is read first."""

    def __init__(self, sequence: Sequence, rules: EarlierRules, log: Log, clock: Clock) -> None:
        self._needs, self._rules, self._log, self._clock = sequence.needs, rules, log, clock

    def __call__(self, serial: str) -> tuple[int, ...]:
        """The entries of the earlier checks that the run rests on; Refused, with where to go, when one is wanting."""
        from eolseq.line.earlier_checks import rest_of

        if reserved(serial):
            return ()
        taken = read_folder(self._rules, self._log, self._clock) if self._rules.folder else Taken()
        rest = rest_of(self._needs, self._log.about(serial), self._clock.now().astimezone(UTC))
        if rest.wanting:
            unread = [*taken.aside[:2], *taken.waiting[:2]]
            more = f" Not read in the folder: {'; '.join(unread)}." if unread else ""
            raise Refused(f"Unit {serial} lacks an earlier check. {' '.join(rest.wanting)}",
                          f"Have it made and entered (eolseq enter), then test.{more}")
        return rest.entries

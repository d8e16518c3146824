"""The audit: every line, signature, index and root of a log, and whether its runs fit together.

It reads any bytes whatever and answers with findings, never with a traceback. A finding says that the log is not as
its station wrote it; a note says something an auditor wants to know about a log that is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from eolseq.errors import NotGenuine, RecordFault, WrongUse
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.entries import KINDS
from eolseq.records.envelope import LONGEST_LINE, open_entry
from eolseq.records.genuine import Identity, lines, read_genesis
from eolseq.records.merkle import CompactRange, leaf_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.scan import CHECKPOINT_NAME, LOG_NAME, read_if_there

MOST_KEPT = 1_000
"""How many findings, and how many notes, are kept with their words; beyond that they are only counted."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something at a line (counted from 1) and entry (counted from 0, None if unreadable): its name and meaning."""

    line: int
    index: int | None
    name: str
    meaning: str


@dataclass(slots=True)
class AuditReport:
    """What an audit found; the log is in order when ``findings_count`` is 0."""

    log: str
    origin: str | None = None
    role: str | None = None
    keyid: str | None = None
    root: str = ""
    lines: int = 0
    verified: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    outcomes: Counter[str] = field(default_factory=Counter)
    checkpoint_size: int | None = None
    findings: list[Finding] = field(default_factory=list)
    findings_count: int = 0
    notes: list[Finding] = field(default_factory=list)
    notes_count: int = 0

    def add_finding(self, finding: Finding) -> None:
        """Count a finding and keep its words while there is room."""
        self.findings_count += 1
        if len(self.findings) < MOST_KEPT:
            self.findings.append(finding)

    def add_note(self, note: Finding) -> None:
        """Count a note and keep its words while there is room."""
        self.notes_count += 1
        if len(self.notes) < MOST_KEPT:
            self.notes.append(note)


def audit(path: Path) -> AuditReport:
    """Audit a log file, or the log in a folder; WrongUse when there is no file to read."""
    path = path / LOG_NAME if path.is_dir() else path
    try:
        checkpoint = read_if_there(path.with_name(CHECKPOINT_NAME))
        with path.open("rb") as stream:
            return audit_stream(stream, str(path), checkpoint)
    except OSError as error:
        raise WrongUse(f"The log {path} cannot be read: {error.strerror}.",
                       "Name a log file or a records folder.") from error


def audit_stream(stream: BinaryIO, name: str, checkpoint: bytes | None) -> AuditReport:
    """Audit the bytes of a log against the note of its checkpoint, if there is one."""
    report = AuditReport(name)
    auditor = _Auditor(report, checkpoint)
    for number, piece in enumerate(_whole(lines(stream)), 1):
        auditor.take(number, piece)
    auditor.finish()
    return report


def _whole(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Lines, with an over-long one cut to its first piece."""
    inside = False
    for piece in pieces:
        if not inside:
            yield piece
        inside = piece[-1] != 10


class _Auditor:
    def __init__(self, report: AuditReport, note: bytes | None) -> None:
        self.report = report
        self.tree = CompactRange()
        self.identity: Identity | None = None
        self.expected = 0
        self.past_is_whole = True
        self.last_time = ""
        self.open: dict[int, tuple[str, bool]] = {}
        self.attempts: Counter[str] = Counter()
        self.note = note
        self.checkpoint: Checkpoint | None = None
        self.root_there: bytes | None = None

    def take(self, number: int, piece: bytes) -> None:
        """Check one line, and add it to the tree as it stands, right or wrong."""
        self.report.lines = number
        if piece[-1] != 10:
            self._broken_end(number, piece)
            return
        line = piece[:-1]
        payload = self._genesis(line) if number == 1 else self._opened(number, line)
        if payload is not None and self._in_place(number, payload):
            self.report.verified += self.past_is_whole
            self._meaning(number, payload)
        self.expected += 1
        self.tree.append(leaf_hash(line))
        if self.checkpoint is not None and self.tree.size == self.checkpoint.size:
            self.root_there = self.tree.root()

    def finish(self) -> None:
        """What can be said once every line has been seen."""
        report = self.report
        report.root = self.tree.root().hex()
        if report.lines == 0:
            self._find(1, None, "no beginning", "The file is empty: it holds no log.")
        for run, (serial, energised) in self.open.items():
            what = "voltage may have been on" if energised else "voltage was not on"
            self._note(run + 1, run, "open run", f"The run on unit {serial} has no end; {what}.")
        if self.checkpoint is not None:
            self._hold_against(self.checkpoint)

    def _genesis(self, line: bytes) -> dict[str, Any] | None:
        try:
            self.identity, payload = read_genesis(line)
        except RecordFault as error:
            self._find(1, None, "no beginning", f"{error.what} Without it no other line can be checked.")
            return None
        report, identity = self.report, self.identity
        report.origin, report.role, report.keyid = identity.origin, identity.role, identity.key.keyid
        self._read_checkpoint(identity)
        return payload

    def _opened(self, number: int, line: bytes) -> dict[str, Any] | None:
        if self.identity is None:
            return None
        try:
            return open_entry(line, self.identity.keys)
        except NotGenuine as error:
            self._find(number, None, "line not genuine", error.what)
            self.past_is_whole = False
            return None

    def _in_place(self, number: int, payload: Mapping[str, Any]) -> bool:
        """Whether the entry is of this log, at its index, and was written on exactly the lines before it."""
        identity, index, root = self.identity, payload.get("index"), payload.get("root")
        if identity is None:
            return False
        if payload.get("v") != 1 or payload.get("origin") != identity.origin:
            self._find(number, None, "foreign line", "The line is signed, but belongs to another log or version.")
            return False
        if type(index) is not int or not all(isinstance(payload.get(name), str) for name in ("kind", "time")):
            self._find(number, None, "incomplete entry", "The entry has no index, kind or time.")
            return False
        if index != self.expected:
            self._find(number, index, "wrong place", f"Entry {index} stands where entry {self.expected} belongs: "
                       "a line before it was removed, added or moved.")
            self.expected, self.past_is_whole = index, False
            return False
        if root != self.tree.root().hex() and self.past_is_whole:
            self._find(number, index, "other past", f"Entry {index} was written after other lines than those before "
                       "it; the roots of later lines cannot be checked.")
            self.past_is_whole = False
            return False
        return True

    def _meaning(self, number: int, payload: Mapping[str, Any]) -> None:
        kind, time, index = payload["kind"], payload["time"], payload["index"]
        if time < self.last_time:
            self._note(number, index, "clock went back", f"From {self.last_time} to {time}.")
        self.last_time = time
        if kind not in KINDS:
            self.report.kinds["unknown"] += 1
            self._note(number, index, "unknown kind", f"This version does not know entries of kind {kind}.")
            return
        self.report.kinds[kind] += 1
        try:
            self._runs(number, index, kind, payload)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            self._find(number, index, "incomplete entry", f"A field of the {kind} entry is missing or wrong: {error}.")

    def _runs(self, number: int, index: int, kind: str, payload: Mapping[str, Any]) -> None:
        if kind == "begin":
            serial = str(payload["serial"])
            self.attempts[serial] += 1
            self.open[index] = (serial, False)
            if payload["attempt"] != self.attempts[serial] and self.past_is_whole:
                self._find(number, index, "attempt miscounted", f"The run on unit {serial} says it is attempt "
                           f"{payload['attempt']}; the log holds {self.attempts[serial] - 1} before it.")
        elif kind in ("energise", "reading", "end", "abandon"):
            self._part_of_run(number, index, kind, payload)
        elif kind == "lock":
            self._note(number, index, "station locked", str(payload["reason"]))

    def _part_of_run(self, number: int, index: int, kind: str, payload: Mapping[str, Any]) -> None:
        run = payload["run"]
        if run not in self.open:
            if self.past_is_whole:  # else its begin may be the line that is missing
                self._find(number, index, "no open run", f"The {kind} entry is of run {run}, which is not open.")
            return
        serial, _ = self.open[run]
        if kind == "energise":
            self.open[run] = (serial, True)
        if kind not in ("end", "abandon"):
            return
        del self.open[run]
        if payload["serial"] != serial:
            self._find(number, index, "wrong unit", f"The {kind} entry names another unit than its begin, {serial}.")
        self.report.outcomes[str(payload["outcome"]) if kind == "end" else "abandoned"] += 1
        if kind == "abandon":
            what = "voltage may have been on" if payload["energised"] == "yes" else "voltage was not on"
            self._note(number, index, "abandoned run", f"The run on unit {serial} was cut off; {what}.")

    def _broken_end(self, number: int, piece: bytes) -> None:
        if len(piece) > LONGEST_LINE:
            self._find(number, None, "over-long line", f"The line is longer than {LONGEST_LINE} bytes.")
        else:
            self._find(number, None, "torn line", f"The log ends in {len(piece)} bytes that are no whole line.")
        self.expected, self.past_is_whole = self.expected + 1, False

    def _read_checkpoint(self, identity: Identity) -> None:
        if self.note is None:
            self._note(0, None, "no checkpoint", "No checkpoint lies beside the log, so a missing end would not show.")
            return
        try:
            self.checkpoint = open_checkpoint(self.note, NoteVerifier(identity.origin, identity.key))
            self.report.checkpoint_size = self.checkpoint.size
        except NotGenuine as error:
            self._find(0, None, "checkpoint", f"The checkpoint beside the log is not genuine: {error.what}")

    def _hold_against(self, checkpoint: Checkpoint) -> None:
        size = checkpoint.size
        if self.root_there is None:
            self._find(self.report.lines + 1, None, "end missing",
                       f"The log has {self.tree.size} entries, and its checkpoint says {size}.")
        elif self.root_there != checkpoint.root:
            self._find(size, None, "checkpoint", f"The first {size} lines are not those the checkpoint was made of.")

    def _find(self, line: int, index: int | None, name: str, meaning: str) -> None:
        self.report.add_finding(Finding(line, index, name, meaning))

    def _note(self, line: int, index: int | None, name: str, meaning: str) -> None:
        self.report.add_note(Finding(line, index, name, meaning))

"""The slow and talkative half of an audit: one line at a time, right or wrong, and what is wrong with it.

Debris of a crash is told from damage by what comes after it: lines that are not genuine are held back until a genuine
one comes. If that one commits exactly the bytes between, they are a scar and were never part of the log; if not, every
one of them is a finding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any, BinaryIO

from eolseq.errors import NotGenuine, RecordFault
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.chunks import Chunk
from eolseq.records.envelope import LONGEST_LINE, entry_payload, open_entry, read_payload
from eolseq.records.genuine import Identity, read_genesis
from eolseq.records.meaning import Meaning
from eolseq.records.merkle import CompactRange, leaf_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.report import MOST_KEPT, AuditReport, Finding
from eolseq.records.runs import WATCHED, kind_of
from eolseq.records.scars import Scar, committed, signed_inside


@dataclass(slots=True)
class _Gap:
    """Bytes that are not genuine lines, with all that was known where they begin."""

    offset: int
    line: int
    expected: int
    tree: CompactRange
    length: int = 0
    digest: Any = field(default_factory=sha256)
    findings: list[Finding] = field(default_factory=list)
    uncounted: int = 0


class Auditor:
    """Where the audit stands in a log: ``offset`` bytes and ``report.lines`` lines are behind it."""

    def __init__(self, report: AuditReport, stream: BinaryIO, note: bytes | None) -> None:
        self.report = report
        self.meaning = Meaning(report)
        self.tree = CompactRange()
        self.identity: Identity | None = None
        self.offset = 0
        self._stream = stream
        self._note = note
        self._expected = 0
        self._gap: _Gap | None = None
        self._over_long = False
        self._checkpoints: list[tuple[Checkpoint, str]] = []
        self._roots: dict[int, bytes] = {}
        self._scar_before = -1  # at which byte the recovery stands that ended the last scar

    @property
    def trusting(self) -> bool:
        """Whether everything so far stands, so that the next lines may be checked many at once."""
        return self.identity is not None and self.meaning.whole and self._gap is None and not self._over_long

    def hold_against(self, checkpoint: Checkpoint, whose: str) -> None:
        """Remember a checkpoint that the log must agree with; ``whose`` names it in findings."""
        self._checkpoints.append((checkpoint, whose))

    def merge(self, chunk: Chunk, length: int) -> None:
        """Take in lines that were checked together and stand."""
        report, index = self.report, self.tree.size
        self._notice_roots(chunk)
        for payload, leaf in chunk.entries:
            report.lines += 1
            self.meaning.take(report.lines, index, payload, leaf)
            index += 1
        report.verified += len(chunk.entries)
        self.tree, self._expected, self.offset = chunk.tree, index, self.offset + length

    def trust(self, line: bytes, debris: int, debris_lines: int) -> None:
        """Take in a line that a checkpoint vouches for, and so many bytes and lines of debris before it.

        Only its hash was checked; its payload is looked at when its kind tells about runs.
        """
        report, length = self.report, len(line) + 1
        if debris:
            self._note_scar(report.lines + 1, self.tree.size, debris, self.offset)
        report.lines += 1 + debris_lines
        report.trusted += 1
        try:
            kind = kind_of(line, len(str(report.origin).encode()))
            payload = read_payload(entry_payload(line)) if kind in WATCHED else None
        except (NotGenuine, ValueError):
            payload = None  # the checkpoint vouches for it all the same
        leaf = leaf_hash(line)
        if payload is not None:
            self.meaning.take(report.lines, self.tree.size, payload, leaf)
        self.tree.append(leaf)
        self._expected, self.offset = self.tree.size, self.offset + debris + length
        self._notice_root()

    def take(self, piece: bytes) -> None:
        """Check one line or piece of one, and add it to the tree as it stands, right or wrong."""
        inside, self._over_long = self._over_long, piece[-1] != 10
        start, self.offset = self.offset, self.offset + len(piece)
        if inside:
            self._widen_gap(piece)
            return
        self.report.lines += 1
        payload = self._genuine(piece)
        if payload is None:
            self._not_genuine(start, piece)
            return
        self._end_gap(payload, start)
        if payload.get("kind") == "recovery" and self.meaning.whole and self._scar_before != start:
            self._find(self._expected, "recovery of nothing", "It commits bytes that do not stand before it.")
        leaf = leaf_hash(piece[:-1])
        if self._in_place(payload):
            self.report.verified += self.meaning.whole
            self.meaning.take(self.report.lines, payload["index"], payload, leaf)
        self._expected += 1
        self.tree.append(leaf)
        self._notice_root()

    def finish(self) -> None:
        """What can be said once every line has been seen."""
        self._flush()
        self.report.root = self.tree.root().hex()
        if self.report.lines == 0:
            self.report.find(1, None, "no beginning", "The file is empty: it holds no log.")
        self.meaning.finish()
        for checkpoint, whose in self._checkpoints:
            self._compare(checkpoint, whose)

    # -- one line ---------------------------------------------------------------------------------------------------

    def _genuine(self, piece: bytes) -> dict[str, Any] | None:
        """The payload of a signed line; None when it is not one, which is then held back as a finding."""
        line = piece.removesuffix(b"\n")
        if self.report.lines == 1 and piece[-1] == 10:
            return self._genesis(line)
        if self.identity is None:
            return None
        try:
            if len(piece) > LONGEST_LINE + 1 or (len(piece) > LONGEST_LINE and piece[-1] != 10):
                raise NotGenuine(f"The line is longer than {LONGEST_LINE} bytes.")
            if piece[-1] != 10:
                raise NotGenuine(f"The log ends in {len(piece)} bytes that are no whole line.")
            return open_entry(line, self.identity.keys)
        except NotGenuine:
            return None

    def _genesis(self, line: bytes) -> dict[str, Any] | None:
        try:
            self.identity, payload = read_genesis(line)
        except RecordFault as error:
            self.report.find(1, None, "no beginning", f"{error.what} Without it no other line can be checked.")
            self.meaning.whole = False
            return None
        report, identity = self.report, self.identity
        report.origin, report.role, report.keyid = identity.origin, identity.role, identity.key.keyid
        self._read_checkpoint(identity)
        return payload

    def _not_genuine(self, start: int, piece: bytes) -> None:
        """Hold the line back, for it may be debris; go on as if it were a line, for it may be damaged."""
        if self._gap is None:
            self._gap = _Gap(start, self.report.lines, self._expected, self.tree.copy())
        self._widen_gap(piece)
        name, meaning = self._what_is_wrong(piece)
        if name and len(self._gap.findings) < MOST_KEPT:
            self._gap.findings.append(Finding(self.report.lines, None, name, meaning))
        elif name:
            self._gap.uncounted += 1
        self._expected += 1
        self.tree.append(leaf_hash(piece.removesuffix(b"\n")))

    def _what_is_wrong(self, piece: bytes) -> tuple[str, str]:
        if piece[-1] != 10:
            if len(piece) > LONGEST_LINE:
                return "over-long line", f"The line is longer than {LONGEST_LINE} bytes."
            return "torn line", f"The log ends in {len(piece)} bytes that are no whole line."
        if self.identity is None:
            return "", ""  # said once, at the first line
        try:
            open_entry(piece[:-1], self.identity.keys)
        except NotGenuine as error:
            return "line not genuine", error.what
        return "", ""

    def _in_place(self, payload: dict[str, Any]) -> bool:
        """Whether the entry is of this log, at its index, and was written on exactly the lines before it."""
        identity, index, root = self.identity, payload.get("index"), payload.get("root")
        if identity is None:
            return False
        if payload.get("v") != 1 or payload.get("origin") != identity.origin:
            self._find(None, "foreign line", "The line is signed, but belongs to another log or version.")
            return False
        if type(index) is not int or not all(isinstance(payload.get(name), str) for name in ("kind", "time")):
            self._find(None, "incomplete entry", "The entry has no index, kind or time.")
            return False
        if index != self._expected:
            self._find(index, "wrong place", f"Entry {index} stands where entry {self._expected} belongs: a line "
                       "before it was removed, added or moved.")
            self._expected, self.meaning.whole = index, False
            return False
        if root != self.tree.root().hex() and self.meaning.whole:
            self._find(index, "other past", f"Entry {index} was written after other lines than those before it; the "
                       "roots of later lines cannot be checked.")
            self.meaning.whole = False
            return False
        return True

    # -- debris, or damage ------------------------------------------------------------------------------------------

    def _widen_gap(self, piece: bytes) -> None:
        if self._gap is not None:
            self._gap.digest.update(piece)
            self._gap.length += len(piece)

    def _end_gap(self, payload: dict[str, Any], start: int) -> None:
        """A genuine line ends a gap: as a scar if it commits it and stands where the gap began, else as damage."""
        gap, identity = self._gap, self.identity
        if gap is None or identity is None:
            return
        scar = Scar(gap.offset, gap.length, gap.digest.hexdigest())
        stands = (payload.get("origin"), payload.get("index"), payload.get("root")) == (
            identity.origin, gap.expected, gap.tree.root().hex())
        if not stands or committed(payload) != scar or not self.meaning.whole:
            self._flush()
            return
        self.tree, self._expected, self._gap = gap.tree, gap.expected, None
        hidden = self._look_inside(scar, identity)
        self._note_scar(gap.line, gap.expected, scar.length, scar.offset, hidden)
        self._scar_before = start

    def _note_scar(self, line: int, index: int, length: int, offset: int, hidden: dict[str, Any] | None = None) -> None:
        what = "" if hidden is None else f" (whole and signed, of kind {hidden.get('kind')}, but never acknowledged)"
        self.report.note(line, None, "scar", f"{length} bytes at byte {offset} are what a crash left of a line{what}; "
                         f"entry {index} commits them.")

    def _look_inside(self, scar: Scar, identity: Identity) -> dict[str, Any] | None:
        here = self._stream.tell()
        try:
            return signed_inside(self._stream, scar, identity)
        finally:
            self._stream.seek(here)

    def _flush(self) -> None:
        gap, self._gap = self._gap, None
        if gap is None:
            return
        for finding in gap.findings:
            self.report.find(finding.line, finding.index, finding.name, finding.meaning)
        self.report.findings_count += gap.uncounted
        self.meaning.whole = False

    # -- checkpoints ------------------------------------------------------------------------------------------------

    def _read_checkpoint(self, identity: Identity) -> None:
        if self._note is None:
            self.report.note(0, None, "no checkpoint",
                             "No checkpoint lies beside the log, so a missing end would not show.")
            return
        try:
            checkpoint = open_checkpoint(self._note, NoteVerifier(identity.origin, identity.key))
        except NotGenuine as error:
            self.report.find(0, None, "checkpoint", f"The checkpoint beside the log is not genuine: {error.what}")
            return
        self.report.checkpoint_size = checkpoint.size
        self.hold_against(checkpoint, "the checkpoint")

    def _notice_root(self) -> None:
        if any(checkpoint.size == self.tree.size for checkpoint, _ in self._checkpoints):
            self._roots[self.tree.size] = self.tree.root()

    def _notice_roots(self, chunk: Chunk) -> None:
        """The roots at the checkpoints' sizes inside a chunk."""
        for checkpoint, _ in self._checkpoints:
            if self.tree.size < checkpoint.size <= chunk.tree.size:
                tree = self.tree.copy()
                for _, leaf in chunk.entries[:checkpoint.size - self.tree.size]:
                    tree.append(leaf)
                self._roots[checkpoint.size] = tree.root()

    def _compare(self, checkpoint: Checkpoint, whose: str) -> None:
        size, root = checkpoint.size, self._roots.get(checkpoint.size)
        if root is None:
            self.report.find(self.report.lines + 1, None, "end missing",
                             f"The log has {self.tree.size} entries, and {whose} says {size}.")
        elif root != checkpoint.root:
            self.report.find(size, None, "checkpoint", f"The first {size} lines are not those {whose} was made of.")

    def _find(self, index: int | None, name: str, meaning: str) -> None:
        self.report.find(self.report.lines, index, name, meaning)

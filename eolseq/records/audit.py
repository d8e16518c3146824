"""The audit: every line, signature, index and root of a log, and whether its runs fit together.

It reads any bytes whatever and answers with findings, never with a traceback. A finding says that the log is not as
its station wrote it; a note says something an auditor wants to know about a log that is. Lines are checked many at
once, by several processes if asked, and one at a time where anything is not as it should be.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import BinaryIO, NamedTuple

from eolseq.errors import NotGenuine, RecordFault, WrongUse
from eolseq.records.auditor import Auditor
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.chunks import LINES, Chunk, begin_worker, check_chunk, work
from eolseq.records.envelope import LONGEST_LINE
from eolseq.records.genuine import Identity, lines, read_genesis
from eolseq.records.merkle import CompactRange, leaf_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.report import MOST_KEPT, AuditReport, Finding
from eolseq.records.scan import CHECKPOINT_NAME, LOG_NAME, read_if_there
from eolseq.records.scars import find_recovery, looks_whole

__all__ = ["MOST_KEPT", "AuditReport", "Finding", "audit", "audit_stream"]

Progress = Callable[[int], None]
"""Told, now and then, how many bytes of the log are behind."""


def audit(path: Path, *, since: bytes | None = None, jobs: int = 1, progress: Progress | None = None) -> AuditReport:
    """Audit a log file, or the log in a folder; WrongUse when there is no file to read.

    ``since`` is the note of an earlier checkpoint: what it vouches for is only hashed. ``jobs`` counts the processes.
    """
    path = path / LOG_NAME if path.is_dir() else path
    if path.exists() and not path.is_file():
        raise WrongUse(f"{path} is not a plain file, so it is no log.", "Name a log file or a records folder.")
    try:
        checkpoint = read_if_there(path.with_name(CHECKPOINT_NAME))
        with path.open("rb") as stream:
            return audit_stream(stream, str(path), checkpoint, since=since, jobs=jobs, progress=progress)
    except OSError as error:
        raise WrongUse(f"The log {path} cannot be read: {error.strerror}.",
                       "Name a log file or a records folder.") from error


def audit_stream(stream: BinaryIO, name: str, checkpoint: bytes | None, *, since: bytes | None = None, jobs: int = 1,
                 progress: Progress | None = None) -> AuditReport:
    """Audit the bytes of a log against the note of its checkpoint, if there is one.

    With more than one job ``name`` must be the path of the file that the stream reads.
    """
    report = AuditReport(name)
    auditor = Auditor(report, stream, checkpoint)
    first = stream.readline(LONGEST_LINE + 1)
    stream.seek(0)
    if since is not None and _trust(auditor, stream, first, since):
        first = b""
    for piece in islice(lines(stream), 1 if first else 0):
        auditor.take(piece)
    if jobs > 1 and auditor.identity is not None:
        _by_many(auditor, stream, jobs, progress)
    else:
        _by_one(auditor, stream, progress)
    auditor.finish()
    return report


def _by_one(auditor: Auditor, stream: BinaryIO, progress: Progress | None) -> None:
    source = lines(stream)
    while pieces := list(islice(source, LINES)):
        _check(auditor, pieces)
        if progress is not None:
            progress(auditor.offset)


def _check(auditor: Auditor, pieces: list[bytes]) -> None:
    """Many lines at once if they stand, else one at a time."""
    identity = auditor.identity
    chunk = check_chunk(pieces, identity, auditor.tree) if identity is not None and auditor.trusting else None
    if chunk is not None:
        auditor.merge(chunk, sum(map(len, pieces)))
        return
    for piece in pieces:
        auditor.take(piece)


# -- by several processes ---------------------------------------------------------------------------------------


class _Sent(NamedTuple):
    offset: int
    length: int
    answer: Future[Chunk | None]


def _by_many(auditor: Auditor, stream: BinaryIO, jobs: int, progress: Progress | None) -> None:
    """Hash ahead to know the tree at the head of each chunk, and have the chunks checked by worker processes."""
    identity = auditor.identity
    if identity is None:
        return
    whose = (auditor.report.log, identity.origin, identity.key.public, identity.role)
    with ProcessPoolExecutor(jobs, get_context("spawn"), begin_worker, whose) as pool:
        while auditor.trusting and _spread(auditor, stream, pool, jobs, progress):
            _closer(auditor, stream, progress)
    _by_one(auditor, stream, progress)


def _spread(auditor: Auditor, stream: BinaryIO, pool: ProcessPoolExecutor, jobs: int,
            progress: Progress | None) -> bool:
    """Have chunks checked from where the auditor stands; whether one of them needs a closer look (else all is read)."""
    sent: deque[_Sent] = deque()
    ahead = _send(auditor, stream, pool)
    while True:
        sent.extend(islice(ahead, 2 * jobs + 2 - len(sent)))
        if not sent:
            stream.seek(auditor.offset)
            return False
        offset, length, answer = sent.popleft()
        chunk = answer.result()
        if chunk is None:
            for each in sent:
                each.answer.cancel()
            stream.seek(offset)
            return True
        auditor.merge(chunk, length)
        if progress is not None:
            progress(auditor.offset)


def _send(auditor: Auditor, stream: BinaryIO, pool: ProcessPoolExecutor) -> Iterator[_Sent]:
    tree, offset = auditor.tree.copy(), auditor.offset
    stream.seek(offset)
    source = lines(stream)
    while pieces := list(islice(source, LINES)):
        length = sum(map(len, pieces))
        yield _Sent(offset, length, pool.submit(work, offset, length, tree.copy()))
        for piece in pieces:
            tree.append(leaf_hash(piece[:-1]))
        offset += length


def _closer(auditor: Auditor, stream: BinaryIO, progress: Progress | None) -> None:
    """One line at a time from where the stream stands, until lines may be checked many at once again."""
    source = lines(stream)
    while pieces := list(islice(source, LINES)):
        for piece in pieces:
            auditor.take(piece)
        if progress is not None:
            progress(auditor.offset)
        if auditor.trusting:
            return


# -- from an earlier checkpoint ---------------------------------------------------------------------------------


def _trust(auditor: Auditor, stream: BinaryIO, first: bytes, since: bytes) -> bool:
    """Pass over what an earlier checkpoint vouches for, if it does; False, with nothing taken in, when it does not."""
    try:
        identity = read_genesis(first.removesuffix(b"\n"))[0]
    except RecordFault:
        return False  # the audit will say so at the first line
    checkpoint = _earlier(since, identity)
    tree = CompactRange()
    for each in _hashed(stream, identity, tree, checkpoint.size):
        tree.append(leaf_hash(each.line))
    if (tree.size, tree.root()) != (checkpoint.size, checkpoint.root):
        auditor.hold_against(checkpoint, "the checkpoint given")
        stream.seek(0)
        return False
    for each in _hashed(stream, identity, tree := CompactRange(), checkpoint.size):
        tree.append(leaf_hash(each.line))
        if tree.size == 1:
            auditor.take(each.line + b"\n")
        else:
            auditor.trust(each.line, each.debris, each.debris_lines)
    stream.seek(auditor.offset)
    return True


def _earlier(since: bytes, identity: Identity) -> Checkpoint:
    try:
        return open_checkpoint(since, NoteVerifier(identity.origin, identity.key))
    except NotGenuine as error:
        raise WrongUse(f"The checkpoint to start from is not this log's: {error.what}",
                       "Give one that this station wrote and that you kept.") from error


class _Hashed(NamedTuple):
    line: bytes
    debris: int
    debris_lines: int


def _hashed(stream: BinaryIO, identity: Identity, tree: CompactRange, size: int) -> Iterator[_Hashed]:
    """Lines, and the debris before them in bytes and lines, until the tree that the caller grows has its size."""
    stream.seek(0)
    offset = 0
    for piece in lines(stream):
        if tree.size >= size:
            return
        found = _Hashed(piece[:-1], 0, 0)
        if not looks_whole(piece):
            skipped = find_recovery(stream, offset, identity, tree.size, tree.root())
            if skipped is None:
                return
            behind, debris = stream.tell(), skipped[0].length
            stream.seek(offset)
            found = _Hashed(skipped[1], debris, stream.read(debris).count(b"\n"))
            stream.seek(behind)
        offset += found.debris + len(found.line) + 1
        yield found

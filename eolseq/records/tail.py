"""The newest entries of a log, read from its end: for what is answered by the last few runs, however long the log is.

For a log that was opened just now: the pass that opened it has shown by the last signature that all lines are as they
were written. What a crash left between two lines is no entry, and is stepped over.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from eolseq.errors import EolseqError
from eolseq.records.envelope import read_payload, take_apart
from eolseq.records.runs import kind_of

_BLOCK = 1 << 16  # bytes


def newest_first(path: Path, origin: str, kinds: frozenset[str]) -> Iterator[dict[str, Any]]:
    """The payloads of the entries of some kinds, the newest first."""
    origin_length = len(origin.encode())
    for line in _lines_backwards(path):
        try:
            if kind_of(line, origin_length) in kinds:
                yield read_payload(take_apart(line).payload)
        except (EolseqError, ValueError):
            continue  # debris; a line of the log was read when the log was opened


def _lines_backwards(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        at = stream.seek(0, 2)
        rest = b""
        while at > 0:
            size = min(_BLOCK, at)
            at -= size
            stream.seek(at)
            rest = stream.read(size) + rest
            first, *lines = rest.split(b"\n")
            yield from (line for line in reversed(lines) if line)
            rest = first
        if rest:
            yield rest

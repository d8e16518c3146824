"""Many lines at once, checked in full and without a word: either all of them stand, or somebody must look closer.

A log in order is nearly all of what an audit reads; what is not in order is left to the slow and talkative auditor.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from eolseq.errors import NotGenuine
from eolseq.records.envelope import LONGEST_LINE, open_entry
from eolseq.records.genuine import Identity, check_place
from eolseq.records.keys import PublicKey
from eolseq.records.meaning import NEEDED, NEEDED_OF_MOST
from eolseq.records.merkle import CompactRange, leaf_hash
from eolseq.records.runs import DOCUMENTS, LABEL_FIELDS

LINES = 500
"""How many lines are checked at once."""

Payload = Mapping[str, Any]


class Chunk(NamedTuple):
    """A chunk that stands: payloads (cut to what the auditor needs) with their leaf hashes, and the tree after it."""

    entries: list[tuple[Payload, bytes]]
    tree: CompactRange


def check_chunk(pieces: Sequence[bytes], identity: Identity, before: CompactRange) -> Chunk | None:
    """Check lines (with newlines) that come after a tree; None when one of them is anything but as it should be."""
    tree, keys, origin = before.copy(), identity.keys, identity.origin
    entries: list[tuple[Payload, bytes]] = []
    try:
        for piece in pieces:
            if piece[-1] != 10 or len(piece) > LONGEST_LINE + 1:
                return None
            line = piece[:-1]
            payload = open_entry(line, keys)
            check_place(payload, origin, tree.size, tree.root().hex())
            if payload["kind"] == "recovery":
                return None
            leaf = leaf_hash(line)
            tree.append(leaf)
            entries.append((_cut(payload), leaf))
    except NotGenuine:
        return None
    return Chunk(entries, tree)


def _cut(payload: Payload) -> Payload:
    """What the auditor needs of a payload: it is small to send and to keep, and the rest leaves the cache."""
    kind = payload["kind"]
    if kind in DOCUMENTS:
        return payload
    names: tuple[str, ...] = NEEDED_OF_MOST if kind in ("reading", "energise") else NEEDED
    if kind == "end" and payload.get("outcome") == "undecided":
        names = (*NEEDED, "steps")  # a release after it is judged by what was undecided
    elif kind == "label":
        names = (*NEEDED, *LABEL_FIELDS, "label")
    return {name: payload[name] for name in names if name in payload}


# -- in a process of its own ------------------------------------------------------------------------------------

_MINE: list[tuple[str, Identity]] = []


def begin_worker(path: str, origin: str, public: bytes, role: str) -> None:
    """Remember, in a worker process, which log is audited and whose it is."""
    _MINE[:] = [(path, Identity(origin, PublicKey(public), role))]


def work(offset: int, length: int, tree: CompactRange) -> Chunk | None:
    """Check one chunk of the log in a worker process."""
    path, identity = _MINE[0]
    with open(path, "rb") as stream:
        stream.seek(offset)
        pieces = stream.read(length).splitlines(keepends=True)
    return check_chunk(pieces, identity, tree)

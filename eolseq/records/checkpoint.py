"""Checkpoints: origin, size and root of a log as a signed note (C2SP tlog-checkpoint).

Source: https://github.com/C2SP/C2SP/blob/5ba5ee830903e91240fc6f9f3a7a9293d49e69c9/tlog-checkpoint.md
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from dataclasses import dataclass

from eolseq.errors import NotGenuine
from eolseq.records.keys import SigningKey
from eolseq.records.merkle import HASH_BYTES
from eolseq.records.note import NoteSigner, NoteVerifier, open_note, sign_note

_SIZE = re.compile(r"0|[1-9][0-9]{0,18}")


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What a log was at one moment: its origin, its number of lines and the root over them."""

    origin: str
    size: int
    root: bytes

    def body(self) -> str:
        """The note text: three lines."""
        return f"{self.origin}\n{self.size}\n{b64encode(self.root).decode()}\n"


def read_body(text: str) -> Checkpoint:
    """The checkpoint in a note text; extension lines are allowed and passed over; NotGenuine when it is none."""
    lines = text.split("\n")
    if len(lines) < 4 or lines[-1] or not all(lines[:-1]):
        raise NotGenuine("The checkpoint has not its three lines.", "Do not trust this copy.")
    origin, size, encoded = lines[:3]
    try:
        root = b64decode(encoded, validate=True)
    except ValueError:
        root = b""
    if not _SIZE.fullmatch(size) or len(root) != HASH_BYTES or b64encode(root).decode() != encoded:
        raise NotGenuine("The checkpoint's size or root is malformed.", "Do not trust this copy.")
    return Checkpoint(origin, int(size), root)


def sign_checkpoint(checkpoint: Checkpoint, key: SigningKey) -> bytes:
    """The checkpoint as a note signed under the log's origin as name."""
    return sign_note(checkpoint.body(), NoteSigner(checkpoint.origin, key))


def open_checkpoint(note: bytes, verifier: NoteVerifier) -> Checkpoint:
    """The checkpoint in a note signed by the log's key; NotGenuine when signature or origin is not the log's."""
    checkpoint = read_body(open_note(note, [verifier])[0])
    if checkpoint.origin != verifier.name:
        raise NotGenuine("The checkpoint is of another log.", "Put this log's own checkpoint beside it.")
    return checkpoint

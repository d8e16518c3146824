"""Cosignatures: a witness says when it saw a checkpoint and nothing against it (C2SP tlog-cosignature).

Source: https://github.com/C2SP/C2SP/blob/5ba5ee830903e91240fc6f9f3a7a9293d49e69c9/tlog-cosignature.md
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256

from eolseq.errors import NotGenuine
from eolseq.records.keys import PublicKey
from eolseq.records.note import divide_note, read_signature, valid_name

_ED25519 = b"\x04"
_TIME_BYTES, _SIGNATURE_BYTES = 8, 64
_LATEST = (1 << 63) - 1


@dataclass(frozen=True, slots=True)
class Cosignature:
    """One line of a note that has a cosignature's form; ``time`` is in seconds since 1970, nothing is checked yet."""

    name: str
    number: bytes
    time: int
    signature: bytes


@dataclass(frozen=True, slots=True)
class Witness:
    """A named public key that cosigns."""

    name: str
    key: PublicKey

    def __post_init__(self) -> None:
        if not valid_name(self.name):
            raise NotGenuine("The witness's name is empty or has a space or plus in it.", "Write it as it was given.")

    @property
    def number(self) -> bytes:
        """The four bytes that name the key on a cosignature's line."""
        return sha256(self.name.encode() + b"\n" + _ED25519 + self.key.public).digest()[:4]


def cosigned_message(text: str, time: int) -> bytes:
    """What a witness signs: a header, the time in seconds since 1970, and the whole text of the note."""
    return f"cosignature/v1\ntime {time}\n{text}".encode()


def cosignatures(note: bytes) -> Iterator[Cosignature]:
    """The lines of a note that have a cosignature's form; NotGenuine when it is no note."""
    for line in divide_note(note)[1]:
        name, number, value = read_signature(line)
        time = int.from_bytes(value[:_TIME_BYTES], "big")
        if len(value) == _TIME_BYTES + _SIGNATURE_BYTES and time <= _LATEST:
            yield Cosignature(name, number, time, value[_TIME_BYTES:])


def cosigned_at(note: bytes, witness: Witness) -> int:
    """The latest time (seconds since 1970) at which a witness cosigned a note.

    NotGenuine when it did not, or when a line under its name and number does not fit the note's text.
    """
    text, times = divide_note(note)[0], []
    for each in cosignatures(note):
        if (each.name, each.number) != (witness.name, witness.number):
            continue
        if not witness.key.verify(each.signature, cosigned_message(text, each.time)):
            raise NotGenuine(f"The cosignature by {each.name} does not fit the note.", "Do not trust this copy.")
        times.append(each.time)
    if not times:
        raise NotGenuine(f"The note carries no cosignature by {witness.name}.", "Ask the witness for one.")
    return max(times)

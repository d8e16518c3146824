"""Signed notes: a text and, below a blank line, signatures with the signers' names (C2SP signed-note).

Source: https://github.com/C2SP/C2SP/blob/5ba5ee830903e91240fc6f9f3a7a9293d49e69c9/signed-note.md
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256

from eolseq.errors import NotGenuine
from eolseq.records.keys import PublicKey, SigningKey

_ED25519 = b"\x01"
_DASH = "— "
_MOST_SIGNATURES = 100


@dataclass(frozen=True, slots=True)
class NoteVerifier:
    """A named public key: what a verifier key text (vkey) says."""

    name: str
    key: PublicKey

    @property
    def number(self) -> bytes:
        """The four bytes that name the key on a signature line."""
        return _number(self.name, self.key.public)

    def text(self) -> str:
        """The verifier key as text: name, number and key."""
        return f"{self.name}+{self.number.hex()}+{b64encode(_ED25519 + self.key.public).decode()}"


@dataclass(frozen=True, slots=True)
class NoteSigner:
    """A named private key that signs notes."""

    name: str
    key: SigningKey


def valid_name(name: str) -> bool:
    """Whether a text can name a signer: not empty, no white space, no plus, printable."""
    return bool(name) and "+" not in name and name.isprintable() and not any(sign.isspace() for sign in name)


def read_verifier(text: str) -> NoteVerifier:
    """The verifier in a vkey text; NotGenuine when name, number and key do not belong together."""
    name, _, rest = text.partition("+")
    number, _, encoded = rest.partition("+")
    key = _strict_base64(encoded)
    if not valid_name(name) or not re.fullmatch(r"[0-9a-f]{8}", number) or len(key) != 33 or key[:1] != _ED25519:
        raise NotGenuine("The verifier key is not an Ed25519 key of the signed-note format.", "Copy it again, whole.")
    if _number(name, key[1:]).hex() != number:
        raise NotGenuine("The verifier key's number does not fit its name and key.", "Copy it again, whole.")
    return NoteVerifier(name, PublicKey(key[1:]))


def read_signer(text: str) -> NoteSigner:
    """The signer in an skey text (PRIVATE+KEY+name+number+key); NotGenuine when its parts do not belong together."""
    parts = text.split("+", 4)
    seed = _strict_base64(parts[4]) if len(parts) == 5 else b""
    if parts[:2] != ["PRIVATE", "KEY"] or len(seed) != 33 or seed[:1] != _ED25519 or not valid_name(parts[2]):
        raise NotGenuine("The signer key is not an Ed25519 key of the signed-note format.", "Copy it again, whole.")
    signer = NoteSigner(parts[2], SigningKey.from_seed(seed[1:]))
    if _number(signer.name, signer.key.public).hex() != parts[3]:
        raise NotGenuine("The signer key's number does not fit its name and key.", "Copy it again, whole.")
    return signer


def sign_note(text: str, *signers: NoteSigner) -> bytes:
    """The text, a blank line and one signature line per signer; the text must end in a newline."""
    _refuse_controls(text)
    if not text.endswith("\n") or not all(valid_name(signer.name) for signer in signers):
        raise NotGenuine("A note's text ends in a newline and its signers have names without spaces or plus.",
                      "Choose another name.")
    lines = []
    for signer in signers:
        value = _number(signer.name, signer.key.public) + signer.key.sign(text.encode())
        lines.append(f"{_DASH}{signer.name} {b64encode(value).decode()}\n")
    return (text + "\n" + "".join(lines)).encode()


def open_note(note: bytes, verifiers: Iterable[NoteVerifier]) -> tuple[str, list[str]]:
    """The text of a note and the names of the verifiers whose signatures it carries; NotGenuine when it carries none.

    A signature by an unknown key is passed over; a wrong one by a known key voids the note.
    """
    text, lines = divide_note(note)
    known = {(each.name, each.number): each.key for each in verifiers}
    names: list[str] = []
    for line in lines:
        name, number, signature = read_signature(line)
        key = known.get((name, number))
        if key is None:
            continue
        if not key.verify(signature, text.encode()):
            raise NotGenuine(f"The note's signature by {name} does not fit its text.", "Do not trust this copy.")
        if name not in names:
            names.append(name)
    if not names:
        raise NotGenuine("The note carries no signature by a known key.", "Do not trust this copy.")
    return text, names


def divide_note(note: bytes) -> tuple[str, list[str]]:
    """The text of a note and its signature lines, none of them checked; NotGenuine when it is no note."""
    try:
        whole = note.decode()
    except UnicodeDecodeError as error:
        raise NotGenuine("The note is not UTF-8 text.", "Do not trust this copy.") from error
    _refuse_controls(whole)
    head, blank, tail = whole.rpartition("\n\n")
    if not blank or not tail.endswith("\n"):
        raise NotGenuine("The note has no signatures, or its end is missing.", "Do not trust this copy.")
    lines = tail[:-1].split("\n")
    if len(lines) > _MOST_SIGNATURES:
        raise NotGenuine(f"The note has more than {_MOST_SIGNATURES} signatures.", "Do not trust this copy.")
    return head + "\n", lines


def read_signature(line: str) -> tuple[str, bytes, bytes]:
    """Name, key number (four bytes) and value of a signature line; NotGenuine when it is malformed."""
    name, _, encoded = line.removeprefix(_DASH).partition(" ")
    value = _strict_base64(encoded)
    if not line.startswith(_DASH) or not valid_name(name) or len(value) < 5:
        raise NotGenuine("A signature line of the note is malformed.", "Do not trust this copy.")
    return name, value[:4], value[4:]


def _number(name: str, public: bytes) -> bytes:
    return sha256(name.encode() + b"\n" + _ED25519 + public).digest()[:4]


def _refuse_controls(text: str) -> None:
    if any(sign < " " and sign != "\n" for sign in text):
        raise NotGenuine("The note holds a control character.", "Do not trust this copy.")


def _strict_base64(text: str) -> bytes:
    """The bytes of padded canonical base64; nothing when the text is anything else."""
    try:
        value = b64decode(text, validate=True)
    except ValueError:
        return b""
    return value if b64encode(value).decode() == text else b""

"""Documents that people sign on their own, away from the log: DSSE envelopes of their own payload types.

A person cannot know at which index of the log a signature will stand, so people do not sign lines. They sign
documents, which can be made on another computer and brought over as a file; the station carries each, byte for byte,
inside an entry of its own. A document has one spelling, as a line of the log has.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eolseq.errors import NotGenuine, RecordFault, WrongUse
from eolseq.records.envelope import Envelope, Signer, pae, read_payload, seal, take_apart
from eolseq.records.keys import PublicKey, key_id

KEY_TYPE = "application/vnd.eolseq.key.v1+json"
KEYS_TYPE = "application/vnd.eolseq.keys.v1+json"
APPROVAL_TYPE = "application/vnd.eolseq.approval.v1+json"
VERIFICATION_TYPE = "application/vnd.eolseq.verification.v1+json"
FIXTURE_TYPE = "application/vnd.eolseq.fixture.v1+json"
UNLOCK_TYPE = "application/vnd.eolseq.unlock.v1+json"
PEOPLE_TYPE = "application/vnd.eolseq.people.v1+json"
REWORK_TYPE = "application/vnd.eolseq.rework.v1+json"
RELEASE_TYPE = "application/vnd.eolseq.release.v1+json"

LONGEST_DOCUMENT = 47_000  # bytes; an entry that carries it must fit a line of the log
_TWICE = "Have it made again, from the start."


@dataclass(frozen=True, slots=True)
class Document:
    """A taken-apart document; nothing in it is to be believed before its signatures are judged."""

    text: bytes
    envelope: Envelope
    payload: Mapping[str, Any]

    @property
    def payload_type(self) -> str:
        """What kind of document it says it is."""
        return self.envelope.payload_type

    @property
    def keyids(self) -> tuple[str, ...]:
        """The short names of the keys that say they signed it."""
        return tuple(each.keyid for each in self.envelope.signatures)

    def signed_by(self, key: PublicKey) -> bool:
        """Whether every signature under this key's short name is its own, and there is one."""
        message = pae(self.payload_type, self.envelope.payload)
        values = [each.value for each in self.envelope.signatures if each.keyid == key.keyid]
        return bool(values) and all(key.verify(value, message) for value in values)


def make_document(payload_type: str, payload: Mapping[str, Any], signer: Signer) -> bytes:
    """A document with its first signature; WrongUse when it is too long to be carried by a log."""
    text = json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
    read_payload(text)
    made = seal(text, signer, payload_type=payload_type)
    if len(made) > LONGEST_DOCUMENT:
        raise WrongUse(f"The document would have {len(made)} bytes; {LONGEST_DOCUMENT} is the most a log can carry.",
                       "Give shorter texts.")
    return made


def add_signature(text: bytes, signer: Signer) -> bytes:
    """The document with one more signature; WrongUse when this key has signed it already."""
    document = read_document(text)
    if signer.keyid in document.keyids:
        raise WrongUse(f"Key {signer.keyid} has signed this document already.", "Have another person sign it.")
    value = b64encode(signer.sign(pae(document.payload_type, document.envelope.payload)))
    more = document.text[:-2] + b',{"keyid":"%b","sig":"%b"}]}' % (signer.keyid.encode(), value)
    take_apart(more)
    return more


def read_document(text: bytes) -> Document:
    """The parts of a document spelt as documents are; NotGenuine when it is anything else."""
    text = text.removesuffix(b"\n")
    try:
        envelope = take_apart(text)
        payload = read_payload(envelope.payload)
    except NotGenuine as error:
        raise NotGenuine(f"This is no signed document: {error.what}", _TWICE) from error
    keyids = [each.keyid for each in envelope.signatures]
    if len(set(keyids)) != len(keyids):
        raise NotGenuine("A key signed the document twice.", _TWICE)
    return Document(text, envelope, payload)


def read_document_file(path: Path) -> Document:
    """The document in a file; WrongUse when it cannot be read, NotGenuine when it is none."""
    try:
        with path.open("rb") as stream:
            return read_document(stream.read(LONGEST_DOCUMENT + 2))
    except OSError as error:
        raise WrongUse(f"The document {path} cannot be read: {error.strerror}.",
                       "Check the name of the file.") from error


def refuse_unless(document: Document, payload_type: str, fields: Mapping[str, type | tuple[type, ...]]) -> None:
    """NotGenuine unless the document is of this type and has exactly these fields, each of its type."""
    if document.payload_type != payload_type:
        raise NotGenuine(f"The document is of type {document.payload_type}, not {payload_type}.",
                         "Bring the right file.")
    payload = document.payload
    if set(payload) != set(fields) or payload.get("v") != 1:
        raise NotGenuine("The document's fields are not those of its type and version.", _TWICE)
    for name, kind in fields.items():
        if not isinstance(payload[name], kind) or isinstance(payload[name], bool):
            raise NotGenuine(f"The document's field '{name}' is not what it should be.", _TWICE)


# -- a public key, with proof that its maker holds the private one ----------------------------------------------

_KEY_FIELDS: dict[str, type | tuple[type, ...]] = {
    "v": int, "algorithm": str, "keyid": str, "public": str, "role": str, "holder": str, "scope": str}


def key_payload(public: bytes, role: str, holder: str, scope: str) -> dict[str, Any]:
    """What a registry says of a key."""
    return {"keyid": key_id(public), "algorithm": "Ed25519", "public": b64encode(public).decode(), "role": role,
            "holder": holder, "scope": scope}


def read_key_document(document: Document) -> dict[str, Any]:
    """The registry's entry for a key, from a document that the key itself signed; NotGenuine when it did not."""
    refuse_unless(document, KEY_TYPE, _KEY_FIELDS)
    entry = {name: value for name, value in document.payload.items() if name != "v"}
    try:
        key = PublicKey(b64decode(entry["public"], validate=True))
    except (ValueError, RecordFault) as error:
        what = error.what if isinstance(error, RecordFault) else "Its public key is not base64."
        raise NotGenuine(f"The key cannot be enrolled. {what}", "Have the key made anew.") from error
    if entry["keyid"] != key.keyid or entry["algorithm"] != "Ed25519" or document.keyids != (key.keyid,) \
            or not document.signed_by(key):
        raise NotGenuine("The public key is not signed by its own private key.", "Have the key made anew.")
    return entry

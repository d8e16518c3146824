"""One line of the log: a DSSE envelope, sealed and opened strictly.

The bytes in the file are the bytes that are hashed. So an envelope has exactly one spelling: fixed keys in a fixed
order, no spaces, padded canonical base64; the reader writes it again and compares. Signatures are checked over the
payload's bytes before anything in the payload is read. DSSE 1.0.2, https://github.com/secure-systems-lab/dsse.
"""

from __future__ import annotations

import json
import re
from binascii import Error as Base64Error
from binascii import a2b_base64, b2a_base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, Protocol

from eolseq.errors import NotGenuine

ENTRY_TYPE = "application/vnd.eolseq.entry.v1+json"
LONGEST_LINE = 65_535

_SHAPE = re.compile(
    rb'\{"payloadType":"([!#-\[\]-~]+)","payload":"([A-Za-z0-9+/]*={0,2})",'
    rb'"signatures":\[(\{"keyid":"[0-9a-f]{16}","sig":"[A-Za-z0-9+/]{86}=="\}'
    rb'(?:,\{"keyid":"[0-9a-f]{16}","sig":"[A-Za-z0-9+/]{86}=="\})*)\]\}'
)
_SIGNATURE = re.compile(rb'"keyid":"([0-9a-f]{16})","sig":"([^"]+)"')
_KEYID = re.compile(rb"[0-9a-f]{16}")
_ENTRY_BEGINS = b'{"payloadType":"%b","payload":"' % ENTRY_TYPE.encode()
_ENTRY_PAE = b"DSSEv1 %d %b %%d %%b" % (len(ENTRY_TYPE), ENTRY_TYPE.encode())
_ENTRY_LINE = _ENTRY_BEGINS.replace(b"%", b"%%") + b'%b","signatures":[{"keyid":"%b","sig":"%b"}]}'
_SIG_AT = -len('"}]}') - 88
_KEYID_AT = _SIG_AT - len('","sig":"') - 16
_PAYLOAD_ENDS = _KEYID_AT - len('","signatures":[{"keyid":"')


class Signer(Protocol):
    """Whoever can sign: a key with its short name."""

    @property
    def keyid(self) -> str:
        """The first 16 hex digits of the SHA-256 of the public key."""

    def sign(self, message: bytes) -> bytes:
        """The 64-byte Ed25519 signature over a message."""


class Verifier(Protocol):
    """A public key that can check a signature."""

    def verify(self, signature: bytes, message: bytes) -> bool:
        """Whether the signature over the message is this key's."""


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature of an envelope: the signer's short name and 64 bytes."""

    keyid: str
    value: bytes


@dataclass(frozen=True, slots=True)
class Envelope:
    """A taken-apart envelope; nothing in the payload is to be believed before a signature is checked."""

    payload_type: str
    payload: bytes
    signatures: tuple[Signature, ...]


def pae(payload_type: str, payload: bytes) -> bytes:
    """The bytes that DSSE signs: type and payload, each after its length in bytes."""
    name = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(name), name, len(payload), payload)


def seal(payload: bytes, *signers: Signer, payload_type: str = ENTRY_TYPE) -> bytes:
    """The envelope's one spelling, without a newline, signed by each signer."""
    message = pae(payload_type, payload)
    return _write(payload_type, payload, [Signature(signer.keyid, signer.sign(message)) for signer in signers])


def seal_entry(payload: bytes, signer: Signer) -> bytes:
    """What ``seal`` gives for a log entry, in one step: every entry of every run comes this way."""
    signature = signer.sign(_ENTRY_PAE % (len(payload), payload))
    return _ENTRY_LINE % (b2a_base64(payload, newline=False), signer.keyid.encode(),
                          b2a_base64(signature, newline=False))


def envelope_at(data: bytes, start: int) -> bytes | None:
    """The bytes that have an envelope's shape from a place in some data on; None when there are none."""
    match = _SHAPE.match(data, start)
    return None if match is None or len(match[0]) > LONGEST_LINE else match[0]


def take_apart(line: bytes) -> Envelope:
    """The parts of a line that is spelt exactly as an envelope is; otherwise NotGenuine."""
    if len(line) > LONGEST_LINE:
        raise NotGenuine(f"The line is longer than {LONGEST_LINE} bytes.")
    match = _SHAPE.fullmatch(line)
    if match is None:
        raise NotGenuine("The line is not an envelope of this program's format.")
    try:
        payload = a2b_base64(match[2])
        signatures = tuple(Signature(keyid.decode(), a2b_base64(sig)) for keyid, sig in _SIGNATURE.findall(match[3]))
    except Base64Error as error:
        raise NotGenuine("The line holds broken base64.") from error
    envelope = Envelope(match[1].decode(), payload, signatures)
    if _write(envelope.payload_type, payload, signatures) != line:
        raise NotGenuine("The line is an envelope, but not in its one canonical spelling.")
    return envelope


def open_entry(line: bytes, keys: Mapping[str, Verifier]) -> dict[str, Any]:
    """The payload of a log line (without newline) signed by exactly one known key; otherwise NotGenuine."""
    payload, keyid, signature = _entry_parts(line)
    key = keys.get(keyid)
    if key is None:
        raise NotGenuine(f"The line is signed by a key the registry does not know ({keyid}).")
    if not key.verify(signature, _ENTRY_PAE % (len(payload), payload)):
        raise NotGenuine("The signature does not fit the line.")
    return read_payload(payload)


def entry_payload(line: bytes) -> bytes:
    """The payload's bytes of a log line (without newline), its spelling checked and its signature not."""
    return _entry_parts(line)[0]


def _entry_parts(line: bytes) -> tuple[bytes, str, bytes]:
    """Payload, the signer's short name and signature of a log line spelt as it should be.

    An entry has one signature, so all but the payload lies at fixed places: take it from there, write it again and
    compare. Whatever that does not fit is looked at slowly, to say what is wrong.
    """
    if len(line) <= LONGEST_LINE:
        keyid, value = line[_KEYID_AT:_KEYID_AT + 16], line[_SIG_AT:_SIG_AT + 88]
        try:
            payload, signature = a2b_base64(line[len(_ENTRY_BEGINS):_PAYLOAD_ENDS]), a2b_base64(value)
        except Base64Error:
            payload = signature = b""
        again = _ENTRY_LINE % (b2a_base64(payload, newline=False), keyid, b2a_base64(signature, newline=False))
        if again == line and len(signature) == 64 and _KEYID.fullmatch(keyid):
            return payload, keyid.decode(), signature
    envelope = take_apart(line)
    if envelope.payload_type != ENTRY_TYPE:
        raise NotGenuine("The envelope holds something other than a log entry.")
    if len(envelope.signatures) != 1:
        raise NotGenuine("A log entry carries exactly one signature.")
    return envelope.payload, envelope.signatures[0].keyid, envelope.signatures[0].value


def read_payload(payload: bytes) -> dict[str, Any]:
    """A payload as a dictionary: UTF-8 JSON, one object, no floats, no repeated keys; otherwise NotGenuine."""
    try:
        text = payload.decode()
        value, end = _SCAN(text, 0)
        if end != len(text):
            raise ValueError("something stands behind it")
        if "\\u" in text:
            json.dumps(value, ensure_ascii=False).encode()  # half a surrogate pair is no text
    except (ValueError, RecursionError, StopIteration) as error:
        what = "nothing stands where a value should" if isinstance(error, StopIteration) else error
        raise NotGenuine(f"The payload is not JSON as it should be: {what}.") from error
    if type(value) is not dict:
        raise NotGenuine("The payload is not a JSON object.")
    return value


def _write(payload_type: str, payload: bytes, signatures: Sequence[Signature]) -> bytes:
    signed = b",".join(
        b'{"keyid":"%b","sig":"%b"}' % (each.keyid.encode(), b2a_base64(each.value, newline=False))
        for each in signatures)
    return b'{"payloadType":"%b","payload":"%b","signatures":[%b]}' % (
        payload_type.encode(), b2a_base64(payload, newline=False), signed)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _no_float(text: str) -> NoReturn:
    raise ValueError(f"the number {text[:20]} is not a whole one; measured numbers are written as text")


_DECODER: Any = json.JSONDecoder(object_pairs_hook=_once, parse_float=_no_float, parse_constant=_no_float)
_SCAN = _DECODER.scan_once

"""The envelope against DSSE's published vector, openssl, and a table of lines that must be refused."""

from __future__ import annotations

import base64
import json
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from hypothesis import given
from hypothesis import strategies as st

from eolseq.errors import NotGenuine
from eolseq.records.envelope import (
    ENTRY_TYPE,
    LONGEST_LINE,
    open_entry,
    pae,
    read_payload,
    seal,
    seal_entry,
    take_apart,
)
from eolseq.records.keys import SigningKey, key_id

# RFC 8032 section 7.1, TEST 1.
SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
KEY = SigningKey.from_seed(SEED)
OTHER = SigningKey.from_seed(bytes(32))
KEYS = {KEY.keyid: KEY.verifier()}
PAYLOAD = '{"v":1,"serial":"DH6-00000001","note":"Prüfung"}'.encode()
LINE = seal(PAYLOAD, KEY)

# https://github.com/secure-systems-lab/dsse at eebf7b59b17a06efd2d8a531fc30d1d193520adb, protocol.md, Apache-2.0.
HELLO_TYPE, HELLO = "http://example.com/HelloWorld", b"hello world"
HELLO_PAE = b"DSSEv1 29 http://example.com/HelloWorld 11 hello world"
HELLO_SIGNATURE = "A3JqsQGtVsJ2O2xqrI5IcnXip5GToJ3F+FnZ+O88SjtR6rDAajabZKciJTfUiHqJPcIAriEGAHTVeCUjW2JIZA=="
HELLO_X = 46950820868899156662930047687818585632848591499744589407958293238635476079160
HELLO_Y = 5640078356564379163099075877009565129882514886557779369047442380624545832820


def test_pae_is_the_published_one_and_carries_its_signature() -> None:
    assert pae(HELLO_TYPE, HELLO) == HELLO_PAE
    public = ec.EllipticCurvePublicNumbers(HELLO_X, HELLO_Y, ec.SECP256R1()).public_key()
    raw = base64.b64decode(HELLO_SIGNATURE)
    signature = utils.encode_dss_signature(int.from_bytes(raw[:32]), int.from_bytes(raw[32:]))
    assert public.verify(signature, pae(HELLO_TYPE, HELLO), ec.ECDSA(hashes.SHA256())) is None


def test_ed25519_over_the_same_pae() -> None:
    # RFC 8032 TEST 1 key; the value was computed by two independent implementations.
    expected = "4DHX3Zn4qpBKvEj7maE8O9u9bjXEnPLLnyXVUJ2PXJR8DSLcL3QDpFvfJOj3pB/SPHsl6Jg4boxsMb6KvuYABw=="
    assert base64.b64encode(take_apart(seal(HELLO, KEY, payload_type=HELLO_TYPE)).signatures[0].value).decode() == expected


@pytest.mark.parametrize(("kind", "body", "expected"), [
    ("http://example.com/é", b"", b"DSSEv1 21 http://example.com/\xc3\xa9 0 "),  # lengths count bytes
    ("", b"", b"DSSEv1 0  0 "),
])
def test_pae_edges(kind: str, body: bytes, expected: bytes) -> None:
    assert pae(kind, body) == expected


def test_the_line_is_as_the_format_says() -> None:
    sig = base64.b64encode(KEY.sign(pae(ENTRY_TYPE, PAYLOAD))).decode()
    assert LINE.decode() == (
        '{"payloadType":"application/vnd.eolseq.entry.v1+json","payload":"' + base64.b64encode(PAYLOAD).decode()
        + '","signatures":[{"keyid":"' + key_id(KEY.public) + '","sig":"' + sig + '"}]}')
    assert json.loads(LINE)["payloadType"] == "application/vnd.eolseq.entry.v1+json"
    assert open_entry(LINE, KEYS) == {"v": 1, "serial": "DH6-00000001", "note": "Prüfung"}


def test_openssl_verifies_a_line(tmp_path: Path) -> None:
    envelope = json.loads(LINE)
    payload, kind = base64.b64decode(envelope["payload"]), envelope["payloadType"]
    (tmp_path / "message").write_bytes(b"DSSEv1 " + str(len(kind)).encode() + b" " + kind.encode() + b" "
                                       + str(len(payload)).encode() + b" " + payload)
    (tmp_path / "sig").write_bytes(base64.b64decode(envelope["signatures"][0]["sig"]))
    (tmp_path / "key.pem").write_bytes(Ed25519PublicKey.from_public_bytes(KEY.public).public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo))
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "key.pem", "-rawin", "-in", "message", "-sigfile", "sig"]
    good = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (good.returncode, good.stdout.strip()) == (0, "Signature Verified Successfully")
    (tmp_path / "message").write_bytes(b"another")
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 1


def with_payload(payload: bytes) -> bytes:
    return seal(payload, KEY)


BASE64_TAIL = base64.b64encode(b'{"v":1}')  # eyJ2IjoxfQ==
BAD_LINES = {
    "empty": (b"", "not an envelope"),
    "not JSON": (b"hello", "not an envelope"),
    "a space": (LINE.replace(b'","payload"', b'", "payload"'), "not an envelope"),
    "carriage return": (LINE + b"\r", "not an envelope"),
    "newline inside": (LINE + b"\n", "not an envelope"),
    "keys in another order": (json.dumps(dict(reversed(json.loads(LINE).items())), separators=(",", ":")).encode(),
                              "not an envelope"),
    "one key more": (LINE[:-1] + b',"more":1}', "not an envelope"),
    "no signature": (LINE[:LINE.index(b"[") + 1] + b"]}", "not an envelope"),
    "padding left out": (seal(b'{"v":1}', KEY).replace(b"fQ==", b"fQ"), "broken base64"),
    "base64 not canonical": (seal(b'{"v":1}', KEY).replace(b"fQ==", b"fR=="), "canonical"),
    "signature not canonical": (LINE[:-7] + bytes([LINE[-7] + 1]) + LINE[-6:], "canonical"),
    "url-safe base64": (LINE.replace(b'"payload":"eyJ', b'"payload":"ey-'), "not an envelope"),
    "upper-case keyid": (LINE.replace(KEY.keyid.encode(), KEY.keyid.upper().encode()), "not an envelope"),
    "other type": (seal(PAYLOAD, KEY, payload_type="application/vnd.eolseq.approval.v1+json"), "other than a log entry"),
    "two signatures": (seal(PAYLOAD, KEY, OTHER), "exactly one"),
    "unknown key": (seal(PAYLOAD, OTHER), "does not know"),
    "another key's name": (seal(PAYLOAD, OTHER).replace(OTHER.keyid.encode(), KEY.keyid.encode()), "does not fit"),
    "another line's signature": (LINE[:LINE.index(b'"sig"')] + seal(b"{}", KEY)[seal(b"{}", KEY).index(b'"sig"'):],
                                 "does not fit"),
    "over-long": (seal(b'{"a":"' + b"x" * LONGEST_LINE + b'"}', KEY), "longer than"),
    "a float": (with_payload(b'{"value":1.5}'), "not a whole one"),
    "an exponent": (with_payload(b'{"value":1e3}'), "not a whole one"),
    "not a number": (with_payload(b'{"value":NaN}'), "not a whole one"),
    "infinity": (with_payload(b'{"value":-Infinity}'), "not a whole one"),
    "repeated key": (with_payload(b'{"a":1,"a":2}'), "stands twice"),
    "repeated key inside": (with_payload(b'{"a":[{"b":1,"b":1}]}'), "stands twice"),
    "list": (with_payload(b"[1]"), "not a JSON object"),
    "text after": (with_payload(b"{} {}"), "not JSON"),
    "broken UTF-8": (with_payload(b'{"a":"\xff"}'), "not JSON"),
    "half a surrogate pair": (with_payload(b'{"a":"\\ud800"}'), "not JSON"),
    "byte order mark": (with_payload(b"\xef\xbb\xbf{}"), "not JSON"),
    "control character": (with_payload(b'{"a":"\x01"}'), "not JSON"),
    "nested too deep": (with_payload(b'{"a":' + b"[" * 20_000 + b"]" * 20_000 + b"}"), "not JSON"),
    "huge number": (with_payload(b'{"a":' + b"9" * 30_000 + b"}"), "not JSON"),
}


@pytest.mark.parametrize("name", BAD_LINES)
def test_bad_lines_are_refused_and_the_reason_is_said(name: str) -> None:
    line, reason = BAD_LINES[name]
    with pytest.raises(NotGenuine, match=reason):
        open_entry(line, KEYS)


@given(st.binary(max_size=300))
def test_no_bytes_at_all_make_more_than_a_refusal(data: bytes) -> None:
    with pytest.raises(NotGenuine):
        open_entry(data, KEYS)


@given(st.integers(0, len(LINE) - 1), st.integers(1, 255))
def test_any_changed_byte_is_refused(place: int, change: int) -> None:
    changed = LINE[:place] + bytes([LINE[place] ^ change]) + LINE[place + 1:]
    with pytest.raises(NotGenuine):
        open_entry(changed, KEYS)


texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
values = st.recursive(st.none() | st.integers(-10**12, 10**12) | texts | st.booleans(),
                      lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4), max_leaves=8)


@given(st.dictionaries(texts, values, max_size=5))
def test_what_is_sealed_comes_back(payload: dict[str, object]) -> None:
    for ascii_only in (True, False):
        data = json.dumps(payload, ensure_ascii=ascii_only).encode()
        assert open_entry(seal(data, KEY), KEYS) == read_payload(data) == payload
        assert seal_entry(data, KEY) == seal(data, KEY)

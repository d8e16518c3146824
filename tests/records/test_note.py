"""Signed notes and checkpoints against the published vectors, and a table of what must be refused."""

from __future__ import annotations

from base64 import b64decode

import pytest

from eolseq.errors import NotGenuine
from eolseq.records.checkpoint import Checkpoint, open_checkpoint, read_body, sign_checkpoint
from eolseq.records.keys import SigningKey
from eolseq.records.note import NoteSigner, NoteVerifier, open_note, read_signer, read_verifier, sign_note

# https://github.com/C2SP/C2SP at 5ba5ee830903e91240fc6f9f3a7a9293d49e69c9, signed-note.md, CC BY 4.0.
FOO = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
FOO_NOTE = """This is an example message.

— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=
"""
# golang.org/x/mod at fe2ec04f7c3c3aa6fad97631aafcff6e49e2d1db, sumdb/note/note_test.go, BSD-3.
SKEY = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
VKEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
ENOCH = "EnochRoot+af0cfe78+ATtqJ7zOtqQtYqOo0CpvDXNlMhV3HeJDpjrASKGLWdop"
TEXT = """If you think cryptography is the answer to your problem,
then you don't know what your problem is.
"""
PETER_LINE = ("— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJ"
              "nAM=\n")
ENOCH_LINE = ("— EnochRoot rwz+eBzmZa0SO3NbfRGzPCpDckykFXSdeX+MNtCOXm2/5n2tiOHp+vAF1aGrQ5ovTG01oOTGwnWLox33WWd1RvMc+Q"
              "Q=\n")
NOTE = TEXT + "\n" + PETER_LINE


def test_the_specifications_example_verifies() -> None:
    assert open_note(FOO_NOTE.encode(), [read_verifier(FOO)]) == ("This is an example message.\n", ["example.com/foo"])


def test_signing_gives_the_published_line() -> None:
    assert sign_note(TEXT, read_signer(SKEY)).decode() == NOTE
    assert read_verifier(VKEY).text() == VKEY


def test_two_signatures_and_unknown_ones() -> None:
    note = (NOTE + ENOCH_LINE).encode()
    assert open_note(note, [read_verifier(VKEY), read_verifier(ENOCH)]) == (TEXT, ["PeterNeumann", "EnochRoot"])
    assert open_note(note, [read_verifier(ENOCH)]) == (TEXT, ["EnochRoot"])
    with pytest.raises(NotGenuine, match="no signature by a known key"):
        open_note(note, [read_verifier(FOO)])


# The refusals of the same note_test.go, named.
BAD_NOTES = {
    "text alone": TEXT.encode(),
    "text and a blank line": (TEXT + "\n").encode(),
    "final newline missing": NOTE[:-1].encode(),
    "control character": b"\x01" + NOTE.encode(),
    "invalid UTF-8": b"\xff" + NOTE.encode(),
    "name with a space": (TEXT + "\n" + PETER_LINE.replace("PeterNeumann", "Peter Neumann")).encode(),
    "line after the signatures": (NOTE + "and more\n").encode(),
    "101 signatures": (TEXT + "\n" + PETER_LINE * 101).encode(),
    "ABCD put in at 60": (TEXT + "\n" + PETER_LINE[:60] + "ABCD" + PETER_LINE[60:]).encode(),
    "base64 not canonical": NOTE.replace("nAM=", "nAN=").encode(),
    "other text": NOTE.replace("answer", "Answer").encode(),
    "empty": b"",
}


@pytest.mark.parametrize("name", BAD_NOTES)
def test_bad_notes_are_refused(name: str) -> None:
    with pytest.raises(NotGenuine):
        open_note(BAD_NOTES[name], [read_verifier(VKEY)])


def test_a_hundred_signatures_are_allowed() -> None:
    assert open_note((TEXT + "\n" + PETER_LINE * 100).encode(), [read_verifier(VKEY)]) == (TEXT, ["PeterNeumann"])


def test_every_changed_or_cut_verifier_key_is_refused() -> None:
    changed = [VKEY[:n] + chr(ord(VKEY[n]) + 1) + VKEY[n + 1:] for n in range(len(VKEY))]
    cut = {VKEY[a:b] for a in range(len(VKEY)) for b in range(a, len(VKEY) + 1)} - {VKEY}
    adjusted = ["PeterNeumann+cc469956+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TWBADKEY==",
                "PeterNeumann+173116ae+ZRpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"]
    for text in [*changed, *cut, *adjusted]:
        with pytest.raises(NotGenuine):
            read_verifier(text)
    assert len(changed) == 66 and len(cut) > 2_000


@pytest.mark.parametrize("text", ["", SKEY[:-1], SKEY.replace("c74f20a3", "c74f20a4"), SKEY.replace("PRIVATE", "PUBLIC"),
                                  SKEY.replace("+AYEK", "+BYEK")])
def test_bad_signer_keys_are_refused(text: str) -> None:
    with pytest.raises(NotGenuine):
        read_signer(text)


@pytest.mark.parametrize(("text", "name"), [("no newline", "a"), ("bad\x02\n", "a"), ("good\n", "a b"), ("good\n", "a+b"),
                                            ("good\n", ""), ("good\n", "a\u2003b")])
def test_what_could_not_be_read_back_is_not_signed(text: str, name: str) -> None:
    with pytest.raises(NotGenuine):
        sign_note(text, NoteSigner(name, SigningKey.from_seed(bytes(32))))


# https://github.com/FiloSottile/sunlight at ed0bc38779aeb73c99cee6ab0c294a6ce9a2d9ba,
# internal/witness/witness_test.go: size, root, signature line's base64.
WITNESS = "sigsum.org/v1/tree/4d6d8825a6bb689d459628312889dfbb0bcd41b5211d9e1ce768b0ff0309e562"
WITNESS_KEY = WITNESS + "+5202289b+Af/cLU2Y5BJNP+r3iMDC+av9eWCD0fBJVDfzAux5zxAP"
CHECKPOINTS = [
    (1, "KgAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=",
     "UgIom7fPZTqpxWWhyjWduBvTvGVqsokMbqTArsQilegKoFBJQjUFAmQ0+YeSPM3wfUQMFSzVnnNuWRTYrajXpNUbIQY="),
    (3, "RcCI1Nk56ZcSmIEfIn0SleqtV7uvrlXNccFx595Iwl0=",
     "UgIom2VbtIcdFbwFAy1n7s6IkAxIY6J/GQOTuZF2ORV39d75cbAj2aQYwyJre36kezNobZs4SUUdrcawfAB8WVrx6go="),
    (5, "QrtXrQZCCvpIgsSmOsah7HdICzMLLyDfxToMql9WTjY=",
     "UgIomw/EOJmWi0i1FQsOj+etB7F8IccFam/jgd6wzRns4QPVmyEZtdvl1U2KEmLOZ/ASRcWJi0tW90dJWAShei7sDww="),
]


def note_of(size: object, root: str, signature: str, origin: str = WITNESS) -> bytes:
    return f"{origin}\n{size}\n{root}\n\n— {origin} {signature}\n".encode()


@pytest.mark.parametrize(("size", "root", "signature"), CHECKPOINTS)
def test_published_checkpoints_verify(size: int, root: str, signature: str) -> None:
    found = open_checkpoint(note_of(size, root, signature), read_verifier(WITNESS_KEY))
    assert found == Checkpoint(WITNESS, size, b64decode(root))


def test_published_refusals_of_checkpoints() -> None:
    size, root, signature = CHECKPOINTS[1]
    bad = [note_of(size, root, signature.replace("6go=", "6gx=")), note_of(size, root, signature, WITNESS[:-1] + "3"),
           note_of(size + 1, root, signature), note_of("five", root, signature)]
    for note in bad:
        with pytest.raises(NotGenuine):
            open_checkpoint(note, read_verifier(WITNESS_KEY))


ROOT = "KgAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="
# The last two: golang.org/x/mod, same commit, sumdb/tlog/note_test.go.
BAD_BODIES = {
    "no root": "o\n1\n", "empty origin": f"\n1\n{ROOT}\n", "leading zero": f"o\n01\n{ROOT}\n", "sign": f"o\n+1\n{ROOT}\n",
    "no final newline": f"o\n1\n{ROOT}", "empty extension line": f"o\n1\n{ROOT}\n\n", "root too short": "o\n1\nKgAA\n",
    "root not canonical": f"o\n1\n{ROOT[:-2]}B=\n", "other digits": f"o\n\u0661\n{ROOT}\n",
    "hexadecimal size": f"o\n0xabcdef\n{ROOT}\n", "over-long hash": f"o\n1\n{ROOT[:-1]}AAAA=\n",
}


@pytest.mark.parametrize("name", BAD_BODIES)
def test_bad_checkpoint_bodies_are_refused(name: str) -> None:
    with pytest.raises(NotGenuine):
        read_body(BAD_BODIES[name])


def test_a_checkpoint_comes_back_as_it_was_and_may_carry_extensions() -> None:
    key = SigningKey.from_seed(bytes(32))
    checkpoint = Checkpoint("plant.example/bench/" + key.keyid, 12, bytes(range(32)))
    verifier = NoteVerifier(checkpoint.origin, key.verifier())
    assert open_checkpoint(sign_checkpoint(checkpoint, key), verifier) == checkpoint
    assert read_body(checkpoint.body() + "more\n") == checkpoint

"""More published vectors: keys in JOSE, checkpoints and what a witness makes of them, and probes of proof verifiers."""

from __future__ import annotations

import hashlib
import json
from base64 import b64decode, b64encode, urlsafe_b64decode, urlsafe_b64encode
from collections import Counter
from collections.abc import Iterator

import pytest

from eolseq.errors import NotGenuine
from eolseq.records.checkpoint import open_checkpoint, read_body
from eolseq.records.keys import SigningKey
from eolseq.records.merkle import (
    EMPTY_ROOT,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    root_of,
    verify_consistency,
    verify_inclusion,
)
from eolseq.records.note import read_verifier

# -- RFC 8037 appendix A: Ed25519 in JOSE; the key is RFC 8032 TEST 1 -------------------------------------------------

SECRET = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"
PUBLIC = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
SIGNING_INPUT = b"eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
SIGNATURE = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
# RFC 9864 renames the algorithm; this one was computed with another implementation, joserfc 1.8.0.
RENAMED = ("eyJhbGciOiJFZDI1NTE5In0.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc."
           "UxhIYLHGg39NVCLpQAVD_UcfOmnGSCzLFZoXYkLiIbFccmOb_qObsgjzLKsfJw-4NlccUgvYrEHrRbNV0HcZAQ")


def url64(data: bytes) -> str:
    return urlsafe_b64encode(data).decode().rstrip("=")


def unurl64(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def test_rfc_8037() -> None:
    key = SigningKey.from_seed(unurl64(SECRET))
    assert url64(key.public) == PUBLIC
    assert url64(key.sign(SIGNING_INPUT)) == SIGNATURE
    assert key.verifier().verify(unurl64(SIGNATURE), SIGNING_INPUT)
    jwk = json.dumps({"crv": "Ed25519", "kty": "OKP", "x": PUBLIC}, separators=(",", ":")).encode()
    assert url64(hashlib.sha256(jwk).digest()) == THUMBPRINT
    message, _, signature = RENAMED.rpartition(".")
    assert url64(key.sign(message.encode())) == signature


# -- C2SP checkpoint and witness --------------------------------------------------------------------------------------
# https://github.com/FiloSottile/sunlight at ed0bc38779aeb73c99cee6ab0c294a6ce9a2d9ba, internal/witness/witness_test.go

ORIGIN = "sigsum.org/v1/tree/4d6d8825a6bb689d459628312889dfbb0bcd41b5211d9e1ce768b0ff0309e562"
VKEY = f"{ORIGIN}+5202289b+Af/cLU2Y5BJNP+r3iMDC+av9eWCD0fBJVDfzAux5zxAP"
HEADS = {
    1: ("KgAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=",
        "UgIom7fPZTqpxWWhyjWduBvTvGVqsokMbqTArsQilegKoFBJQjUFAmQ0+YeSPM3wfUQMFSzVnnNuWRTYrajXpNUbIQY="),
    3: ("RcCI1Nk56ZcSmIEfIn0SleqtV7uvrlXNccFx595Iwl0=",
        "UgIom2VbtIcdFbwFAy1n7s6IkAxIY6J/GQOTuZF2ORV39d75cbAj2aQYwyJre36kezNobZs4SUUdrcawfAB8WVrx6go="),
    5: ("QrtXrQZCCvpIgsSmOsah7HdICzMLLyDfxToMql9WTjY=",
        "UgIomw/EOJmWi0i1FQsOj+etB7F8IccFam/jgd6wzRns4QPVmyEZtdvl1U2KEmLOZ/ASRcWJi0tW90dJWAShei7sDww="),
}
BAD = "UgIom2VbtIcdFbwFAy1n7s6IkAxIY6J/GQOTuZF2ORV39d75cbAj2aQYwyJre36kezNobZs4SUUdrcawfAB8WVrx6gx="
FROM_1 = ["KgEAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=", "KgIAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="]
FROM_3 = ["KgIAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=", "KgMAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=",
          "wgiIFdZfYNv6WU1OllBKsWnLYIS/DBMqt8Uh/S4OukE=", "KgQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="]
WRONG = [FROM_1[0], "KgIAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAABAA="]


def note(size: int | str, root: str, signature: str, origin: str = ORIGIN) -> bytes:
    signed = f"— {origin} {signature}\n" if signature else ""
    return f"{origin}\n{size}\n{root}\n\n{signed}".encode()


class Witness:
    """The rules of C2SP tlog-witness, on our own functions: 200 when it would cosign, else the published code."""

    def __init__(self) -> None:
        self.size, self.root = 0, EMPTY_ROOT

    def asked(self, old: int, text: bytes, proof: list[str]) -> int:
        if not text.startswith(f"{ORIGIN}\n".encode()):
            return 404
        if b"\xe2\x80\x94 " not in text:
            return 400
        try:
            read_body(text.decode().partition("\n\n")[0] + "\n")
        except NotGenuine:
            return 400
        try:
            head = open_checkpoint(text, read_verifier(VKEY))
        except NotGenuine:
            return 403
        if old != self.size:
            return 409
        if not verify_consistency(old, head.size, [b64decode(each) for each in proof], self.root, head.root):
            return 422
        self.size, self.root = head.size, head.root
        return 200


def test_checkpoints_are_believed_and_refused_as_published() -> None:
    witness = Witness()
    three, five = note(3, *HEADS[3]), note(5, *HEADS[5])
    story = [
        (0, note(1, *HEADS[1]), [], 200), (1, note(3, HEADS[3][0], BAD), FROM_1, 403),
        (1, note(3, *HEADS[3], origin=ORIGIN[:-1] + "3"), FROM_1, 404), (1, three, [], 422), (1, three, WRONG, 422),
        (1, three, FROM_1, 200), (1, five, FROM_3, 409), (3, five, FROM_3, 200), (0, five, [], 409),
        (5, note(5, HEADS[5][0], ""), [], 400), (5, note("five", *HEADS[5]), [], 400)]
    assert [witness.asked(old, text, proof) for old, text, proof, _ in story] == [code for *_, code in story]
    assert (witness.size, len(story)) == (5, 11)


# golang.org/x/mod at fe2ec04f7c3c3aa6fad97631aafcff6e49e2d1db, sumdb/tlog/note_test.go: a record's hash; sizes that are
# not plain decimal and hashes that are too long are refused.
def test_a_tree_head_is_plainly_written() -> None:
    assert b64encode(leaf_hash(b"hello world")).decode() == "TszzRgjTG6xce+z2AG31kAXYKBgQVtCSCE40HmuwBb0="
    root = HEADS[1][0]
    assert read_body(f"x\n1\n{root}\n").size == 1
    for size, text in (("0xabcdef", root), ("01", root), ("+1", root), ("1 ", root), ("-1", root), ("", root), ("1" * 20, root),
                       ("1", b64encode(bytes(33)).decode()), ("1", b64encode(bytes(31)).decode()), ("1", root[:-1]),
                       ("1", root + "A")):
        with pytest.raises(NotGenuine):
            read_body(f"x\n{size}\n{text}\n")


# -- probes of proof verifiers ----------------------------------------------------------------------------------------
# The kinds of changes are those that https://github.com/transparency-dev/merkle at
# 417fb0c314750d94e53942e9f92e79b6d35915db names its files in testdata/inclusion and testdata/consistency by; here they
# are made anew, over every proof of that source's tree of eight leaves.

LEAVES = [leaf_hash(bytes.fromhex(text)) for text in (
    "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")]
OTHER = hashlib.sha256(b"other").digest()

INCLUSION_PROBES, CONSISTENCY_PROBES = 697, 651

Probe = tuple[str, int, int, list[bytes], bytes, bytes]


def changed_proofs(proof: list[bytes], ends: tuple[bytes, bytes]) -> Iterator[tuple[str, list[bytes]]]:
    """The proof changed in each of the named ways; ``ends`` are the two hashes that it joins."""
    for number, each in enumerate(proof):
        yield f"modified-proof[{number}]-bit-4", [*proof[:number], bytes([each[0] ^ 16]) + each[1:], *proof[number + 1:]]
    yield "trailing-garbage", [*proof, b""]
    yield "preceding-garbage", [b"", *proof]
    for name, end in zip(("root1", "root2"), ends, strict=True):
        yield f"trailing-{name}", [*proof, end]
        yield f"preceding-{name}", [end, *proof]
    if proof:
        yield "truncated-proof", proof[:-1]
        yield "empty-proof", []
        yield "preceding-proof[0]", [proof[0], *proof]


def inclusion_probes(index: int, size: int) -> Iterator[Probe]:
    proof, root = inclusion_proof(LEAVES[:size], index), root_of(LEAVES[:size])
    leaf = LEAVES[index]
    for name, changed in changed_proofs(proof, (leaf, root)):
        yield name, index, size, changed, leaf, root
    for name, at, count in (("index-1", index - 1, size), ("index+1", index + 1, size), ("index^2", index ^ 2, size),
                            ("size*2", index, size * 2), ("size/2", index, size // 2)):
        yield name, at, count, proof, leaf, root
    yield "wrong-leaf", index, size, proof, OTHER, root
    yield "wrong-root", index, size, proof, leaf, OTHER
    yield "empty-root", index, size, proof, leaf, b""


def consistency_probes(size1: int, size2: int) -> Iterator[Probe]:
    proof = consistency_proof(LEAVES[:size2], size1)
    root1, root2 = root_of(LEAVES[:size1]), root_of(LEAVES[:size2])
    for name, changed in changed_proofs(proof, (root1, root2)):
        yield name, size1, size2, changed, root1, root2
    for name, one, other in (("size1-1", size1 - 1, size2), ("size1+1", size1 + 1, size2), ("size1^2", size1 ^ 2, size2),
                             ("size2*2", size1, size2 * 2), ("size2/2", size1, size2 // 2)):
        yield name, one, other, proof, root1, root2
    yield "wrong-root1", size1, size2, proof, OTHER, root2
    yield "wrong-root2", size1, size2, proof, root1, OTHER
    if root1 != root2:
        yield "swapped-roots", size1, size2, proof, root2, root1


def test_probes_of_inclusion_are_refused_and_what_they_were_made_of_is_not() -> None:
    kinds: Counter[str] = Counter()
    for size in range(1, 9):
        for index in range(size):
            proof = inclusion_proof(LEAVES[:size], index)
            assert verify_inclusion(LEAVES[index], index, size, proof, root_of(LEAVES[:size]))
            for name, at, count, changed, leaf, root in inclusion_probes(index, size):
                assert not verify_inclusion(leaf, at, count, changed, root), (name, index, size)
                kinds[name] += 1
    assert (sum(kinds.values()), len(kinds)) == (INCLUSION_PROBES, 20)


def test_probes_of_consistency_are_refused_and_what_they_were_made_of_is_not() -> None:
    kinds: Counter[str] = Counter()
    for size2 in range(1, 9):
        for size1 in range(1, size2 + 1):
            proof = consistency_proof(LEAVES[:size2], size1)
            assert verify_consistency(size1, size2, proof, root_of(LEAVES[:size1]), root_of(LEAVES[:size2]))
            for name, one, other, changed, root1, root2 in consistency_probes(size1, size2):
                assert not verify_consistency(one, other, changed, root1, root2), (name, size1, size2)
                kinds[name] += 1
    assert (sum(kinds.values()), len(kinds)) == (CONSISTENCY_PROBES, 21)

"""The Merkle tree against the published vectors, against its own definition, and against every small tree."""

from __future__ import annotations

import hashlib
from base64 import b64decode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.records.merkle import (
    EMPTY_ROOT,
    CompactRange,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    node_hash,
    root_of,
    verify_consistency,
    verify_inclusion,
)

# https://github.com/transparency-dev/merkle at 417fb0c314750d94e53942e9f92e79b6d35915db, Apache-2.0:
# rfc6962/rfc6962_test.go and testonly/constants.go. Leaf, its hash, the root once it is in.
LEAVES = [
    ("",
     "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
     "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"),
    ("00",
     "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
     "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"),
    ("10",
     "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
     "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77"),
    ("2021",
     "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
     "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"),
    ("3031",
     "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
     "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4"),
    ("40414243",
     "4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658",
     "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef"),
    ("5051525354555657",
     "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
     "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c"),
    ("606162636465666768696a6b6c6d6e6f",
     "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
     "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"),
]
# Same source: inclusion/1/happy-path.json is index 0 and consistency/1/happy-path.json is size 1; the others were
# computed and verified by two implementations.
INCLUSION = {
    0: ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"],
    5: ["bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"],
    7: ["b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"],
}
CONSISTENCY = {
    1: ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"],
    2: ["5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"],
    3: ["0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
        "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
        "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"],
    4: ["6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"],
    6: ["0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"],
    7: ["b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
        "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"],
}
HASHES = [bytes.fromhex(row[1]) for row in LEAVES]
ROOTS = [EMPTY_ROOT, *(bytes.fromhex(row[2]) for row in LEAVES)]


def unhex(values: list[str]) -> list[bytes]:
    return [bytes.fromhex(value) for value in values]


def definition(leaves: list[bytes]) -> bytes:
    """MTH of RFC 6962 section 2.1, over leaf hashes, word for word."""
    if not leaves:
        return hashlib.sha256().digest()
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return hashlib.sha256(b"\x01" + definition(leaves[:k]) + definition(leaves[k:])).digest()


def test_single_hashes() -> None:
    assert EMPTY_ROOT.hex() == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert leaf_hash(b"").hex() == "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
    assert leaf_hash(b"L123456").hex() == "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    assert node_hash(b"N123", b"N456").hex() == "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"


def test_published_leaves_and_roots() -> None:
    tree = CompactRange()
    assert tree.root() == EMPTY_ROOT
    for data, expected, root in LEAVES:
        assert leaf_hash(bytes.fromhex(data)).hex() == expected
        tree.append(bytes.fromhex(expected))
        assert tree.root().hex() == root


@pytest.mark.parametrize("index", INCLUSION)
def test_published_inclusion_proofs(index: int) -> None:
    proof = unhex(INCLUSION[index])
    assert inclusion_proof(HASHES, index) == proof
    assert verify_inclusion(HASHES[index], index, 8, proof, ROOTS[8])


@pytest.mark.parametrize("size", CONSISTENCY)
def test_published_consistency_proofs(size: int) -> None:
    proof = unhex(CONSISTENCY[size])
    assert consistency_proof(HASHES, size) == proof
    assert verify_consistency(size, 8, proof, ROOTS[size], ROOTS[8])


# Same source, testdata/consistency/additional/size1-is-zero-and-size2-is-not-zero.json and
# sizes-are-equal-zero-and-proof-is-empty.json: "roots" of 12 bytes. We refuse any root that is not 32 bytes.
@pytest.mark.parametrize(("size1", "size2", "root1", "root2"), [
    (0, 1, "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=", "ZG9uJ3QgY2FyZSAy"),
    (0, 0, "ZG9uJ3QgY2FyZSAx", "ZG9uJ3QgY2FyZSAx"),
])
def test_roots_of_a_wrong_length_are_refused(size1: int, size2: int, root1: str, root2: str) -> None:
    assert not verify_consistency(size1, size2, [], b64decode(root1), b64decode(root2))


def test_roots_are_as_defined_for_every_small_tree() -> None:
    leaves = [leaf_hash(bytes([n])) for n in range(70)]
    for size in range(71):
        assert root_of(leaves[:size]) == definition(leaves[:size])


def test_every_proof_of_every_small_tree_holds_and_no_changed_one_does() -> None:
    leaves = [leaf_hash(bytes([n])) for n in range(18)]
    held = refused = 0
    for size in range(1, 19):
        root = definition(leaves[:size])
        for index in range(size):
            proof = inclusion_proof(leaves[:size], index)
            held += verify_inclusion(leaves[index], index, size, proof, root)
            wrong = [verify_inclusion(leaves[index], other, size, proof, root) for other in range(size) if other != index]
            wrong += [verify_inclusion(leaves[index], index, size, changed, root) for changed in spoilt(proof)]
            refused += len(wrong)
            assert not any(wrong)
        for earlier in range(1, size + 1):
            old, proof = definition(leaves[:earlier]), consistency_proof(leaves[:size], earlier)
            held += verify_consistency(earlier, size, proof, old, root)
            wrong = [verify_consistency(earlier, size, changed, old, root) for changed in spoilt(proof)]
            wrong.append(verify_consistency(earlier, size, proof, root, old) if old != root else False)
            refused += len(wrong)
            assert not any(wrong)
    assert held == 2 * (18 * 19 // 2)
    assert refused > 3_000


def spoilt(proof: list[bytes]) -> list[list[bytes]]:
    """The proof with one hash changed, left out, doubled, cut short, or one added."""
    changed = [[*proof[:n], bytes([each[0] ^ 1]) + each[1:], *proof[n + 1:]] for n, each in enumerate(proof)]
    without = [[*proof[:n], *proof[n + 1:]] for n in range(len(proof))]
    short = [[*proof[:n], each[:31], *proof[n + 1:]] for n, each in enumerate(proof)]
    return [*changed, *without, *short, [*proof, bytes(32)], [bytes(32), *proof]]


@given(st.lists(st.binary(max_size=8), min_size=1, max_size=40), st.data())
def test_a_tree_that_grows_keeps_its_past(lines: list[bytes], data: st.DataObject) -> None:
    leaves = [leaf_hash(line) for line in lines]
    earlier = data.draw(st.integers(1, len(leaves)))
    proof = consistency_proof(leaves, earlier)
    assert verify_consistency(earlier, len(leaves), proof, definition(leaves[:earlier]), definition(leaves))


def test_impossible_proofs_are_not_made() -> None:
    for index in (-1, 3):
        with pytest.raises(ValueError, match="tree of 3"):
            inclusion_proof(HASHES[:3], index)
    for size in (0, 4):
        with pytest.raises(ValueError, match="tree of 3"):
            consistency_proof(HASHES[:3], size)


def test_many_leaves_at_once_make_the_same_tree() -> None:
    leaves = [leaf_hash(b"%d" % number) for number in range(70)]
    cases = 0
    for first in range(34):
        for many in range(37):
            tree = CompactRange()
            tree.extend(leaves[:first])
            tree.extend(leaves[first:first + many])
            tree.append(leaves[-1])
            assert (tree.size, tree.root()) == (first + many + 1, root_of([*leaves[:first + many], leaves[-1]]))
            cases += 1
    assert cases == 34 * 37

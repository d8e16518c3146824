"""The Merkle tree of RFC 6962: hashes, a compact range for roots, and proofs.

A log's root is one 32-byte number that changes with every bit of every line. Each entry carries the root over all
lines before it, so every record is a signed statement about its whole past.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from hashlib import sha256

HASH_BYTES = 32
EMPTY_ROOT = sha256(b"").digest()


def leaf_hash(line: bytes) -> bytes:
    """The hash of one leaf: SHA-256 over a zero byte and the line without its newline."""
    return sha256(b"\x00" + line).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of an inner node: SHA-256 over a one byte and its two children."""
    return sha256(b"\x01" + left + right).digest()


class CompactRange:
    """The roots of the full subtrees of a growing tree: at most 64 hashes, enough to append and to know the root."""

    __slots__ = ("_hashes", "size")

    def __init__(self) -> None:
        self.size = 0
        self._hashes: list[bytes] = []

    def copy(self) -> CompactRange:
        """The same tree, to grow on its own."""
        found = CompactRange()
        found.size, found._hashes = self.size, self._hashes.copy()
        return found

    def append(self, leaf: bytes) -> None:
        """Add one leaf, given by its leaf hash."""
        hashes, size = self._hashes, self.size
        while size & 1:
            leaf = sha256(b"\x01" + hashes.pop() + leaf).digest()
            size >>= 1
        hashes.append(leaf)
        self.size += 1

    def extend(self, leaves: Sequence[bytes]) -> None:
        """Add many leaves, given by their leaf hashes: the same tree as one by one, but whole subtrees at a time."""
        done = 0
        while done < len(leaves):
            most = (len(leaves) - done).bit_length() - 1
            height = min(most, (self.size & -self.size).bit_length() - 1) if self.size else most
            level = leaves[done:done + (1 << height)]
            for _ in range(height):
                level = [sha256(b"\x01" + left + right).digest()
                         for left, right in zip(level[::2], level[1::2], strict=True)]
            self._add(level[0], height)
            done += 1 << height

    def _add(self, node: bytes, height: int) -> None:
        """Add the root of a full subtree of so many levels, where the tree's size allows one."""
        above = self.size >> height
        while above & 1:
            node = node_hash(self._hashes.pop(), node)
            above >>= 1
        self._hashes.append(node)
        self.size += 1 << height

    def root(self) -> bytes:
        """The root of the tree as it stands; of an empty tree, the hash of nothing."""
        if not self._hashes:
            return EMPTY_ROOT
        root = self._hashes[-1]
        for left in self._hashes[-2::-1]:
            root = sha256(b"\x01" + left + root).digest()
        return root


def root_of(leaves: Iterable[bytes]) -> bytes:
    """The root over a list of leaf hashes."""
    tree = CompactRange()
    for leaf in leaves:
        tree.append(leaf)
    return tree.root()


def inclusion_proof(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The hashes that lead from one leaf hash to the root, the leaf's own sibling first (RFC 6962 section 2.1.1)."""
    if not 0 <= index < len(leaves):
        raise ValueError(f"leaf {index} of a tree of {len(leaves)}")
    if len(leaves) == 1:
        return []
    split = _split(len(leaves))
    if index < split:
        return [*inclusion_proof(leaves[:split], index), root_of(leaves[split:])]
    return [*inclusion_proof(leaves[split:], index - split), root_of(leaves[:split])]


def consistency_proof(leaves: Sequence[bytes], earlier: int) -> list[bytes]:
    """The hashes that show that the first ``earlier`` leaves are the start of the list (RFC 6962 section 2.1.2)."""
    if not 0 < earlier <= len(leaves):
        raise ValueError(f"size {earlier} of a tree of {len(leaves)}")
    return _consistency(leaves, earlier, whole=True)


def verify_inclusion(leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> bool:
    """Whether the proof leads from the leaf hash at an index to the root of a tree of so many leaves."""
    if not (0 <= index < size and _all_hashes(leaf, root, *proof)):
        return False
    node, last, computed = index, size - 1, leaf
    for sibling in proof:
        if last == 0:
            return False
        if node & 1 or node == last:
            computed = node_hash(sibling, computed)
            while node and not node & 1:
                node, last = node >> 1, last >> 1
        else:
            computed = node_hash(computed, sibling)
        node, last = node >> 1, last >> 1
    return last == 0 and computed == root


def verify_consistency(earlier: int, later: int, proof: Sequence[bytes], earlier_root: bytes,
                       later_root: bytes) -> bool:
    """Whether the proof shows that a tree of ``earlier`` leaves is the start of one of ``later`` leaves."""
    if not (0 <= earlier <= later and _all_hashes(earlier_root, later_root, *proof)):
        return False
    if earlier == later:
        return not proof and earlier_root == later_root and (earlier > 0 or earlier_root == EMPTY_ROOT)
    if earlier == 0:
        return not proof and earlier_root == EMPTY_ROOT
    path = list(proof)
    if earlier & (earlier - 1) == 0:
        path.insert(0, earlier_root)  # a full subtree is its own first hash
    return bool(path) and _replay(earlier, later, path) == (earlier_root, later_root)


def _replay(earlier: int, later: int, path: list[bytes]) -> tuple[bytes, bytes] | None:
    """The two roots that a consistency path leads to (RFC 9162 section 2.1.4.2); None when it has the wrong length."""
    node, last = earlier - 1, later - 1
    while node & 1:
        node, last = node >> 1, last >> 1
    old = new = path[0]
    for sibling in path[1:]:
        if last == 0:
            return None
        if node & 1 or node == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while node and not node & 1:
                node, last = node >> 1, last >> 1
        else:
            new = node_hash(new, sibling)
        node, last = node >> 1, last >> 1
    return (old, new) if last == 0 else None


def _consistency(leaves: Sequence[bytes], earlier: int, whole: bool) -> list[bytes]:
    if earlier == len(leaves):
        return [] if whole else [root_of(leaves)]
    split = _split(len(leaves))
    if earlier <= split:
        return [*_consistency(leaves[:split], earlier, whole), root_of(leaves[split:])]
    return [*_consistency(leaves[split:], earlier - split, False), root_of(leaves[:split])]


def _split(size: int) -> int:
    """The largest power of two below a size of at least two."""
    return 1 << (size - 1).bit_length() - 1


def _all_hashes(*values: bytes) -> bool:
    return all(len(value) == HASH_BYTES for value in values)

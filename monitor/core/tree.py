"""The Merkle tree of RFC 9162 §2.1 over SHA-256: leaf hashes, frontier, proofs and their verification.

The *frontier*, the roots of the perfect subtrees, largest first, is all that appending needs.

Editing rules: this file knows nothing of what the leaves are about; each function cites the section that it
follows; the text of a frontier is for ever, stored ones are read back.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Final

EMPTY_ROOT: Final = hashlib.sha256(b"").digest()  # RFC 9162 §2.1.1: MTH({}) = HASH()


def leaf_of(text: bytes) -> bytes:
    """The leaf hash of one entry's bytes (RFC 9162 §2.1.1: HASH(0x00 || d))."""
    return hashlib.sha256(b"\x00" + text).digest()


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()  # RFC 9162 §2.1.1


class Frontier:
    """The roots of the perfect subtrees of a tree of `size` leaves, largest first: appending is O(log n)."""

    __slots__ = ("roots", "size")

    def __init__(self, leaves: Iterable[bytes] = ()) -> None:
        self.size = 0
        self.roots: list[bytes] = []
        for leaf in leaves:
            self.append(leaf)

    def append(self, leaf: bytes) -> None:
        """Add the next leaf hash."""
        # RFC 9162 §2.1.2: one merge for each trailing 1 bit of the size before the leaf.
        merges = self.size
        while merges & 1:
            leaf = _node(self.roots.pop(), leaf)
            merges >>= 1
        self.roots.append(leaf)
        self.size += 1

    def root(self) -> bytes:
        """The tree's root hash (RFC 9162 §2.1.1)."""
        if not self.roots:
            return EMPTY_ROOT
        result = self.roots[-1]
        for left in reversed(self.roots[:-1]):
            result = _node(left, result)
        return result

    def copy(self) -> Frontier:
        """A frontier of its own with the same content."""
        other = Frontier()
        other.size, other.roots = self.size, list(self.roots)
        return other

    def to_text(self) -> str:
        """The one text of this frontier: `size:hex,hex,…`, largest subtree first."""
        return f"{self.size}:" + ",".join(root.hex() for root in self.roots)

    @classmethod
    def from_text(cls, text: str) -> Frontier:
        """The frontier that `to_text` wrote; ValueError if this is no such text."""
        size, _, roots = text.partition(":")
        frontier = cls()
        try:
            frontier.size = int(size)
            frontier.roots = [bytes.fromhex(root) for root in roots.split(",")] if roots else []
        except ValueError:
            raise ValueError(f"not a trail frontier: {text[:40]!r}") from None
        shape = frontier.size >= 0 and len(frontier.roots) == frontier.size.bit_count()
        # Comparing the text refuses every second way to write the same thing ("07", capitals, blanks).
        if not shape or any(len(root) != 32 for root in frontier.roots) or frontier.to_text() != text:
            raise ValueError(f"not a trail frontier: {text[:40]!r}")
        return frontier


def root(leaves: Iterable[bytes]) -> bytes:
    """The root hash over these leaf hashes (RFC 9162 §2.1.1)."""
    return Frontier(leaves).root()


def _split(size: int) -> int:
    return 1 << (size - 1).bit_length() - 1  # RFC 9162 §2.1.1: the largest power of two smaller than size


def inclusion_path(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The proof that leaf `index` is in the tree over `leaves` (RFC 9162 §2.1.3.1), else IndexError."""
    if not 0 <= index < len(leaves):
        raise IndexError(f"no leaf {index} in a tree of {len(leaves)}")
    path: list[bytes] = []
    low, high = 0, len(leaves)
    while high - low > 1:
        middle = low + _split(high - low)
        if index < middle:
            path.append(root(leaves[middle:high]))
            high = middle
        else:
            path.append(root(leaves[low:middle]))
            low = middle
    return path[::-1]


def verify_inclusion(leaf: bytes, index: int, size: int, path: Sequence[bytes], root_hash: bytes) -> bool:
    """Whether `path` proves `leaf` at `index` under `root_hash` (RFC 9162 §2.1.3.2).

    Take `size` and `root_hash` from one head: the proof alone does not pin the size.
    """
    if not 0 <= index < size:
        return False
    fn, sn, found = index, size - 1, leaf
    for sibling in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            found = _node(sibling, found)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            found = _node(found, sibling)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and found == root_hash


def consistency_proof(leaves: Sequence[bytes], first: int) -> list[bytes]:
    """The proof that the tree over `leaves` goes on from its first `first` leaves (RFC 9162 §2.1.4.1).

    Empty for `first` 0 or all; ValueError if there were never so many.
    """
    if not 0 <= first <= len(leaves):
        raise ValueError(f"no earlier tree of {first} in one of {len(leaves)}")
    if first == 0:
        return []
    proof: list[bytes] = []
    low, high = 0, len(leaves)
    whole = True  # SUBPROOF's b: the subtree is the old tree, whose root the verifier has
    while first != high:
        middle = low + _split(high - low)
        if first <= middle:
            proof.append(root(leaves[middle:high]))
            high = middle
        else:
            proof.append(root(leaves[low:middle]))
            low, whole = middle, False
    if not whole:
        proof.append(root(leaves[low:high]))
    return proof[::-1]


def verify_consistency(
    first: int, first_root: bytes, second: int, second_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether `proof` shows that the second tree only appended to the first (RFC 9162 §2.1.4.2)."""
    if not 0 <= first <= second:
        return False
    if first == second:
        return not proof and first_root == second_root
    if first == 0:
        return not proof and first_root == EMPTY_ROOT  # everything goes on from nothing
    if not proof:
        return False
    path = [first_root, *proof] if first.bit_count() == 1 else list(proof)
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for step in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = _node(step, fr), _node(step, sr)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = _node(sr, step)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == first_root and sr == second_root

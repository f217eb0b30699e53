"""The Merkle tree against RFC 9162's example, the public certificate-transparency vectors, and itself."""

from __future__ import annotations

import hashlib
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.tree import (
    EMPTY_ROOT,
    Frontier,
    consistency_proof,
    inclusion_path,
    leaf_of,
    root,
    verify_consistency,
    verify_inclusion,
)

# The eight inputs and the roots of their prefixes in the test data of the public certificate-transparency
# implementations (merkle tree tests of certificate-transparency and certificate-transparency-go).
CT_INPUTS = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
CT_ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
CT_PATHS = {
    (0, 1): [],
    (0, 8): [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (5, 8): [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
    (2, 3): ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"],
    (1, 5): [
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ],
}
CT_PROOFS = {
    (1, 1): [],
    (1, 8): [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (6, 8): [
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
    (2, 5): [
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ],
}
CT_LEAVES = [leaf_of(data) for data in CT_INPUTS]

inputs = st.lists(st.binary(max_size=8), max_size=70)


def _hash(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def recursive_root(data: list[bytes]) -> bytes:
    """RFC 9162 §2.1.1 as it is written there, sharing nothing with the code under test."""
    if not data:
        return _hash(b"")
    if len(data) == 1:
        return _hash(b"\x00" + data[0])
    k = 1
    while 2 * k < len(data):
        k *= 2
    return _hash(b"\x01" + recursive_root(data[:k]) + recursive_root(data[k:]))


def _texts(hashes: list[bytes]) -> list[str]:
    return [item.hex() for item in hashes]


@pytest.mark.parametrize("size", range(9))
def test_roots_of_the_public_vectors(size: int) -> None:
    """Every prefix of the public test data has its published root, however it is computed."""
    assert root(CT_LEAVES[:size]).hex() == CT_ROOTS[size]
    assert Frontier(CT_LEAVES[:size]).root().hex() == CT_ROOTS[size]
    assert recursive_root(CT_INPUTS[:size]).hex() == CT_ROOTS[size]


@pytest.mark.parametrize(("index", "size"), CT_PATHS)
def test_inclusion_paths_of_the_public_vectors(index: int, size: int) -> None:
    """The published inclusion paths are made and accepted."""
    path = inclusion_path(CT_LEAVES[:size], index)
    assert _texts(path) == CT_PATHS[index, size]
    assert verify_inclusion(CT_LEAVES[index], index, size, path, bytes.fromhex(CT_ROOTS[size]))


@pytest.mark.parametrize(("first", "second"), CT_PROOFS)
def test_consistency_proofs_of_the_public_vectors(first: int, second: int) -> None:
    """The published consistency proofs are made and accepted."""
    proof = consistency_proof(CT_LEAVES[:second], first)
    assert _texts(proof) == CT_PROOFS[first, second]
    old, new = bytes.fromhex(CT_ROOTS[first]), bytes.fromhex(CT_ROOTS[second])
    assert verify_consistency(first, old, second, new, proof)


def test_the_worked_example_of_the_standard() -> None:
    """RFC 9162 §2.1.5: seven leaves, its named nodes, its paths and proofs."""
    leaves = [leaf_of(bytes([number])) for number in range(7)]
    a, b, c, d, e, f, j = leaves
    g, h, i = (_hash(b"\x01" + left + right) for left, right in ((a, b), (c, d), (e, f)))
    k, m = _hash(b"\x01" + g + h), _hash(b"\x01" + i + j)  # m is the standard's l
    assert root(leaves) == _hash(b"\x01" + k + m)
    assert inclusion_path(leaves, 0) == [b, h, m]
    assert inclusion_path(leaves, 3) == [c, g, m]
    assert inclusion_path(leaves, 4) == [f, j, k]
    assert inclusion_path(leaves, 6) == [i, k]
    assert consistency_proof(leaves, 3) == [c, d, g, m]
    assert consistency_proof(leaves, 4) == [m]
    assert consistency_proof(leaves, 6) == [i, j, k]
    assert Frontier(leaves).roots == [k, i, j]


@given(inputs)
def test_a_frontier_has_the_root_of_the_recursion(data: list[bytes]) -> None:
    """Appending one by one gives the recursive root at every size, and a text that reads back."""
    frontier = Frontier()
    for size, item in enumerate(data):
        assert frontier.root() == recursive_root(data[:size])
        again = Frontier.from_text(frontier.to_text())
        assert (again.size, again.roots) == (size, frontier.roots)
        frontier.append(leaf_of(item))
    assert frontier.root() == recursive_root(data)


@given(inputs.filter(bool), st.data())
def test_an_inclusion_path_proves_its_leaf_only(data: list[bytes], draw: st.DataObject) -> None:
    """A path proves its own leaf, not another one, nor with a bit turned, a step missing or one too many."""
    leaves = [leaf_of(item) for item in data]
    index = draw.draw(st.integers(0, len(leaves) - 1))
    path, top = inclusion_path(leaves, index), root(leaves)
    assert verify_inclusion(leaves[index], index, len(leaves), path, top)
    assert not verify_inclusion(leaf_of(data[index] + b"!"), index, len(leaves), path, top)
    assert not verify_inclusion(leaves[index], index, len(leaves), [*path, top], top)
    assert not verify_inclusion(leaves[index], len(leaves), len(leaves), path, top)
    if path:
        assert not verify_inclusion(leaves[index], index, len(leaves), path[:-1], top)
        step = draw.draw(st.integers(0, len(path) - 1))
        path[step] = bytes([path[step][0] ^ 1]) + path[step][1:]
        assert not verify_inclusion(leaves[index], index, len(leaves), path, top)


@given(inputs, st.data())
def test_a_consistency_proof_proves_its_own_past_only(data: list[bytes], draw: st.DataObject) -> None:
    """Each tree goes on from its prefix, and from no tree with another past."""
    leaves = [leaf_of(item) for item in data]
    first = draw.draw(st.integers(0, len(leaves)))
    proof, old, new = consistency_proof(leaves, first), root(leaves[:first]), root(leaves)
    assert verify_consistency(first, old, len(leaves), new, proof)
    assert not verify_consistency(first, _hash(old), len(leaves), new, proof)
    if first > 0:
        assert not verify_consistency(first, old, len(leaves), _hash(new), proof)
    assert not verify_consistency(first, old, len(leaves), new, [*proof, new])
    if proof:
        assert not verify_consistency(first, old, len(leaves), new, proof[:-1])
    if first < len(leaves):
        assert not verify_consistency(len(leaves), new, first, old, proof)  # a tree never shrinks


def test_no_proof_of_what_is_not_there() -> None:
    """Asking for a leaf or a past that never was is an error, not an empty proof."""
    with pytest.raises(IndexError, match="no leaf 7 in a tree of 7"):
        inclusion_path(CT_LEAVES[:7], 7)
    with pytest.raises(ValueError, match="no earlier tree of 8 in one of 7"):
        consistency_proof(CT_LEAVES[:7], 8)
    assert root([]) == EMPTY_ROOT


@pytest.mark.parametrize(
    "text",
    [
        *("", "0", "1:", "x:", "-1:00", "0:,"),
        *("2:" + 64 * "a" + "," + 64 * "a", "3:" + 64 * "a", "01:" + 64 * "a"),
        *("1: " + 64 * "a", "1:" + 64 * "A", "1:" + 62 * "a", "1:" + 64 * "g", "1:" + 64 * "a" + ","),
    ],
)
def test_only_the_one_text_of_a_frontier_is_read(text: str) -> None:
    """Any other way to write a frontier, and any other shape, is refused."""
    with pytest.raises(ValueError, match="not a trail frontier"):
        Frontier.from_text(text)


def test_a_copy_is_its_own() -> None:
    """Appending to a copy leaves the first frontier as it was."""
    frontier = Frontier(CT_LEAVES[:5])
    copy = frontier.copy()
    copy.append(CT_LEAVES[5])
    assert [frontier.root().hex(), copy.root().hex()] == CT_ROOTS[5:7]
    assert all(a != b for a, b in pairwise(CT_ROOTS))

"""The Merkle tree held against a second implementation: `pymerkle` 7, which shares nothing with ours.

Its inclusion paths are RFC 9162's with the leaf in front. Its consistency proofs have a layout of their own, so that
there only the roots are compared, through its verification.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymerkle import InmemoryTree, InvalidProof, verify_consistency, verify_inclusion

from monitor.core.tree import Frontier, inclusion_path, leaf_of, root


def both(data: list[bytes]) -> tuple[InmemoryTree, list[bytes]]:
    """Their tree over these entries, and our leaf hashes."""
    theirs = InmemoryTree(algorithm="sha256")
    for item in data:
        theirs.append_entry(item)
    return theirs, [leaf_of(item) for item in data]


@settings(max_examples=30)
@given(st.lists(st.binary(max_size=40), min_size=1, max_size=40))
def test_roots_and_inclusion_paths_are_the_same(data: list[bytes]) -> None:
    """At every size the same root; at the last, the same path for every entry, and each proof verifies."""
    theirs, leaves = both(data)
    frontier = Frontier()
    for size, leaf in enumerate(leaves, 1):
        frontier.append(leaf)
        assert theirs.get_leaf(size) == leaf
        assert theirs.get_root(size) == frontier.root() == root(leaves[:size])
    for index, leaf in enumerate(leaves):
        proof = theirs.prove_inclusion(index + 1, len(leaves))
        assert proof.path == [leaf, *inclusion_path(leaves, index)]
        verify_inclusion(leaf, root(leaves), proof)


@settings(max_examples=30)
@given(st.lists(st.binary(max_size=8), min_size=1, max_size=40), st.data())
def test_its_consistency_proofs_lead_to_our_roots(data: list[bytes], draw: st.DataObject) -> None:
    """Their proof that a tree goes on from an earlier one holds with our two roots, and with no other."""
    theirs, leaves = both(data)
    first = draw.draw(st.integers(1, len(leaves)))
    proof = theirs.prove_consistency(first, len(leaves))
    verify_consistency(root(leaves[:first]), root(leaves), proof)
    with pytest.raises(InvalidProof):
        verify_consistency(leaf_of(b"no root"), root(leaves), proof)

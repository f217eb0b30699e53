"""Proofs from the audit trail, to be checked elsewhere by `proof_check.py`, which is handed out with them."""

from __future__ import annotations

import json
from typing import Any

from monitor.adapters.store_reader import StoreReader
from monitor.core.heads import Head, read
from monitor.core.instants import show
from monitor.core.trail import consistency_proof, inclusion_path, leaf_of, root
from monitor.trail.proof_check import CONSISTENCY, INCLUSION


class CannotProve(Exception):
    """There is no such proof; says why."""


def newest_head(reader: StoreReader, at_least: int) -> Head:
    """The newest head in the store, if it has so many entries."""
    found = reader.heads()
    if not found:
        raise CannotProve(
            "no head of this trail has been signed yet: the service signs one at its next start"
        )
    text = found[-1][1]
    try:
        head = read(text if isinstance(text, bytes) else b"")
    except ValueError as error:
        raise CannotProve(
            f"the newest signed head cannot be read ({error}); see `secondbell trail verify`"
        ) from None
    if head.size < at_least:
        raise CannotProve(
            f"entry {at_least - 1} is not under a signed head yet: the newest, of {show(head.at)}, has {head.size} "
            "entries; the service signs the next within the hour, and when it stops"
        )
    return head


def inclusion(reader: StoreReader, n: int, head: Head | None) -> dict[str, Any]:
    """The proof that entry `n` stands in the trail that a head, by default the newest, was signed for."""
    size = reader.frontier().size
    if not 0 <= n < size:
        raise CannotProve(f"there is no entry {n}: the trail has 0 to {size - 1}")
    head = head or newest_head(reader, n + 1)
    if n >= head.size:
        raise CannotProve(f"entry {n} is younger than this head, which has {head.size} entries")
    entry = next(reader.entries(first=n, after=n + 1), None)
    if entry is None:
        raise CannotProve(f"entry {n} is missing; see `secondbell trail verify`")
    if not entry.text:
        raise CannotProve(
            f"the text of entry {n} was taken away by policy ([trail] keep); only its hash is left"
        )
    leaves = _leaves(reader, head)
    if leaf_of(entry.text) != leaves[n]:
        raise CannotProve(f"entry {n} was changed; see `secondbell trail verify`")
    return {
        "type": INCLUSION,
        "index": n,
        "entry": entry.text.decode(),
        "path": [step.hex() for step in inclusion_path(leaves, n)],
        "head": json.loads(head.text),
    }


def consistency(reader: StoreReader, first: Head, second: Head | None) -> dict[str, Any]:
    """The proof that the trail of a head, by default the newest, goes on from that of an earlier one."""
    second = second or newest_head(reader, first.size)
    if second.size < first.size:
        raise CannotProve(f"the second head has {second.size} entries, fewer than the first, {first.size}")
    leaves = _leaves(reader, second)
    if root(leaves[: first.size]) != first.root:
        raise CannotProve(
            f"the trail does not go on from the head of {show(first.at)}; see `secondbell trail verify`"
        )
    return {
        "type": CONSISTENCY,
        "first": json.loads(first.text),
        "second": json.loads(second.text),
        "path": [step.hex() for step in consistency_proof(leaves, first.size)],
    }


def _leaves(reader: StoreReader, head: Head) -> list[bytes]:
    """The leaf hashes of a head's trail; CannotProve if they are not those that it was signed for."""
    if head.site != reader.site:
        raise CannotProve(f"this head is of the site {head.site!r}, the trail of {reader.site!r}")
    leaves = reader.leaves(head.size)
    if len(leaves) != head.size or root(leaves) != head.root:
        raise CannotProve(
            f"the trail is not the one that the head of {show(head.at)} was signed for; see `secondbell trail verify`"
        )
    return leaves

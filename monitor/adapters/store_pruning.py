"""Rows that a store lets go of: a little at a time, so that no transaction is long and what is new is stored between.

Editing rules: nothing here knows what a row means, or for how long it is kept.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass

_MOST_ROWS_AT_ONCE = 2_000  # of a deletion: keeps one transaction short


@dataclass(frozen=True, slots=True, kw_only=True)
class Pruned:
    """How many rows and quarantined messages a pruning removed."""

    rows: int
    quarantined: int


def prune(
    db: sqlite3.Connection,
    site: str,
    transaction: Callable[[str], AbstractContextManager[None]],
    rows: Iterable[tuple[str, str]],
    ranges: Iterable[tuple[str, str, str]],
    quarantine_before: str,
) -> Pruned:
    """Remove these (kind, key) rows, those of (kind, first key, end), and what was quarantined before a day."""
    keys: dict[str, list[str]] = {}
    for kind, key in rows:
        keys.setdefault(kind, []).append(key)
    removed = 0
    for kind, some in keys.items():
        for start in range(0, len(some), _MOST_ROWS_AT_ONCE):
            with transaction("BEGIN IMMEDIATE"):
                removed += delete(db, site, kind, some[start : start + _MOST_ROWS_AT_ONCE])
    left = list(ranges)
    while left:
        with transaction("BEGIN IMMEDIATE"):
            removed += _delete_some(db, site, left)
    quarantined = 0
    if quarantine_before:
        with transaction("BEGIN IMMEDIATE"):
            quarantined = db.execute(
                "DELETE FROM quarantine WHERE site = ? AND day < ?", (site, quarantine_before)
            ).rowcount
    return Pruned(rows=removed, quarantined=quarantined)


def delete(db: sqlite3.Connection, site: str, kind: str, keys: list[str]) -> int:
    """Remove the rows of a kind with these keys; how many there were."""
    return db.execute(
        "DELETE FROM state WHERE site = ? AND kind = ? AND key IN (SELECT value FROM json_each(?))",
        (site, kind, json.dumps(keys)),
    ).rowcount


def _delete_some(db: sqlite3.Connection, site: str, ranges: list[tuple[str, str, str]]) -> int:
    """Remove the rows of the last ranges, as many as go together, and the ranges that are done."""
    removed = looked_at = 0
    while ranges and removed + looked_at < _MOST_ROWS_AT_ONCE:
        kind, first, end = ranges[-1]
        most = _MOST_ROWS_AT_ONCE - removed
        gone = db.execute(
            "DELETE FROM state WHERE site = ?1 AND kind = ?2 AND key IN (SELECT key FROM state"
            " WHERE site = ?1 AND kind = ?2 AND key >= ?3 AND key < ?4 ORDER BY key LIMIT ?5)",
            (site, kind, first, end, most),
        ).rowcount
        removed, looked_at = removed + gone, looked_at + 1
        if gone < most:
            ranges.pop()
    return removed

"""Erasing names so that the file does not hold them either: overwritten in it, and no longer in its write-ahead log."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence


def erase_names(db: sqlite3.Connection, site: str, keys: Sequence[str]) -> None:
    """Erase what is behind these opaque keys, within the transaction that is open."""
    [(before,)] = db.execute("PRAGMA secure_delete")
    db.execute("PRAGMA secure_delete = ON")  # overwritten, not only no longer found
    db.execute(
        "DELETE FROM names WHERE site = ? AND key IN (SELECT value FROM json_each(?))",
        (site, json.dumps(list(keys))),
    )
    db.execute(f"PRAGMA secure_delete = {before:d}")


def fold_in_log(db: sqlite3.Connection) -> None:
    """After that: older pages of the log still hold the names. A reader in the way leaves them to the next time."""
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

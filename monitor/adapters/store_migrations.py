"""From an older store's tables to today's: plain SQL, one transaction a step, in order.

Editing rules: a step is for ever, stores in the field still need it; it must neither read nor change what an entry of
the trail says. A step that is killed has not happened. A reader never migrates: it does without what is not there yet.
"""

from __future__ import annotations

import sqlite3
from typing import Final

import structlog

log = structlog.get_logger(__name__)

HEADS: Final = """CREATE TABLE heads (site TEXT NOT NULL, n BIGINT NOT NULL, text BLOB NOT NULL,
        PRIMARY KEY (site, n)) WITHOUT ROWID"""

STEPS: Final[dict[int, tuple[str, ...]]] = {
    1: (HEADS,),  # signed heads; since then the text of an entry may be empty, taken away by policy
}
"""What makes the schema of this number the next one."""


def migrate(db: sqlite3.Connection, schema: int) -> None:
    """Bring the tables of a store that is ours to the schema of this number; called with no transaction open."""
    while True:
        db.execute("BEGIN IMMEDIATE")
        try:
            [(written,)] = db.execute("SELECT value FROM meta WHERE key = 'schema'")
            found = int(written)
            if found >= schema:
                db.execute("ROLLBACK")
                return
            for statement in STEPS[found]:
                db.execute(statement)
            db.execute("UPDATE meta SET value = ? WHERE key = 'schema'", (str(found + 1),))
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        log.info("store brought up to date", from_schema=found, to_schema=found + 1)

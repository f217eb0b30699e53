"""What can go wrong with the store, by name, each with one line that names the file."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar


class StoreError(Exception):
    """The store cannot do what was asked; the text is one line and names the file.

    `cause` is its word in a technical notice, `advice` what to do at a terminal.
    """

    cause: ClassVar[str] = "other"
    advice: ClassVar[str] = "Look whether its disk is failing or gone (dmesg and df tell)."


class StoreFull(StoreError):
    """No space is left for it."""

    cause = "full"
    advice = "Make room on its disk, then start again."


class StoreReadOnly(StoreError):
    """It may not be written."""

    cause = "read-only"
    advice = "Look whether its disk is mounted read-only, and who owns the folder and its files."


class StoreLocked(StoreError):
    """Another program holds it for longer than the busy time-out."""

    cause = "locked"
    advice = "End the program that has it open (a backup, a database shell), then start again."


class StoreDamaged(StoreError):
    """What is in the file cannot be right."""

    cause = "damaged"
    advice = (
        "Copy the whole folder aside and keep the copy. Then put the last good backup of it in its place; without one "
        "move all files secondbell.* away for an empty start: open concerns are forgotten then."
    )


class StoreNewer(StoreError):
    """A newer Second Bell wrote it."""

    advice = "Run that version, or a newer one."


class StoreOtherSite(StoreError):
    """It belongs to another site."""

    advice = "Look at site.name and site.state_dir in the site file."


class StoreMissing(StoreError):
    """There is none."""

    advice = "Look at site.state_dir in the site file."


# https://www.sqlite.org/rescode.html: the low byte is the primary code, the rest says more about it.
_NAMED: dict[int, tuple[type[StoreError], str]] = {
    sqlite3.SQLITE_FULL: (StoreFull, "no space is left for it"),
    sqlite3.SQLITE_READONLY: (StoreReadOnly, "it may not be written"),
    sqlite3.SQLITE_PERM: (StoreReadOnly, "it may not be written"),
    sqlite3.SQLITE_BUSY: (StoreLocked, "another program holds it locked"),
    sqlite3.SQLITE_LOCKED: (StoreLocked, "another connection holds it locked"),
    sqlite3.SQLITE_CORRUPT: (StoreDamaged, "the file is damaged"),
    sqlite3.SQLITE_NOTADB: (StoreDamaged, "it is not a SQLite file, or its beginning is damaged"),
}

_SHARED_MEMORY = 32_768  # bytes of the first block, https://www.sqlite.org/walformat.html §2

_OF_THE_SYSTEM: dict[int | None, type[StoreError]] = {
    errno.ENOSPC: StoreFull,
    errno.EDQUOT: StoreFull,
    errno.EACCES: StoreReadOnly,
    errno.EPERM: StoreReadOnly,
    errno.EROFS: StoreReadOnly,
}


@contextmanager
def named(path: Path) -> Iterator[None]:
    """Turn what SQLite or the system raises about `path` into a StoreError of the right name."""
    try:
        yield
    except sqlite3.Error as error:
        kind, text = _name(error, path)
        raise kind(f"{path}: {text} ({error})") from error
    except OSError as error:
        raise _OF_THE_SYSTEM.get(error.errno, StoreError)(f"{path}: {error.strerror or error}") from error


def _name(error: sqlite3.Error, path: Path) -> tuple[type[StoreError], str]:
    code = getattr(error, "sqlite_errorcode", None)  # absent when Python's module itself refuses
    if code is None:
        decode = "decode" in str(error)
        return (StoreDamaged, "the file is damaged") if decode else (StoreError, "it cannot be used")
    primary = code & 0xFF
    # Without room for its shared memory SQLite speaks of an I/O error.
    vague = primary in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and path.parent.exists()
    if vague and shutil.disk_usage(path.parent).free < _SHARED_MEMORY:
        return StoreFull, "no space is left for it"
    if vague and not all(_may_write(path.with_name(path.name + end)) for end in ("", "-wal", "-shm")):
        return StoreReadOnly, "it may not be written"
    if primary == sqlite3.SQLITE_ERROR and ("no such table" in str(error) or "no such column" in str(error)):
        return StoreDamaged, "a table is missing or altered"
    return _NAMED.get(primary, (StoreError, "reading or writing it failed"))


def _may_write(file: Path) -> bool:
    """Whether a file may be written if it is there: also false where the disk or the file is read-only as such."""
    return not file.exists() or os.access(file, os.W_OK, effective_ids=True)

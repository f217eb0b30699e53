"""Passwords: where the site file says that one lies, and reading it only when a connection is made."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Final, NamedTuple

LONGEST: Final = 4096  # bytes; a larger file is not a password


class PasswordMissing(Exception):
    """A password is not where the site file says; the text is one line and never holds a password."""


class PasswordSource(NamedTuple):
    """Where a password lies: a file, or an environment variable; exactly one of them."""

    file: Path | None = None
    env: str | None = None


def read_secret(source: PasswordSource, environ: Mapping[str, str] | None = None) -> str:
    """The password, without the line end after it; PasswordMissing if it is not there or empty."""
    if source.file is None:
        assert source.env is not None
        found = (os.environ if environ is None else environ).get(source.env, "")
        if not found:
            raise PasswordMissing(f"the environment variable {source.env} is not set, or empty")
        return found
    try:
        with source.file.open("rb") as file:
            content = file.read(LONGEST + 1)
    except OSError as error:
        raise PasswordMissing(f"{source.file} cannot be read: {error.strerror}") from None
    if len(content) > LONGEST:
        raise PasswordMissing(f"{source.file} is too large for a password")
    try:
        found = content.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        raise PasswordMissing(f"{source.file} is not UTF-8 text") from None
    if not found or "\n" in found:
        raise PasswordMissing(f"{source.file} should hold the password alone, on one line")
    return found


def exposed(file: Path) -> int | None:
    """The mode of a file that others than its owner may read, else None."""
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
    except OSError:
        return None
    return mode if mode & (stat.S_IRGRP | stat.S_IROTH) else None

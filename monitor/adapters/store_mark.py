"""How far the trail has come, in a small file beside the store: it tells a store that has lost its end, or all.

The write-ahead log can be cut, torn or taken away, a file emptied, an old backup put back: what is left looks like a
whole store. Written after each commit that adds to the trail, in place and without waiting for the disk: after a power
cut it may say too little, never too much.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final

MARK_NAME: Final = "secondbell.mark"
_WIDTH: Final = 20


class Mark:
    """The mark of the store in a folder, to be written."""

    def __init__(self, folder: Path) -> None:
        """Open it, made if missing; raises OSError."""
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        self._file = os.open(folder / MARK_NAME, flags, 0o600)

    def write(self, entries: int) -> None:
        """The trail has so many entries."""
        with suppress(OSError):  # it is only a witness: the store itself has said that it is stored
            os.pwrite(self._file, b"%0*d\n" % (_WIDTH, entries), 0)

    def close(self) -> None:
        """Let go of it; closing twice is nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def read_mark(folder: Path) -> int:
    """How many entries the trail in this folder has had at least; 0 if nothing is known."""
    with suppress(OSError, ValueError):
        text = (folder / MARK_NAME).read_bytes()[: _WIDTH + 1].decode("ascii")
        return int(text) if text.strip().isdecimal() else 0
    return 0

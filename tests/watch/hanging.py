"""`secondbell` in which something hangs once a file is there: the loop itself, or the commits in their own thread.

Started as `python -m tests.watch.hanging run …`, with HANG=loop or HANG=commit and HANG_FILE in the environment: the
product has no such door.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from pathlib import Path

from monitor.adapters.store import SqliteStore
from monitor.cli import main
from monitor.core.changes import Changes

FILE = Path(os.environ["HANG_FILE"])
LONG = 600.0  # seconds


def hang() -> None:
    """Do nothing more for a long time, once the file is there."""
    if FILE.exists():
        time.sleep(LONG)


class HangingLoop(asyncio.DefaultEventLoopPolicy):
    """Gives a loop that looks for the file a few times a second, and then hangs in the middle of its work."""

    def new_event_loop(self) -> asyncio.AbstractEventLoop:
        """A loop with that habit."""
        loop = super().new_event_loop()

        def look() -> None:
            hang()
            loop.call_later(0.1, look)

        loop.call_soon(look)
        return loop


class HangingStore(SqliteStore):
    """A store of which a commit neither succeeds nor fails, as on a disk that does not answer."""

    def commit(self, changes: Changes) -> None:
        """Commit, or hang."""
        hang()
        super().commit(changes)


if __name__ == "__main__":
    if os.environ["HANG"] == "loop":
        asyncio.set_event_loop_policy(HangingLoop())
    else:
        import monitor.running

        vars(monitor.running)["SqliteStore"] = HangingStore
    sys.exit(main())

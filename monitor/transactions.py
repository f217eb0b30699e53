"""The store's transactions, one after another in a thread of their own, while the loop prepares the next.

Nothing is acknowledged, sent or answered before its own transaction is on disk. One that the store refuses is tried
again unchanged until it succeeds; what can never succeed ends the service, which rebuilds from the last one.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TypeVar

import structlog

from monitor.adapters.store import Store
from monitor.adapters.store_errors import StoreDamaged, StoreError, StoreNewer, StoreOtherSite
from monitor.core.changes import Changes

log = structlog.get_logger(__name__)

Found = TypeVar("Found")

FIRST_WAIT, LONGEST_WAIT = (
    0.2,
    10.0,
)  # seconds between tries of one that is refused; common practice, no source
FEW = 100  # messages in one transaction; more come in so fast that storing them together is worth a wait
PACE, BUSY_PACE = 0.005, 0.020  # seconds from one transaction to the next, with few messages and with more


class Transactions:
    """At most one in flight; `ended` is called whenever that has changed."""

    def __init__(
        self,
        store: Store,
        *,
        stopping: asyncio.Event,
        ended: Callable[[], None],
        refused: Callable[[StoreError, bool], None],
        works: Callable[[], None],
    ) -> None:
        """`refused` hears of each refusal, and whether it is the end; `works` once one that was refused is stored."""
        self._store, self._stopping, self._ended = store, stopping, ended
        self._refused, self._works = refused, works
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._task: asyncio.Task[None] | None = None
        self._began = 0.0  # loop time
        self._alarm: asyncio.TimerHandle | None = None
        self.failing = False  # the one in flight was refused: nothing new may be made of what comes

    @property
    def busy(self) -> bool:
        """Whether one is in flight."""
        return self._task is not None

    def due(self, messages: int) -> bool:
        """Whether it is time for the next, which will hold so many messages; else `ended` is called when it is."""
        if self.busy:
            return False
        loop = asyncio.get_running_loop()
        wait = self._began + (PACE if messages < FEW else BUSY_PACE) - loop.time() if messages else 0.0
        if wait <= 0:
            return True
        if self._alarm is None:
            self._alarm = loop.call_later(wait, self._ring)
        return False

    def _ring(self) -> None:
        self._alarm = None
        self._ended()

    def begin(self, changes: Changes, then: Callable[[], None]) -> None:
        """Store all of it, then call `then`; an empty one is over at once."""
        assert self._task is None
        self._began = asyncio.get_running_loop().time()
        if changes.empty():
            then()
            return
        self._task = asyncio.create_task(self._store_until_done(changes, then), name="store")
        self._task.add_done_callback(lambda _: self._ended())

    def check(self) -> None:
        """Let go of the one that has ended; raises what it ended with."""
        if self._task is not None and self._task.done():
            task, self._task = self._task, None
            task.result()

    async def finish(self) -> None:
        """Wait for the one in flight; raises what it ended with."""
        if self._task is not None:
            await asyncio.wait({self._task})
            self.check()

    async def last(self, changes: Changes) -> None:
        """Store the last one, which is tried once; raises StoreError."""
        await self.ask(partial(self._store.commit, changes))

    async def ask(self, work: Callable[[], Found]) -> Found:
        """Do something with the store, in its own thread; raises StoreError."""
        return await asyncio.get_running_loop().run_in_executor(self._writer, work)

    async def close(self) -> None:
        """Close the store; a transaction in flight ends first, or is given up between two tries."""
        if self._alarm is not None:
            self._alarm.cancel()
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        self._writer.shutdown()
        with contextlib.suppress(StoreError):
            self._store.close()

    async def _store_until_done(self, changes: Changes, then: Callable[[], None]) -> None:
        wait = FIRST_WAIT
        while True:
            try:
                await self.ask(partial(self._store.commit, changes))
                break
            except (StoreDamaged, StoreNewer, StoreOtherSite) as error:
                self.failing = True
                self._refused(error, True)
                raise
            except StoreError as error:
                self.failing = True
                if self._stopping.is_set():
                    raise  # nothing of it was acknowledged: the broker sends it again
                log.error(
                    "cannot store; nothing is acknowledged or sent meanwhile", why=str(error), again_in_s=wait
                )
                self._refused(error, False)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._stopping.wait(), wait)
                wait = min(wait * 2, LONGEST_WAIT)
        if self.failing:
            self.failing = False
            log.warning("storing again")
            self._works()
        then()

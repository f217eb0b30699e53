"""Attempts of notices in flight: so many at once for each carrier, and each told of when it has ended."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

import structlog

from monitor.adapters.carriers import Carrier, Parcel
from monitor.core.effects import Attempted, SendNotice

log = structlog.get_logger(__name__)

AT_ONCE = 8  # for each carrier; common practice, no source


class Attempts:
    """Gives notices to carriers; however an attempt ends, `ended` hears of it, once."""

    def __init__(
        self,
        carriers: Mapping[str, Carrier],
        ended: Callable[[Attempted], None],
        on_sent: Callable[[SendNotice], None] | None = None,
    ) -> None:
        """`on_sent` hears of each notice that a carrier took, before `ended` does."""
        self._carriers, self._ended, self._on_sent = carriers, ended, on_sent
        self._limits = {name: asyncio.Semaphore(AT_ONCE) for name in carriers}
        self._tasks: set[asyncio.Task[None]] = set()

    def __bool__(self) -> bool:
        """Whether any is in flight."""
        return bool(self._tasks)

    def start(self, effect: SendNotice) -> None:
        """Attempt one notice."""
        task = asyncio.create_task(self._attempt(effect), name=f"send {effect.notice}")
        self._tasks.add(task)

    async def wait(self, limit: float) -> None:
        """Let those in flight end, at most `limit` seconds."""
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=limit)

    async def cancel(self) -> None:
        """Give up those in flight: they are made again after the next start."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def close(self) -> None:
        """Close the carriers."""
        for carrier in self._carriers.values():
            await carrier.close()

    async def _attempt(self, effect: SendNotice) -> None:
        parcel = Parcel(
            notice=effect.notice,
            message_id=effect.message_id,
            address=effect.address,
            subject=effect.subject,
            body=effect.body,
            urgency=effect.urgency,  # type: ignore[arg-type]
            thread=effect.thread,
            date_ms=effect.date,
        )
        task = asyncio.current_task()
        assert task is not None
        try:
            async with self._limits[effect.carrier]:
                attempt = await self._carriers[effect.carrier].send(parcel)
            if self._on_sent is not None and attempt.outcome == "sent":
                self._on_sent(effect)
            outcome = Attempted(notice=effect.notice, outcome=attempt.outcome, text=attempt.text)
        except (
            Exception
        ) as error:  # a carrier never raises: this is a fault of ours, and must not lose the notice
            log.error("an attempt failed in an unforeseen way", notice=effect.notice, error=repr(error))
            outcome = Attempted(notice=effect.notice, outcome="try-later", text="fault in the carrier")
        finally:
            self._tasks.discard(task)
        self._ended(outcome)

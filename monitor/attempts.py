"""Attempts of notices in flight: so many at once for each carrier, the most urgent first; each told of at its end."""

from __future__ import annotations

import asyncio
import heapq
import itertools
from collections.abc import Callable, Mapping

import structlog

from monitor.adapters.carriers import DEFAULT_LIMIT, LONGEST, Carrier, Parcel, attempt, close_all
from monitor.core.effects import Attempted, SendNotice
from monitor.core.rulebook import RANK

log = structlog.get_logger(__name__)

AT_ONCE = 8  # for each carrier; common practice, no source

TURN = DEFAULT_LIMIT
"""Seconds to wait for a turn: behind a dead server a notice must come to its fallback carrier all the same."""


class NoTurn(Exception):
    """Others were before it for too long; says how many attempts are in front."""


class Turns:
    """So many at once; who has to wait gets a turn by urgency, then in the order of arrival."""

    def __init__(self, places: int = AT_ONCE, wait: float = TURN) -> None:
        """`wait` is in seconds."""
        self._free, self._wait = places, wait
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._count = itertools.count()

    async def take(self, rank: int) -> None:
        """Wait for a turn, those of higher rank first; raises NoTurn."""
        if self._free > 0:
            self._free -= 1
            return
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (-rank, next(self._count), turn))
        try:
            async with asyncio.timeout(self._wait):
                await turn
        except BaseException as error:
            if turn.done() and not turn.cancelled():  # it came at the very moment
                self.give_back()
            turn.cancel()
            if isinstance(error, TimeoutError):
                raise NoTurn(f"no turn within {self._wait:g} s") from None
            raise

    def give_back(self) -> None:
        """Let the next one have the turn."""
        while self._waiting:
            _, _, turn = heapq.heappop(self._waiting)
            if not turn.done():
                turn.set_result(None)
                return
        self._free += 1


class Attempts:
    """Gives notices to carriers; however an attempt ends, `ended` hears of it, once."""

    def __init__(
        self,
        carriers: Mapping[str, Carrier],
        ended: Callable[[Attempted], None],
        on_sent: Callable[[SendNotice], None] | None = None,
        *,
        turn_within: float = TURN,
        longest: float = LONGEST,
    ) -> None:
        """`on_sent` hears of each notice that a carrier took, before `ended` does; the last two are in seconds."""
        self._carriers, self._ended, self._on_sent = carriers, ended, on_sent
        self._turns = {name: Turns(wait=turn_within) for name in carriers}
        self._longest = longest
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
        await close_all(self._carriers.values())

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
            turns = self._turns[effect.carrier]
            await turns.take(RANK[effect.urgency])
            try:
                made = await attempt(self._carriers[effect.carrier], parcel, self._longest)
            finally:
                turns.give_back()
            if self._on_sent is not None and made.outcome == "sent":
                self._on_sent(effect)
            outcome = Attempted(notice=effect.notice, outcome=made.outcome, text=made.text)
        except NoTurn as error:
            outcome = Attempted(notice=effect.notice, outcome="try-later", text=f"not tried: {error}")
        except Exception as error:  # a fault of ours must not lose the notice
            log.error("an attempt failed in an unforeseen way", notice=effect.notice, error=repr(error))
            outcome = Attempted(notice=effect.notice, outcome="try-later", text="a fault of ours")
        finally:
            self._tasks.discard(task)
        self._ended(outcome)

"""What breaks between a bridge and the store in a soak, and when; each fault takes its own instants of the night."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import timedelta

from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE
from tests.soak.play import Play
from tests.soak.traffic import FRESH

LOCKED = 2.4  # seconds; longer than the store waits for a lock by itself
FROZEN = 0.5  # seconds that the broker hangs
CLOCK_WRONG = 5 * MINUTE


@dataclass(slots=True)
class Faults:
    """The plan of a night: (when, kind) in order; `done` counts what was injected."""

    play: Play
    plan: list[tuple[int, str]]
    size: int  # 1 for the short soak: how many times as many messages go wrong
    done: Counter[str] = field(default_factory=Counter)

    async def step(self) -> None:
        """One instant, or a fault with as many as it takes."""
        if self.plan and self.plan[0][0] <= self.play.now:
            _, kind = self.plan.pop(0)
            await KINDS[kind](self)
            self.done[kind] += 1
        else:
            await self.play.step()

    # ---- processes -----------------------------------------------------------------------------------------------

    async def service_killed(self) -> None:
        """SIGKILL before, during or after the work on an instant; the broker keeps what comes until it is back."""
        play = self.play
        posts = play.next()
        place = play.random.choice(("entered", "publishing", "completing", "completed"))
        half = len(posts) // 2 if place == "publishing" else len(posts)
        await play.enter()
        if place == "entered":
            await play.kill()
        await play.publish(posts[:half])
        if place == "publishing":
            await play.kill()
            await play.publish(posts[half:])
        elif place == "completing":
            task = asyncio.ensure_future(play.ward.monitor.ask("complete"))
            await asyncio.sleep(play.random.uniform(0.0, 0.02))
            await play.kill()
            with contextlib.suppress(ConnectionError):
                await task
        elif place == "completed":
            await play.complete()
            await play.kill()
        taken = len(posts)
        for _ in range(play.random.choice((0, 10, 45))):  # seconds of the night without a service
            more = play.next()
            taken += len(more)
            await play.publish(more)
        play.ledger.disturbed(taken)
        await play.start()
        await play.enter()
        await play.complete()

    async def broker_killed(self) -> None:
        """SIGKILL with half of an instant published; the bridges send all of it again when it is back."""
        await self._without_broker(seconds=0)

    async def broker_away(self) -> None:
        """The same, and it is gone for so long that the pumps cannot be seen."""
        await self._without_broker(seconds=150)

    async def _without_broker(self, *, seconds: int) -> None:
        play, broker = self.play, self.play.ward.broker
        if seconds:
            await (
                play.servers.mend()
            )  # everybody is about to be told; a server that hangs would take them one by one
        posts = play.next()
        await play.enter()
        await play.publish(posts[: len(posts) // 2])
        # What the broker knew on disk, and sends again: all that was under way lately, or all that is retained.
        kept = len(play.traffic.last) * 2 + len(play.world.bridges)
        play.ledger.disturbed(len(posts) + play.recent() + kept)
        await broker.kill()
        play.bridges.close()
        await play.linked(False)
        for _ in range(seconds):
            posts += play.next()
            await play.enter()
            await play.complete()
        await broker.start()
        await play.linked(True)
        await play.bridges.connect()
        await play.publish(posts)
        await play.complete()

    async def broker_frozen(self) -> None:
        """SIGSTOP for some seconds of the night; then everything comes at once."""
        play, broker = self.play, self.play.ward.broker
        broker.freeze()
        for _ in range(20):
            posts = play.next()
            await play.enter()
            play.bridges.write(posts)
        await asyncio.sleep(FROZEN)
        broker.thaw()
        await play.bridges.flush()
        await play.complete()

    async def store_locked(self) -> None:
        """Somebody else holds the store; what comes meanwhile waits, and is not lost."""
        play = self.play
        posts = play.next()
        while not any(post.kind == FRESH for post in posts):  # else there is nothing to store
            await play.step(posts)
            posts = play.next()
        store = play.ward.state_dir / FILE_NAME
        with contextlib.closing(sqlite3.connect(store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            task = asyncio.ensure_future(play.step(posts))
            await asyncio.sleep(LOCKED)
            assert not task.done(), "an instant was over although nothing could be stored"
            other.execute("ROLLBACK")
        await task

    # ---- messages ------------------------------------------------------------------------------------------------

    async def malformed(self) -> None:
        """Messages that cannot be read, of every kind."""
        self.play.traffic.spoil(self.play.now, 14 * self.size)
        await self.play.step()

    async def duplicates(self) -> None:
        """Messages that come twice."""
        self.play.traffic.repeats += 20 * self.size
        await self.play.step()

    async def late(self) -> None:
        """Messages that come again after they were overtaken, and some that come after the next one."""
        self.play.traffic.delays += 10 * self.size
        self.play.traffic.swaps += 5 * self.size
        await self.play.step()

    async def storm(self) -> None:
        """One pump that sends hundreds of messages a second, its alarm on and off."""
        for _ in range(2):
            self.play.traffic.storms = 300 * self.size
            await self.play.step()

    async def clock_ahead(self) -> None:
        """A bridge's clock is three hours ahead for some minutes."""
        await self._clock(timedelta(hours=3))

    async def clock_behind(self) -> None:
        """A bridge's clock is three hours behind for some minutes."""
        await self._clock(timedelta(hours=-3))

    async def _clock(self, shift: timedelta) -> None:
        play = self.play
        bridge = play.world.scenario.bridges[
            -1
        ]  # not one that is lost: a message out of its store is old by right
        play.traffic.set_clock(bridge, shift)
        until = play.now + CLOCK_WRONG
        while play.now < until:
            await play.step()
        play.traffic.set_clock(bridge, None)

    async def plans(self) -> None:
        """Some pumps get a plan, whose person is at risk if the feed stops."""
        self.play.traffic.plans = 3 * self.size
        await self.play.step()


KINDS: dict[str, Callable[[Faults], Awaitable[None]]] = {
    "service killed": Faults.service_killed,
    "broker killed": Faults.broker_killed,
    "broker away": Faults.broker_away,
    "broker frozen": Faults.broker_frozen,
    "store locked": Faults.store_locked,
    "malformed": Faults.malformed,
    "duplicates": Faults.duplicates,
    "late": Faults.late,
    "storm": Faults.storm,
    "clock ahead": Faults.clock_ahead,
    "clock behind": Faults.clock_behind,
    "plans": Faults.plans,
}

"""One seeded night played to a real service that is killed at given places of it, and started again each time."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
from collections.abc import AsyncIterator, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.adapters.store_reader import StoreReader
from monitor.core.instants import parse
from simulators import World, load
from simulators.broker import BridgeConnection
from simulators.broker import BrokerAddress as SimulatorAddress
from simulators.wire import Published
from tests.kill.mortal import MUTANT, ORDER, POINTS, Order
from tests.night import Ward, ward

ROOT = Path(__file__).parent.parent.parent
HOURS, PUMPS = 3.0, 9  # muted twice over, off its socket, a line that blocks three times
ANSWERS = (
    # when, who, answers what, about which pump's newest concern
    ("2026-03-14T22:33:10Z", "nurse-1", "accept", "pump-0104"),
    ("2026-03-14T22:47:40Z", "nurse-1", "hand-back", "pump-0104"),
    ("2026-03-14T22:49:20Z", "charge", "accept", "pump-0104"),
    ("2026-03-15T00:24:30Z", "nurse-2", "accept", "pump-0109"),
)
PLACES = ("between", "entered", "publishing", "published", "completing", "starting")
"""Where it can be killed from outside: before an instant, after its entry, with half and all of its messages
published, at any moment of the work on them, and while it starts."""
ANSWERING = "answering"
SENDING = "sending"  # a mail or page has just been taken by its server
DYING = 30.0  # seconds for a killed process to be gone


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """One kill: the first time from instant `number` on that the night passes a place, or the service a point.

    `after` s into what it races with; `passage` counts passages of a point.
    """

    number: int
    place: str
    after: float = 0.0
    passage: int = 1


@dataclass(slots=True, kw_only=True)
class Killed:
    """What was so when it was killed: the trail's leaves, and the Message-IDs of the notices that were being sent."""

    place: str
    leaves: list[bytes]
    in_flight: dict[str, str]


@dataclass(slots=True)
class Play:
    """One night, its kills in the order of their numbers: the next is awaited when the last has been survived."""

    ward: Ward
    bridge: BridgeConnection
    pending: list[Kill]
    hours: float = HOURS
    killed: list[Killed] = field(default_factory=list)
    kill: Kill | None = None
    now: int = 0  # the night's instant, ms UTC
    instants: int = 0
    answered: int = 0
    asked_again: int = 0  # after a kill, by people who had no answer

    @property
    def order(self) -> Path:
        """The file that orders the service to end itself."""
        return self.ward.folder / "order"

    async def run(self) -> None:
        """Play it to the end."""
        world = World(load("demo-night", hours=self.hours, pumps=PUMPS))
        answers = [answer for answer in ANSWERS if parse(answer[0]) < world.end_ms]
        self.now = world.start_ms
        due = (await self._ask("state"))["due"]
        while True:
            coming = [at for at in (world.next_at(), due) if at is not None]
            coming += [parse(at) for at, *_ in answers[:1]]
            if not coming or min(coming) > world.end_ms:
                return
            self.now = max(self.now, min(coming))
            self.instants += 1
            due = await self._instant(world.advance(self.now))
            if answers and parse(answers[0][0]) <= self.now:
                _, person, answer, device = answers.pop(0)
                due = await self._answer(person, answer, device)

    def _await_next_kill(self) -> None:
        if self.kill is None and self.pending and self.pending[0].number <= self.instants:
            self.kill = self.pending.pop(0)
            if self.kill.place in POINTS:
                Order.give(self.order, self.kill.place, self.kill.passage)

    # ---- the night -----------------------------------------------------------------------------------------------

    async def _instant(self, messages: list[Published]) -> int | None:
        self._await_next_kill()
        await self._at("between")
        if self._is_awaited("starting"):
            await self._killed_while_starting()
        await self._ask("enter", at=self.now)
        await self._at("entered")
        half = len(messages) // 2
        await asyncio.to_thread(self._publish, messages[:half])
        await self._at("publishing")
        await asyncio.to_thread(self._publish, messages[half:])
        await self._at("published")
        if self._is_awaited("completing"):
            await self._racing(self.ward.monitor.ask("complete"))
        elif self._is_awaited(SENDING):
            await self._sending()
        due: int | None = (await self._ask("complete"))["due"]
        return due

    async def _answer(self, person: str, answer: str, device: str) -> int | None:
        raised = [entry["concern"] for entry in self.ward.happened("raised") if entry["device"] == device]
        assert raised, f"nothing was raised about {device} that {person} could {answer}"
        asked = {"reference": raised[-1], "person": person}
        kills = len(self.killed)
        if self._is_awaited(ANSWERING):
            await self._racing(self.ward.monitor.ask(answer, **asked))
        said = await self._ask(answer, **asked)
        again = len(self.killed) > kills
        assert said["ok"] or again, said  # what was stored before the kill cannot be done twice
        self.asked_again += again
        self.answered += 1
        due: int | None = (await self._ask("complete"))["due"]
        return due

    def _publish(self, messages: list[Published]) -> None:
        for message in messages:
            self.bridge.send(message)
        self.bridge.flush()

    # ---- killing -------------------------------------------------------------------------------------------------

    def _is_awaited(self, place: str) -> bool:
        return self.kill is not None and self.kill.place == place

    async def _ask(self, command: str, **more: Any) -> dict[str, Any]:
        """Ask until an answer comes: a service that has been ordered to die may do so first."""
        while True:
            try:
                return await self.ward.monitor.ask(command, **more)
            except ConnectionError:
                async with asyncio.timeout(DYING):
                    status = await self.ward.monitor.process.wait()
                assert status == -signal.SIGKILL, self.ward.monitor.log_file.read_text()
                assert self.kill is not None, "killed without an order"
                self.order.unlink()
                await self._survive()

    async def _at(self, place: str) -> None:
        """Kill it here, if it is to be."""
        if self._is_awaited(place):
            await self._kill()

    async def _kill(self, task: asyncio.Future[Any] | None = None) -> None:
        await self.ward.monitor.kill()
        if task is not None:
            with contextlib.suppress(ConnectionError):
                await task
        await self._survive()

    async def _survive(self) -> None:
        """Note what was so, and start it again."""
        assert self.kill is not None
        self._note(self.kill.place)
        self.kill = None
        await self.ward.monitor.start(self.now)
        await self.ward.monitor.ask("enter", at=self.now)

    async def _killed_while_starting(self) -> None:
        """Kill it, and then again some time after it was launched."""
        assert self.kill is not None
        await self.ward.monitor.kill()
        self._note("between")
        await self.ward.monitor.launch(self.now)
        await asyncio.sleep(self.kill.after)
        await self._kill()

    async def _racing(self, work: Coroutine[Any, Any, Any]) -> None:
        """Kill it while it does something."""
        assert self.kill is not None
        task = asyncio.ensure_future(work)
        await asyncio.sleep(self.kill.after)
        await self._kill(task)

    async def _sending(self) -> None:
        """Kill it as soon as a notice has arrived, if one does in this instant."""
        self.ward.arrived.clear()
        task = asyncio.ensure_future(self.ward.monitor.ask("complete"))
        arrived = asyncio.ensure_future(self.ward.arrived.wait())
        await asyncio.wait({task, arrived}, return_when=asyncio.FIRST_COMPLETED)
        if arrived.done():
            await self._kill(task)
        else:
            arrived.cancel()

    def _note(self, place: str) -> None:
        with StoreReader(self.ward.state_dir) as reader:
            stored = [json.loads(text)[1] for text in reader.rows("notice").values()]
            leaves = [entry.leaf for entry in reader.entries()]
        in_flight = {notice["id"]: notice["message_id"] for notice in stored if notice["state"] == "sending"}
        self.killed.append(Killed(place=place, leaves=leaves, in_flight=in_flight))


@contextlib.asynccontextmanager
async def played(
    folder: Path, *kills: Kill, hours: float = HOURS, mutant: str | None = None
) -> AsyncIterator[Play]:
    """A night that has been played, with its service stopped cleanly."""
    async with ward(folder) as made:
        address = made.broker.address
        bridge = BridgeConnection(
            SimulatorAddress(host=address.host, port=address.port, tls=False, user=None, password=None),
            client_id="north-7",
            will_topic="secondbell/v1/larkfield/bridge/north-7/presence",
        )
        await asyncio.to_thread(bridge.open)
        try:
            play = Play(made, bridge, sorted(kills, key=lambda kill: kill.number), hours)
            path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
            made.monitor.program = "tests.kill.mortal"
            made.monitor.environment |= {"PYTHONPATH": path, ORDER: str(play.order)}
            if mutant is not None:
                made.monitor.environment[MUTANT] = mutant
            await made.monitor.start(World(load("demo-night", hours=hours, pumps=PUMPS)).start_ms)
            await play.run()
            play.order.unlink(missing_ok=True)
            assert await made.monitor.stop() == 0
            yield play
        finally:
            await asyncio.to_thread(bridge.abandon)

"""A night played to a running service at many times the speed of the clock, a second of it at a time."""

from __future__ import annotations

import asyncio
import json
import time
from collections import Counter, deque
from dataclasses import dataclass, field
from random import Random
from typing import Any

from monitor.adapters.store_reader import StoreReader
from simulators import World
from simulators.staff import Answer, Habit, Staff
from tests.night import MINUTE, SECOND, Ward, until
from tests.soak import gauges
from tests.soak.bridges import Bridges, Post
from tests.soak.gauges import Sample
from tests.soak.ledger import Ledger
from tests.soak.servers import Servers
from tests.soak.site import People
from tests.soak.traffic import Traffic

SAVED_WITHIN = 5.0  # seconds; a broker saves each second, on a busy machine too
RECENT = 5_000  # instants: more than pass in that time
WITHIN = 60.0  # seconds for a service to start or to find its broker again


@dataclass(slots=True)
class Play:
    """One night around one service."""

    ward: Ward
    world: World
    people: People
    random: Random
    bridges: Bridges
    traffic: Traffic
    ledger: Ledger
    servers: Servers
    staff: Staff
    now: int
    due: int | None = None
    samples: list[Sample] = field(default_factory=list)
    counters: dict[str, int] = field(default_factory=dict)
    answers: Counter[str] = field(default_factory=Counter)
    in_flight: Counter[str] = field(default_factory=Counter)  # notices that were being sent at kills
    wrong: list[str] = field(default_factory=list)
    steps: int = 0
    look_at: int = 0
    _pages: int = 0  # how many have been read
    _mails: int = 0
    _recent: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=RECENT))
    began: float = field(default_factory=time.monotonic)

    @property
    def over(self) -> bool:
        """Whether the night is over."""
        return self.now >= self.world.end_ms

    @property
    def minute(self) -> int:
        """Minutes since the night began."""
        return (self.now - self.world.start_ms) // MINUTE

    # ---- one step ------------------------------------------------------------------------------------------------

    def next(self) -> list[Post]:
        """Go on by a second, or to what is due before; the messages of that instant."""
        coming = [self.now + SECOND]
        coming += [at for at in (self.due, self.staff.next_at()) if at is not None and at > self.now]
        self.now = min(coming)
        self.steps += 1
        return self.traffic.take(self.now)

    async def step(self, posts: list[Post] | None = None) -> None:
        """One instant without trouble between bridge and service; looks at everything once a minute."""
        if posts is None:
            posts = self.next()
        await self.enter()
        await self.publish(posts)
        await self.complete()
        if self.now >= self.look_at:
            self.look_at = self.now + MINUTE
            await self.look()

    async def publish(self, posts: list[Post]) -> None:
        """Publish messages, and wait until the broker has them."""
        self.bridges.write(posts)
        self._recent.append((time.monotonic(), len(posts)))
        await self.bridges.flush()

    def recent(self) -> int:
        """How many messages a killed broker may have forgotten the acknowledgements of: those of some seconds."""
        while self._recent and self._recent[0][0] < time.monotonic() - SAVED_WITHIN:
            self._recent.popleft()
        return sum(count for _, count in self._recent)

    async def enter(self) -> None:
        """Let the service know what time it is."""
        await self.ward.monitor.ask("enter", at=self.now)

    async def complete(self) -> None:
        """Let the instant end: all that was published is stored, all that was due is sent; then people act."""
        self.due = (await self.ward.monitor.ask("complete"))["due"]
        await self.servers.look(self.now)
        await self._act()

    async def _act(self) -> None:
        self._read()
        for deed in self.staff.take(self.now):
            if not isinstance(deed, Answer):
                if deed.device in self.world.beds:  # a loud one is no pump of the world's
                    self.world.attend(deed.device, self.now)
                continue
            if self.random.random() < 0.5:
                self.traffic.press(self.now, deed.device, deed.person, deed.code)
                self.answers["by message"] += 1
                self.staff.accepted(deed, self.now)
                continue
            said = await self.ward.monitor.ask("accept", reference=deed.code, person=deed.person)
            self.answers["by command"] += 1
            if said["ok"]:
                self.staff.accepted(deed, self.now)

    # ---- looking -------------------------------------------------------------------------------------------------

    async def look(self) -> None:
        """Read the gauges, and hold the counters against what was published."""
        said = await self.ward.monitor.ask("state")
        self.counters = said["counters"]
        pid, port = self.ward.monitor.process.pid, self.ward.smtp.port
        self.samples.append(gauges.read(pid, self.now, said["tasks"], mail_port=port))
        self.wrong += [f"minute {self.minute}: {what}" for what in self.ledger.check(self.counters)]

    async def quiet(self) -> None:
        """Wait until the service has let go of the mail connections that it keeps for a moment."""
        pid, port = self.ward.monitor.process.pid, self.ward.smtp.port
        await until(
            lambda: not gauges.mail_lines(pid, port), "no connection to the mail server", within=WITHIN
        )

    async def state(self) -> dict[str, Any]:
        """What the service says of itself."""
        return await self.ward.monitor.ask("state")

    async def linked(self, wanted: bool) -> None:
        """Wait until the service has found, or lost, its broker."""
        async with asyncio.timeout(WITHIN):
            while bool((await self.state())["link"]) is not wanted:  # noqa: ASYNC110 - another process
                await asyncio.sleep(0.02)

    # ---- killing -------------------------------------------------------------------------------------------------

    async def kill(self) -> None:
        """SIGKILL; what was being sent may arrive twice."""
        await self.ward.monitor.kill()
        with StoreReader(self.ward.state_dir) as reader:
            notices = [json.loads(text)[1] for text in reader.rows("notice").values()]
            troubles = [json.loads(text)[1] for text in reader.rows("technical").values()]
        self.in_flight.update(notice["id"] for notice in notices if notice["state"] == "sending")
        # Rows of other things than a trouble are lists and numbers.
        telling = [
            trouble["sending"] for trouble in troubles if isinstance(trouble, dict) and "sort" in trouble
        ]
        self.in_flight.update(sending[0] for sending in telling if sending is not None)

    async def start(self) -> None:
        """Start the service, and wait until it serves and has its broker."""
        await self.ward.monitor.launch(self.now)
        await until(self._serves, "the service to serve", within=WITHIN)

    def _serves(self) -> bool:
        return self.ward.monitor._serves(broker=True)

    # ---- people --------------------------------------------------------------------------------------------------

    def _read(self) -> None:
        """Everybody reads what has arrived since."""
        pages, mails = self.ward.snpp.pages, self.ward.smtp.mails
        for page in pages[self._pages :]:
            self.staff.reads(self.people.pagers[page.pager], page.text, self.now)
        for mail in mails[self._mails :]:
            message = mail.message
            subject = str(message["Subject"]).strip().replace("PRIORITY, ", "")
            for recipient in mail.recipients:
                person = self.people.mailboxes[recipient]
                self.staff.reads(person, f"{subject}\n{message.get_content()}", self.now)
        self._pages, self._mails = len(pages), len(mails)


def staff_of(world: World, people: People, seed: int) -> Staff:
    """Everybody of the site; the first nurse of a unit is quick, the others take longer."""
    usual = {
        person: Habit(answer_after=(1.0, 3.0) if person.endswith("-1") else (4.0, 8.0))
        for person in (*people.pagers.values(), *people.mailboxes.values())
        if person != "technical"
    }
    places = {pump.place: pump.id for pump in world.scenario.pumps}
    return Staff(seed=seed, places=places, habits={}, usual=usual)

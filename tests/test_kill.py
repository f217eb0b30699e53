"""SIGKILL in mid-night: a service killed and started again ends the night as one never stopped."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
from collections import Counter
from collections.abc import AsyncIterator, Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import pytest

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import parse
from simulators import World, load
from simulators.broker import BridgeConnection
from simulators.broker import BrokerAddress as SimulatorAddress
from simulators.wire import Published
from tests.night import MINUTE, SECOND, Ward, alarm, night, state, ward

HOURS, PUMPS = 3.0, 9  # muted twice over, off its socket, a line that blocks three times
RESTARTS = frozenset({"started", "stopped", "configuration-changed", "link-up", "link-down", "caught-up"})
ANSWERS = (
    # when, who, answers what, about which pump's newest concern
    ("2026-03-14T22:33:10Z", "nurse-1", "accept", "pump-0104"),
    ("2026-03-14T22:47:40Z", "nurse-1", "hand-back", "pump-0104"),
    ("2026-03-14T22:49:20Z", "charge", "accept", "pump-0104"),
    ("2026-03-15T00:24:30Z", "nurse-2", "accept", "pump-0109"),
)
PLACES = ("between", "entered", "publishing", "published", "completing", "completing")
ANSWERING = "answering"
SENDING = "sending"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """Where the process is killed: at which place of which instant, `after` s into the work where it races with it.

    `number` counts instants; answers where it is killed answering. "sending" is the first instant from `number` on in
    which a mail or page arrives.
    """

    number: int
    place: str
    after: float = 0.0


@dataclass(slots=True, kw_only=True)
class Killed:
    """What was so when it was killed: the trail's leaves, and the Message-IDs of the notices that were being sent."""

    place: str
    leaves: list[bytes]
    in_flight: dict[str, str]


@dataclass(slots=True)
class Play:
    """One night played to a service."""

    ward: Ward
    bridge: BridgeConnection
    kills: list[Kill]
    killed: list[Killed] = field(default_factory=list)
    instants: int = 0

    async def run(self) -> None:
        """Play it to the end."""
        world = World(load("demo-night", hours=HOURS, pumps=PUMPS))
        answers = list(ANSWERS)
        due = (await self.ward.monitor.ask("state"))["due"]
        now = world.start_ms
        while True:
            coming = [at for at in (world.next_at(), due) if at is not None]
            coming += [parse(at) for at, *_ in answers[:1]]
            if not coming or min(coming) > world.end_ms:
                return
            now = max(now, min(coming))
            kill = self._kill(self.instants, *PLACES)
            self.instants += 1
            due = await self._instant(now, world.advance(now), kill)
            if answers and parse(answers[0][0]) <= now:
                kill = self._kill(len(ANSWERS) - len(answers), ANSWERING)
                _, person, answer, device = answers.pop(0)
                due = await self._answer(now, kill, person, answer, device)

    def _pending(self) -> Kill | None:
        return next((k for k in self.kills if k.place == SENDING and k.number <= self.instants), None)

    async def _sending(self, kill: Kill, at: int) -> None:
        """Kill it as soon as a notice has arrived, if one does."""
        self.ward.arrived.clear()
        task = asyncio.ensure_future(self.ward.monitor.ask("complete"))
        arrived = asyncio.ensure_future(self.ward.arrived.wait())
        await asyncio.wait({task, arrived}, return_when=asyncio.FIRST_COMPLETED)
        if arrived.done():
            self.kills.remove(kill)
            await self._kill_and_start(at, SENDING, task)
        else:
            arrived.cancel()

    def _kill(self, number: int, *places: str) -> Kill | None:
        return next((kill for kill in self.kills if kill.number == number and kill.place in places), None)

    async def _instant(self, at: int, messages: list[Published], kill: Kill | None) -> int | None:
        monitor = self.ward.monitor
        place = kill.place if kill is not None else ""
        if place == "between":
            await self._kill_and_start(at, place)
        await monitor.ask("enter", at=at)
        if place == "entered":
            await self._kill_and_start(at, place)
        first = len(messages) // 2 if place == "publishing" else len(messages)
        await asyncio.to_thread(self._publish, messages[:first])
        if place in ("publishing", "published"):
            await self._kill_and_start(at, place)
        await asyncio.to_thread(self._publish, messages[first:])
        if place == "completing":
            assert kill is not None
            await self._racing(kill, at, monitor.ask("complete"))
        elif pending := self._pending():
            await self._sending(pending, at)
        due: int | None = (await monitor.ask("complete"))["due"]
        return due

    async def _answer(self, at: int, kill: Kill | None, person: str, answer: str, device: str) -> int | None:
        monitor = self.ward.monitor
        concern = next(e["concern"] for e in reversed(self.ward.happened("raised")) if e["device"] == device)
        if kill is not None:
            await self._racing(kill, at, monitor.ask(answer, reference=concern, person=person))
        said = await monitor.ask(answer, reference=concern, person=person)
        assert said["ok"], said
        due: int | None = (await monitor.ask("complete"))["due"]
        return due

    async def _racing(self, kill: Kill, at: int, work: Any) -> None:
        """Kill it while it does something."""
        task = asyncio.ensure_future(work)
        await asyncio.sleep(kill.after)
        await self._kill_and_start(at, kill.place, task)

    async def _kill_and_start(self, at: int, place: str, task: asyncio.Future[Any] | None = None) -> None:
        await self.ward.monitor.kill()
        if task is not None:
            with contextlib.suppress(ConnectionError):
                await task
        with StoreReader(self.ward.state_dir) as reader:
            stored = {key: json.loads(text)[1] for key, text in reader.rows("notice").items()}
            self.killed.append(
                Killed(
                    place=place,
                    leaves=[entry.leaf for entry in reader.entries()],
                    in_flight={
                        key: notice["message_id"]
                        for key, notice in stored.items()
                        if notice["state"] == "sending"
                    },
                )
            )
        await self.ward.monitor.start(at)
        await self.ward.monitor.ask("enter", at=at)

    def _publish(self, messages: list[Published]) -> None:
        for message in messages:
            self.bridge.send(message)
        self.bridge.flush()


@contextlib.asynccontextmanager
async def played(folder: Path, *kills: Kill) -> AsyncIterator[Play]:
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
            play = Play(made, bridge, list(kills))
            await made.monitor.start(World(load("demo-night", hours=HOURS, pumps=PUMPS)).start_ms)
            await play.run()
            assert await made.monitor.stop() == 0
            yield play
        finally:
            await asyncio.to_thread(bridge.abandon)


def concerns(play: Play) -> dict[str, list[tuple[Any, ...]]]:
    """What became of each concern: rule, device, priority and instant of each beginning, rise and end."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for entry in play.ward.trail():
        if entry["event"] in ("raised", "relapsed", "priority-raised", "settled"):
            what = (entry["event"], entry["at"], entry["rule"], entry["device"], entry["priority"])
            found.setdefault(entry["concern"], []).append(what)
    return found


def told(play: Play) -> Counter[tuple[str, str, str]]:
    """How often whom about which concern for what reason."""
    return Counter(
        (entry["concern"], entry["person"], entry["detail"]["why"]) for entry in play.ward.happened("told")
    )


def deeds(play: Play) -> list[tuple[Any, ...]]:
    """What people did, and what was decided about it."""
    events = ("accepted", "accepted-again", "handed-back", "declined", "rechecked", "duty-ended")
    return [(e["event"], e["concern"], e.get("person")) for e in play.ward.trail() if e["event"] in events]


def arrivals(play: Play) -> Counter[str]:
    """How often each notice arrived, by its mail's Message-ID or its page's pager and text."""
    mails = [f"{m.message['Message-ID']}".strip() for m in play.ward.smtp.mails]
    return Counter(mails + [f"{page.pager} {page.text}" for page in play.ward.snpp.pages])


def notices(play: Play) -> list[dict[str, Any]]:
    """All notices of the night, as they are stored."""
    with StoreReader(play.ward.state_dir) as reader:
        return [json.loads(text)[1] for text in reader.rows("notice").values()]


def sent(play: Play, only: Collection[str] | None = None) -> Counter[str]:
    """How often each notice should have arrived, by the same names: once for each that the store calls sent."""
    reach = {"nurse-1": ("4101", None), "charge": (None, "4100"), "manager": ("4000",)}
    found: Counter[str] = Counter()
    for notice in notices(play):
        assert notice["state"] in ("sent", "dropped"), notice
        pager = reach.get(notice["person"], (None,))[notice["way"]]
        name = notice["message_id"] if pager is None else f"{pager} {notice['body']}"
        found[name] += notice["state"] == "sent" and (only is None or notice["id"] in only)
    return +found


def entries(play: Play) -> Counter[tuple[str, ...]]:
    """What the trail tells, but for the restarts."""
    keys = ("event", "concern", "person", "device", "rule", "priority")
    told = [entry for entry in play.ward.trail() if entry["event"] not in RESTARTS]
    return Counter(tuple(str(entry.get(key)) for key in keys) for entry in told)


def assert_ended_alike(undisturbed: Play, killed: Play) -> None:
    """Two nights ended alike: the same concerns, everybody told the same, nothing sent but once or again in flight."""
    assert concerns(killed) == concerns(undisturbed)
    assert told(killed) == told(undisturbed)
    once, arrived = sent(killed), arrivals(killed)
    assert not once - arrived, "a notice that counts as sent never arrived"
    again: Counter[str] = Counter()
    for kill in killed.killed:
        again += sent(killed, kill.in_flight)
    assert arrived - once <= again, "a notice arrived twice that was not in flight at a kill"
    ids = {notice["id"]: notice["message_id"] for notice in notices(killed)}
    for kill in killed.killed:
        assert {key: ids[key] for key in kill.in_flight} == kill.in_flight, (
            "sent again under another Message-ID"
        )
    with StoreReader(killed.ward.state_dir) as reader:
        assert reader.verify() is None
        leaves = [entry.leaf for entry in reader.entries()]
    for kill in killed.killed:
        assert leaves[: len(kill.leaves)] == kill.leaves, f"an entry was lost at {kill.place}"


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Play:
    """The night played to a service that is never stopped."""

    async def play() -> Play:
        async with played(tmp_path_factory.mktemp("undisturbed") / "night") as found:
            return found

    return asyncio.run(play())


async def test_a_killed_service_ends_the_night_as_one_never_stopped(
    tmp_path: Path, undisturbed: Play
) -> None:
    """Killed while it sends, takes messages, works and answers, the night ends with the same concerns."""
    draw = Random(20260314)
    kills = [
        Kill(number=draw.randrange(200, 700), place=SENDING),
        Kill(number=draw.randrange(800, 1400), place="publishing"),
        Kill(number=draw.randrange(1500, 2100), place="completing", after=draw.uniform(0, 0.004)),
        Kill(number=0, place=ANSWERING, after=draw.uniform(0, 0.003)),
    ]
    async with played(tmp_path / "night", *kills) as killed:
        assert sorted(kill.place for kill in killed.killed) == sorted(kill.place for kill in kills)
        assert len(concerns(undisturbed)) == 6
        assert sum(sent(undisturbed).values()) > 40
        assert arrivals(undisturbed) == sent(undisturbed)
        assert any(kill.in_flight for kill in killed.killed)
        assert_ended_alike(undisturbed, killed)
        twice = [deed for deed in deeds(killed) if deed[0] == "accepted-again"]
        assert len(twice) <= 1, "whoever was not answered asks again"
        assert [deed for deed in deeds(killed) if deed not in twice] == deeds(undisturbed)


@pytest.mark.long
@pytest.mark.timeout(900)
async def test_kills_at_every_kind_of_place(tmp_path: Path, undisturbed: Play) -> None:
    """Some fifteen kills a night at seeded places, five nights: each ends as the undisturbed one."""
    for seed in range(5):
        draw = Random(seed)
        kills = [
            Kill(number=draw.randrange(5, 2200), place=draw.choice(PLACES), after=draw.uniform(0, 0.006))
            for _ in range(10)
        ]
        kills += [Kill(number=draw.randrange(100, 2000), place=SENDING) for _ in range(5)]
        async with played(tmp_path / f"night-{seed}", *kills) as killed:
            assert len(killed.killed) >= 12, "kills that fall into one instant count once"
            assert_ended_alike(undisturbed, killed)
            assert entries(killed) == entries(undisturbed)


async def test_what_is_not_committed_is_not_acknowledged(tmp_path: Path) -> None:
    """While the store cannot be written the broker keeps the messages: killed then, the service gets them again."""
    async with night(tmp_path / "night") as ward:
        at = ward.now + SECOND
        with locked(ward.state_dir):
            await ward.monitor.ask("enter", at=at)
            await ward.publish(state(at, activity="stopped", alarms=[alarm(at)]))
            await ward.monitor.says("cannot store; nothing is acknowledged or sent meanwhile")
            await ward.monitor.kill()
        with StoreReader(ward.state_dir) as reader:
            assert reader.rows("device") == {}
        await ward.monitor.start(at)
        await ward.step(at + SECOND)
        with StoreReader(ward.state_dir) as reader:
            assert list(reader.rows("device")) == ["pump-0101"]
        await ward.step(at + 3 * MINUTE)
        assert [entry["at"] for entry in ward.happened("raised")] == [at + 2 * MINUTE]


async def test_a_store_that_comes_back_loses_nothing(tmp_path: Path) -> None:
    """A failed commit is tried again unchanged, and a person is answered only after it."""
    async with night(tmp_path / "night") as ward:
        at = ward.now + SECOND
        await ward.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
        await ward.step(at + 3 * MINUTE)
        concern = ward.happened("raised")[0]["concern"]
        with locked(ward.state_dir):
            answer = asyncio.ensure_future(ward.monitor.ask("accept", reference=concern, person="nurse-1"))
            await ward.monitor.says("cannot store; nothing is acknowledged or sent meanwhile")
            assert not answer.done()
        assert (await answer)["ok"]
        assert [entry["person"] for entry in ward.happened("accepted")] == ["nurse-1"]


async def test_a_stop_does_not_wait_for_a_store_that_cannot_be_written(tmp_path: Path) -> None:
    """SIGTERM ends a service whose store stays locked: status 1, nothing acknowledged, everything there after it."""
    async with night(tmp_path / "night") as ward:
        at = ward.now + SECOND
        with locked(ward.state_dir):
            await ward.monitor.ask("enter", at=at)
            await ward.publish(state(at))
            await ward.monitor.says("cannot store")
            assert await ward.monitor.stop() == 1
        await ward.monitor.start(at)
        await ward.step(at + SECOND)
        with StoreReader(ward.state_dir) as reader:
            assert list(reader.rows("device")) == ["pump-0101"]


@contextlib.contextmanager
def locked(state_dir: Path) -> Iterator[None]:
    """Hold the store's write lock, as a backup program might."""
    with contextlib.closing(sqlite3.connect(state_dir / FILE_NAME, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        yield
        db.execute("ROLLBACK")

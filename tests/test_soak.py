"""A night at 60 times the speed of the clock with faults all through it: nothing lost, nothing leaks, counts agree."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
from collections import Counter
from collections.abc import AsyncIterator, Iterable
from pathlib import Path
from random import Random
from typing import TypeVar

import pytest

from monitor.adapters.store_reader import StoreReader
from simulators import World, load
from simulators.smtp_sink import Mail
from simulators.snpp_sink import Page
from tests.night import MINUTE, Ward
from tests.soak import faults, gauges, servers
from tests.soak.account import notices_wrong, quarantine_wrong, report
from tests.soak.bridges import Bridges
from tests.soak.faults import Faults
from tests.soak.gauges import Sample
from tests.soak.ledger import Ledger
from tests.soak.play import Play, staff_of
from tests.soak.servers import FailedAttempts, Servers
from tests.soak.site import people_of, site_text
from tests.soak.traffic import Traffic
from tests.soak.ward import QuietMosquitto

Kept = TypeVar("Kept", Mail, Page)

FOLDER = Path(__file__).parent / "soak"


@contextlib.asynccontextmanager
async def playing(folder: Path, scenario_file: str, *, seed: int, least: int) -> AsyncIterator[Play]:
    """A night about to be played, its service and its bridges connected."""
    scenario = load(FOLDER / scenario_file)
    world, people, random = World(scenario), people_of(scenario), Random(seed)
    (folder / "broker").mkdir()
    (folder / "state").mkdir(mode=0o700)
    broker = QuietMosquitto(folder / "broker")
    await broker.start()
    async with contextlib.AsyncExitStack() as stack:
        stack.push_async_callback(broker.stop)
        ward = Ward(folder, broker, "")
        await stack.enter_async_context(ward.smtp)
        await stack.enter_async_context(ward.snpp)
        ward.write_site(
            site_text(scenario, people, mqtt=broker.address.port, smtp=ward.smtp.port, snpp=ward.snpp.port)
        )
        bridges = Bridges(broker.address, scenario.bridges)
        stack.callback(bridges.close)
        traffic = Traffic(world, random, taken=world.start_ms)
        play = Play(
            ward=ward,
            world=world,
            people=people,
            random=random,
            bridges=bridges,
            traffic=traffic,
            ledger=Ledger(traffic),
            servers=Servers(ward.smtp, ward.snpp, FailedAttempts(ward.monitor.log_file), {}, least),
            staff=staff_of(world, people, seed),
            now=world.start_ms,
            look_at=world.start_ms + MINUTE,
        )
        await bridges.connect()
        try:
            await play.start()
            yield play
        finally:
            if ward.monitor.started:
                await ward.monitor.kill()
        assert "Traceback" not in ward.monitor.log_file.read_text()


async def soak(play: Play, injected: Faults, reconcile_at: Iterable[int], *, to_rest: bool = False) -> None:
    """Play the night to its end, the live store reconciled meanwhile; prints the account, and keeps it in a file."""
    reconciling = sorted(reconcile_at)
    live = []
    while not play.over:
        await injected.step()
        if reconciling and play.minute >= reconciling[0]:
            reconciling.pop(0)
            live.append(asyncio.ensure_future(play.ward.command("reconcile")))  # while the night goes on
    await play.servers.mend()
    await play.step()
    if to_rest:
        await play.quiet()
    await play.look()
    for done in await asyncio.gather(*live):
        assert done.returncode == 0, f"on a live store: {done.stdout}{done.stderr}"
    assert not reconciling
    assert await play.ward.monitor.stop() == 0
    reconciled = await play.ward.command("reconcile")
    account = report(play, injected, reconciled.stdout + reconciled.stderr)
    path = play.ward.folder / "account.txt"
    path.write_text(account + "\n", encoding="utf-8")
    print(f"\n{account}\n\n(kept in {path})")
    assert reconciled.returncode == 0, reconciled.stdout + reconciled.stderr


def assert_sound(play: Play, injected: Faults) -> None:
    """All that was planned was injected, all that was published is counted, all that was sent arrived, nothing grew."""
    assert not injected.plan
    assert not any(play.servers.plan.values())
    assert not play.wrong, "\n".join(play.wrong)
    assert not (wrong := notices_wrong(play)), "\n".join(wrong)
    assert not quarantine_wrong(play)
    assert not (grown := gauges.leaks(play.samples)), "\n".join(grown)
    with StoreReader(play.ward.state_dir) as reader:
        assert reader.verify() is None
    assert play.answers["by command"]
    assert play.answers["by message"]


@pytest.mark.timeout(300)
async def test_a_quarter_of_an_hour(tmp_path: Path) -> None:
    """150 pumps with every kind of fault once; counts reconcile, live and at the end."""
    async with playing(tmp_path, "quarter.toml", seed=5, least=0) as play:
        start = play.world.start_ms
        kinds = list(faults.KINDS)
        play.random.shuffle(kinds)
        kinds.sort(key=lambda kind: kind == "broker away")  # last: a link that fails again waits for longer
        plan = [(start + (2 + number) * MINUTE, kind) for number, kind in enumerate(kinds)]
        for carrier in ("mail", "pager"):
            own = [kind for of, kind in servers.KINDS if of == carrier]
            play.servers.plan[carrier] = [
                (start + (4 + number) * MINUTE, kind) for number, kind in enumerate(own)
            ]
        injected = Faults(play, plan, size=1)
        await soak(play, injected, reconcile_at=(9,))
        assert_sound(play, injected)
        assert injected.done.keys() == faults.KINDS.keys()
        assert play.servers.felt.keys() == {f"{carrier} {kind}" for carrier, kind in servers.KINDS}
        assert_would_be_found(play)


def assert_would_be_found(play: Play) -> None:
    """What the account of this very night would say of a message too few, of a notice that is lost or comes twice."""
    for kind in ("snapshots", "late", "answers", "plans", "rejected not-json", "sequence-gaps"):
        for number in (-1, 1):
            ledger = dataclasses.replace(play.ledger, again=Counter(play.ledger.again))
            counters = play.counters | {kind: play.counters[kind] + number}
            assert ledger.check(counters), f"{kind}: {number:+} is not seen"
    assert_arrivals_count(play, play.ward.smtp.mails)
    assert_arrivals_count(play, play.ward.snpp.pages)
    assert not notices_wrong(play)


def assert_arrivals_count(play: Play, arrived: list[Kept]) -> None:
    """One that never arrived is told of, and one that came three times."""
    last = arrived.pop()
    assert notices_wrong(play)
    arrived += [last, last, last]
    assert notices_wrong(play)
    del arrived[-2:]


@pytest.mark.long
@pytest.mark.timeout(3600)
async def test_a_night(tmp_path: Path) -> None:
    """2,000 pumps for nine hours, every kind of fault several times."""
    async with playing(tmp_path, "night.toml", seed=9, least=2 * MINUTE) as play:
        start = play.world.start_ms
        plan: list[tuple[int, str]] = []
        for number in range(5):
            kinds = list(faults.KINDS)
            play.random.shuffle(kinds)
            for place, kind in enumerate(kinds):
                # Half an hour to come into its own; then, for a long life between two kills, none of the service.
                minute = 30 + 100 * number + 8 * place
                if kind == "service killed":
                    minute = (12, 47, 95, 140, 520)[number]
                plan.append((start + minute * MINUTE, kind))
        for carrier in ("mail", "pager"):
            own = [kind for of, kind in servers.KINDS if of == carrier]
            play.servers.plan[carrier] = [
                (start + (20 + 30 * number) * MINUTE, own[number % len(own)]) for number in range(16)
            ]
        injected = Faults(play, sorted(plan), size=10)
        await soak(play, injected, reconcile_at=(60, 210, 330, 460), to_rest=True)
        assert_sound(play, injected)
        assert gauges.long_lives(play.samples)
        assert all(count >= 3 for count in injected.done.values())
        assert all(play.servers.felt[f"{carrier} {kind}"] >= 2 for carrier, kind in servers.KINDS)


def grown(**by: int) -> list[Sample]:
    """The samples of four hours, a minute apart, in which something grows by so much an hour."""
    usual = {"rss": 100_000, "descriptors": 20, "mail_lines": 1, "threads": 4, "tasks": 9}
    return [
        Sample(
            at=minute * MINUTE,
            pid=1,
            **{name: value + by.get(name, 0) * minute // 60 for name, value in usual.items()},
        )
        for minute in range(240)
    ]


@pytest.mark.parametrize("name", ["rss", "descriptors", "mail_lines", "threads", "tasks"])
def test_a_leak_is_found(name: str) -> None:
    """Each gauge that grows through a night is told of; the same night without is not."""
    assert gauges.leaks(grown()) == []
    assert gauges.leaks(grown(rss=1_000)) == []
    assert len(gauges.leaks(grown(**{name: 4_000 if name == "rss" else 3}))) == 1

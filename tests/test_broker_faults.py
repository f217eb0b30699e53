"""The broker in trouble while a service runs: killed, hung, gone, refusing the login, or not the first of its list."""

from __future__ import annotations

import asyncio
from collections import Counter
from pathlib import Path

import pytest

from tests.broker_ward import (
    PATIENCE,
    another,
    feeding,
    link_changes,
    linked,
    login,
    passwords,
    raised,
    ringing,
    sight_lost,
    site_of,
    watched,
)
from tests.brokers import black_hole, dead_address, publish_all
from tests.night import ELM, MINUTE, PRESENCE, SECOND, TEN, Ear, state, until, ward

HOUR = 60 * MINUTE


# ---- killed ----------------------------------------------------------------------------------------------------


async def test_a_killed_broker_that_lost_everything_costs_nothing_but_its_gap(tmp_path: Path) -> None:
    """SIGKILL and a restart without a session: found again, subscribed anew, the alarm goes on with its true time."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        await made.step(rang, ringing(rang, "pump-0101"))
        await made.broker.kill()
        (made.broker.folder / "mosquitto.db").unlink(missing_ok=True)
        await linked(made, False)
        await made.broker.start()
        await linked(made, True)
        await made.step(rang + 30 * SECOND, ringing(rang, "pump-0101", at=rang + 30 * SECOND))
        await made.step(rang + 2 * MINUTE + 5 * SECOND)
        assert link_changes(made) == ["link-up", "link-down", "link-up"]
        assert [entry["detail"]["session"] for entry in made.happened("link-up")] == [False, False]
        assert raised(made, "unattended") == [("pump-0101", rang + 2 * MINUTE)]
        assert made.happened("caught-up")[-1]["detail"]["complete"] is True
        assert sight_lost(made) == []


async def test_a_broker_that_lost_everything_is_told_the_open_concerns_again(tmp_path: Path) -> None:
    """The retained lists and our presence stand on a broker that has lost them, though nothing has changed."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        await made.step(rang, ringing(rang, "pump-0101"))
        await made.step(rang + 2 * MINUTE + 5 * SECOND)
        concern = made.happened("raised")[0]["concern"]
        await made.broker.kill()
        (made.broker.folder / "mosquitto.db").unlink(missing_ok=True)
        await linked(made, False)
        await made.broker.start()
        await linked(made, True)
        with Ear(made.broker.address, f"{ELM}/pump-0101/concerns") as ear:
            said = await ear.hears(f"{ELM}/pump-0101/concerns", lambda said: said["data"])
            assert [listed["concern"] for listed in said["data"]] == [concern]
        with Ear(made.broker.address, PRESENCE) as ear:
            await ear.hears(PRESENCE, lambda said: said["online"])


# ---- refusing the login ----------------------------------------------------------------------------------------


async def test_a_login_refused_in_mid_night_and_mended(tmp_path: Path) -> None:
    """The password is changed at the broker: named, sight-lost once; changed back: in by itself, nothing lost."""
    folder = tmp_path / "login"
    folder.mkdir()
    ours = login(folder, "right-one")
    async with watched(tmp_path, settings=passwords(folder, "right-one"), login=ours) as made:
        await made.broker.stop()
        await linked(made, False)
        passwords(folder, "another-one")
        await made.broker.start()
        await made.monitor.says("login refused by the broker: Not authorized")
        gone = made.now
        await made.publish(ringing(gone + SECOND, "pump-0101"))
        await made.step(gone + 30 * MINUTE)
        assert sight_lost(made) == ["unit:elm", "unit:oak"]
        refusals = [line for line in made.monitor.log() if "login refused" in line.get("why", "")]
        assert len(refusals) == 1  # once, not at each attempt
        assert "right-one" not in made.monitor.log_file.read_text()
        passwords(folder, "right-one")
        made.broker.reload()
        await linked(made, True)
        back = made.now
        await made.step(back, ringing(gone + SECOND, "pump-0101", at=back))
        await made.step(back + 3 * SECOND)
        assert raised(made, "unattended") == [("pump-0101", gone + 2 * MINUTE + SECOND)]
        assert made.happened("link-up")[-1]["detail"]["session"] is True


async def test_a_login_refused_from_the_start_and_mended(tmp_path: Path) -> None:
    """A service started with a password that the broker does not know yet gets in once it does."""
    folder = tmp_path / "login"
    folder.mkdir()
    ours = login(folder, "right-one")
    async with ward(tmp_path / "ward", settings=passwords(folder, "another-one"), login=ours) as made:
        await made.monitor.start(TEN, broker=False)
        await made.monitor.says("login refused by the broker: Not authorized")
        passwords(folder, "right-one")
        made.broker.reload()
        await linked(made, True)
        await made.step(TEN + SECOND, state(TEN + SECOND))
        assert (await made.monitor.ask("state"))["counters"]["snapshots"] == 1


# ---- lists of addresses ----------------------------------------------------------------------------------------


async def test_dead_addresses_before_the_good_one_block_nobody(tmp_path: Path) -> None:
    """A closed port, a black hole and a hung broker come first: each costs its time limit, and commands are served."""
    async with ward(tmp_path / "ward") as made, another(tmp_path / "hung") as hung:
        with black_hole() as hole:
            hung.freeze()
            made.write_site(site_of(made, dead_address(), hole, hung.address, made.broker.address))
            await made.monitor.start(TEN, broker=False)
            answered: Counter[int] = Counter()  # by how many addresses had failed so far
            async with asyncio.timeout(PATIENCE):
                while not (await made.monitor.ask("state"))["link"]:
                    answered[made.monitor.log_file.read_text().count("broker not there")] += 1
                    await asyncio.sleep(0.02)
            # The black hole takes 5 s and the hung broker 10: a loop that is blocked would answer once, or twice.
            assert answered[1] > 10
            assert answered[2] > 10
        lost = [line["why"] for line in made.monitor.log() if line["event"] == "broker not there"]
        assert ["refused" in lost[0], "no connection within 5 s" in lost[1]] == [True, True]
        assert "no answer to our login within 10 s" in lost[2]
        assert len(lost) == 3
        await made.step(TEN + SECOND, state(TEN + SECOND))
        assert (await made.monitor.ask("state"))["counters"]["snapshots"] == 1


async def test_the_second_broker_takes_over_when_the_first_dies(tmp_path: Path) -> None:
    """A broker killed for good: the night goes on at the second address, where what was retained long ago is late."""
    async with ward(tmp_path / "ward") as made, another(tmp_path / "second") as second:
        made.write_site(site_of(made, made.broker.address, second.address))
        await made.monitor.start(TEN)
        await made.step(TEN, ringing(TEN, "pump-0101"))
        await publish_all(second.address, feeding(TEN - MINUTE, "pump-0101"), retain=True)
        await made.broker.kill()
        made.broker = second
        await until(lambda: made.monitor.log_file.read_text().count("broker there") == 2, "the second broker")
        await linked(made, True)
        at = TEN + 20 * SECOND
        await made.step(at, ringing(TEN, "pump-0101", at=at), retain=True)
        await made.step(TEN + 2 * MINUTE + 5 * SECOND)
        assert raised(made, "unattended") == [("pump-0101", TEN + 2 * MINUTE)]
        assert (await made.monitor.ask("state"))["counters"]["late"] == 1
        with Ear(second.address, f"{ELM}/pump-0101/concerns") as ear:
            await ear.hears(f"{ELM}/pump-0101/concerns", lambda said: len(said["data"]) == 1)


# ---- hung ------------------------------------------------------------------------------------------------------


async def test_a_broker_that_hangs_for_a_moment_is_not_lost(tmp_path: Path) -> None:
    """SIGSTOP, SIGCONT: what was published meanwhile arrives, commands are served, and nothing is said of it."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        await made.monitor.ask("enter", at=rang)
        made.broker.freeze()
        publishing = asyncio.ensure_future(made.publish(ringing(rang, "pump-0101")))
        for _ in range(50):
            assert (await made.monitor.ask("state"))["link"]
            await asyncio.sleep(0.02)
        assert not publishing.done()
        made.broker.thaw()
        await publishing
        await made.monitor.ask("complete")
        await made.step(rang + 2 * MINUTE + 5 * SECOND)
        assert raised(made, "unattended") == [("pump-0101", rang + 2 * MINUTE)]
        assert made.happened("link-down") == []


@pytest.mark.long
@pytest.mark.timeout(400)
async def test_a_broker_that_hangs_for_an_hour(tmp_path: Path) -> None:
    """Given up after its keepalive, sight-lost once for each unit; thawed, its session goes on where it was."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        await made.step(rang, ringing(rang, "pump-0101"))
        made.broker.freeze()
        await linked(made, False, within=150)
        await until(lambda: bool(made.happened("link-down")), "the loss to be stored")
        [down] = made.happened("link-down")
        assert "no answer within the keepalive of 15 s" in down["detail"]["reason"]
        await made.step(rang + HOUR)
        assert sight_lost(made) == ["unit:elm", "unit:oak"]
        made.broker.thaw()
        await linked(made, True, within=120)
        back = made.now
        await made.step(back, ringing(rang, "pump-0101", at=back))
        await made.step(back + 3 * SECOND)
        assert raised(made, "unattended") == [("pump-0101", rang + 2 * MINUTE)]
        assert made.happened("link-up")[-1]["detail"]["session"] is True


@pytest.mark.long
@pytest.mark.timeout(400)
async def test_a_broker_that_hangs_for_good_leads_to_the_second_address(tmp_path: Path) -> None:
    """Its port still takes connections: the login's time limit turns to the next broker, within a minute of trying."""
    async with ward(tmp_path / "ward") as made, another(tmp_path / "second") as second:
        made.write_site(site_of(made, made.broker.address, second.address))
        await made.monitor.start(TEN)
        await made.step(TEN, ringing(TEN, "pump-0101"))
        made.broker.freeze()
        made.broker = second
        log = made.monitor.log_file
        await until(lambda: log.read_text().count("broker there") == 2, "the second broker", within=200)
        await linked(made, True)
        at = TEN + 20 * SECOND
        await made.step(at, ringing(TEN, "pump-0101", at=at))
        await made.step(TEN + 2 * MINUTE + 5 * SECOND)
        assert raised(made, "unattended") == [("pump-0101", TEN + 2 * MINUTE)]

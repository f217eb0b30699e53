"""A ward of two units whose broker is about to be in trouble, and the words of tests about that."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store_schema import FILE_NAME
from tests.brokers import Mosquitto, Relay, login_settings, mosquitto
from tests.night import SECOND, TEN, Ward, alarm, state, until, ward
from tests.ward_site import site_text

PUMPS = {"pump-0101": "elm", "pump-0102": "elm", "pump-0103": "elm", "pump-0201": "oak", "pump-0202": "oak"}
SESSION = "secondbell-larkfield-night"  # the name of our session at the broker
PATIENCE = 60.0  # seconds: a link waits up to 30 from one round of its addresses to the next

OAK = """
[units.oak]
called = "Oak ward"
[devices.pump-0201]
unit = "oak"
place = "bay 1 bed 1"
[devices.pump-0202]
unit = "oak"
place = "bay 1 bed 2"
[[duty]]
person = "nurse-2"
role = "nurse"
unit = "oak"
"""


def site_of(ward: Ward, *addresses: BrokerAddress, login: str = "") -> str:
    """The ward's site file with a second unit, and these brokers."""
    text = site_text(addresses[0], smtp=ward.smtp.port, snpp=ward.snpp.port, login=login)
    listed = ", ".join(f'"mqtt://{address}"' for address in addresses)
    return text.replace(f'["mqtt://{addresses[0]}"]', f"[{listed}]") + OAK


@contextlib.asynccontextmanager
async def watched(
    folder: Path, *, settings: tuple[str, ...] = ("allow_anonymous true",), login: str = ""
) -> AsyncIterator[Ward]:
    """A service under a stepped clock that has seen every pump feed, in a ward of two units."""
    async with ward(folder / "ward", settings=settings) as made:
        made.write_site(site_of(made, made.broker.address, login=login))
        await _see_all(made)
        yield made


@contextlib.asynccontextmanager
async def relayed(folder: Path) -> AsyncIterator[tuple[Ward, Relay]]:
    """The same with a network between service and broker that can be cut; bridges are on the broker's side."""
    async with ward(folder / "ward") as made, Relay(made.broker.address) as relay:
        made.write_site(site_of(made, relay.address))
        await _see_all(made)
        yield made, relay


async def _see_all(made: Ward) -> None:
    await made.monitor.start(TEN)
    await made.step(TEN, *feeding(TEN))
    await made.step(TEN + 2 * SECOND)


@contextlib.asynccontextmanager
async def another(folder: Path) -> AsyncIterator[Mosquitto]:
    """A second broker."""
    (folder / "broker").mkdir(parents=True)
    async with mosquitto(folder / "broker") as broker:
        yield broker


async def linked(ward: Ward, wanted: bool, *, within: float = PATIENCE) -> None:
    """Wait until the service has a broker, or has none."""
    async with asyncio.timeout(within):
        while (await ward.monitor.ask("state"))["link"] is not wanted:  # noqa: ASYNC110 - of another process
            await asyncio.sleep(0.02)


async def broker_says(ward: Ward, text: str, times: int = 1) -> None:
    """Wait until the broker's log says this so often."""
    log = ward.broker.log_file
    what = f"the broker to say {text!r} {times} times"
    await until(lambda: log.read_text().count(text) >= times, what, within=PATIENCE)


def feeding(at: int, *pumps: str) -> list[tuple[str, bytes]]:
    """Messages of pumps that feed, all of them if none is named."""
    return [state(at, pump, unit=PUMPS[pump]) for pump in pumps or PUMPS]


def others_feed(at: int, *besides: str) -> list[tuple[str, bytes]]:
    """Messages of all other pumps, that feed."""
    return feeding(at, *(pump for pump in PUMPS if pump not in besides))


def ringing(since: int, pump: str, at: int | None = None, **said: str) -> tuple[str, bytes]:
    """The message of a pump whose alarm condition began at an instant and is still there, sounding, at another."""
    at = since if at is None else at
    return state(at, pump, unit=PUMPS[pump], activity="stopped", alarms=[alarm(since, **said)])


def raised(ward: Ward, rule: str) -> list[tuple[str, int]]:
    """What was raised by a rule: about whom, and when it held."""
    return sorted(
        (entry["device"], entry["at"]) for entry in ward.happened("raised") if entry["rule"] == rule
    )


def sight_lost(ward: Ward) -> list[str]:
    """For which units sight was lost, each as often as that."""
    return [unit for unit, _ in raised(ward, "sight-lost")]


def link_changes(ward: Ward) -> list[str]:
    """How the broker went and came, as the trail tells it."""
    return [entry["event"] for entry in ward.trail() if entry["event"] in ("link-up", "link-down")]


def passwords(folder: Path, password: str) -> tuple[str, ...]:
    """Write the broker's password for our login; gives its settings, with which strangers get in without one."""
    return ("allow_anonymous true", *login_settings(folder, "monitor", password)[1:])


def login(folder: Path, password: str) -> str:
    """Write our side's password; gives the lines of the site file."""
    file = folder / "ours"
    file.write_text(password)
    file.chmod(0o600)
    return f'username = "monitor"\npassword_file = "{file}"'


@contextlib.contextmanager
def locked(state_dir: Path) -> Iterator[None]:
    """Hold the store's write lock, so that no commit succeeds."""
    with contextlib.closing(sqlite3.connect(state_dir / FILE_NAME, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        yield
        db.execute("ROLLBACK")

"""The daily chore lets marks go that have been kept for long enough, and nothing else, in a real store."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from monitor.adapters import store_pruning
from monitor.adapters.clock import SystemClock
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import Changes
from monitor.core.chronicle import KIND, Mark, key, write
from monitor.retention import old_marks, retain
from monitor.running import _run, open_service
from monitor.settings import Settings, load
from tests.night import ward
from tests.ward_site import site_text

DAY, HOUR = 86_400_000, 3_600_000
NOW = 1_773_540_000_000
MARK = Mark(0, 0, "feeding", True, False, "", True, 1.0, None)
PUMPS = ("pump-1", "pump-10", "pump-2", "Pump-A", "pump_1", "x" * 64)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A site, and its state directory."""
    file = tmp_path / "site.toml"
    file.write_text(site_text(BrokerAddress("127.0.0.1", 1883), smtp=2525, snpp=4444), encoding="utf-8")
    found = load(file, key=b"")
    found.state_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    return found


def fill(settings: Settings, days: int) -> SqliteStore:
    """A store with a mark every six hours of each pump, and rows of other kinds with keys alike."""
    store = SqliteStore.open(settings.state_dir, site=settings.site.name)
    times = [NOW - hours * HOUR for hours in range(0, days * 24, 6)]
    rows: dict[tuple[str, str], str | None] = {
        (KIND, key(pump, at)): write(MARK) for pump in PUMPS for at in times
    }
    rows |= {("answer", key(pump, 5)): "1" for pump in PUMPS}
    store.commit(Changes(rows=rows))
    return store


def kept(settings: Settings) -> dict[str, list[int]]:
    """The instants of the marks that are there, by pump."""
    found: dict[str, list[int]] = {}
    with StoreReader(settings.state_dir) as reader:
        for name in reader.rows(KIND):
            pump, _, at = name.rpartition("|")
            found.setdefault(pump, []).append(int(at))
        assert len(reader.rows("answer")) == len(PUMPS)
    return found


def test_marks_go_when_they_are_older_than_the_site_wants(settings: Settings) -> None:
    """Of 20 days those of the last 7 stay, of each pump, whatever its name; the second time there is nothing to do."""
    store = fill(settings, 20)
    assert settings.handover.keep == 70 * DAY
    before = NOW - 7 * DAY
    ranges = old_marks(settings, before)
    assert {first.partition("|")[0] for _, first, _ in ranges} == set(PUMPS)
    assert len(ranges) == len(PUMPS)
    pruned = store.prune(ranges=ranges)
    assert pruned.rows == len(PUMPS) * (13 * 4 - 1)
    found = kept(settings)
    assert set(found) == set(PUMPS)
    assert all(min(times) == before for times in found.values())
    assert old_marks(settings, before) == []
    store.close()


def test_a_pump_without_marks_left_is_gone(settings: Settings) -> None:
    """One that was not heard of for longer than marks are kept leaves none."""
    store = fill(settings, 5)
    store.prune(ranges=old_marks(settings, NOW + 1))
    assert kept_none(settings)
    assert old_marks(settings, NOW + DAY) == []
    store.close()


def kept_none(settings: Settings) -> bool:
    """Whether no mark is left."""
    return not kept(settings)


def test_many_marks_go_in_short_transactions(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """No transaction removes more than so many, whether of one pump or of several."""
    monkeypatch.setattr(store_pruning, "_MOST_ROWS_AT_ONCE", 30)
    store = fill(settings, 20)
    sizes: list[int] = []
    real = store_pruning._delete_some

    def counted(*args: object) -> int:
        sizes.append(real(*args))  # type: ignore[arg-type]
        return sizes[-1]

    monkeypatch.setattr(store_pruning, "_delete_some", counted)
    removed = store.prune(ranges=old_marks(settings, NOW - 7 * DAY)).rows
    assert removed == sum(sizes) == len(PUMPS) * (13 * 4 - 1)
    assert max(sizes) <= 30
    assert len(sizes) >= removed // 30
    store.close()


@pytest.mark.parametrize(("keep", "ms"), [("7 d", 7 * DAY), ("400 d", 400 * DAY)])
def test_how_long_is_the_sites_to_say(tmp_path: Path, keep: str, ms: int) -> None:
    """[handover] keep, from a week to 400 days."""
    file = tmp_path / "site.toml"
    text = site_text(BrokerAddress("127.0.0.1", 1883), smtp=2525, snpp=4444)
    file.write_text(f'{text}\n[handover]\nkeep = "{keep}"\n', encoding="utf-8")
    assert load(file, key=b"").handover.keep == ms


async def test_the_daily_chore_of_a_running_service(tmp_path: Path) -> None:
    """It lets old marks go while messages are taken, and keeps those of the last days."""
    async with ward(tmp_path / "ward") as made:
        await asyncio.to_thread(made.write_site)
        settings = load(made.site_file, key=b"")
        clock = SystemClock()
        now = clock.now()
        store = SqliteStore.open(settings.state_dir, site=settings.site.name)
        times = [now - days * DAY for days in range(1, 100)]
        store.commit(Changes(rows={(KIND, key("pump-0101", at)): write(MARK) for at in times}))
        store.close()
        service, lock = open_service(made.site_file, clock)
        running = asyncio.create_task(_run(service, made.site_file, 0, chores=False))
        with lock:
            await service.connected(running)
            await retain(service)
            service.stop()
            await running
        with StoreReader(settings.state_dir) as reader:
            left = [int(name.rpartition("|")[2]) for name in reader.rows(KIND)]
    assert sorted(left, reverse=True) == times[:69]  # the 70th day's is just over 70 days old by then

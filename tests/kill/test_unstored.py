"""What is not stored is not acknowledged, answered or sent: a store that cannot be written, and what comes after it."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE, SECOND, alarm, night, state


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

"""The brokers we start ourselves, as the demo and the tests use them."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from pathlib import Path

import pytest

from monitor.adapters import broker as brokers
from monitor.adapters.broker import (
    BrokerUnavailable,
    MosquittoProcess,
    Preference,
    broker_process,
    find_mosquitto,
)
from monitor.adapters.mqtt import BrokerAddress
from tests.brokers import publish_all


async def accepts(address: BrokerAddress) -> bool:
    """Tell whether something listens there."""
    try:
        _, writer = await asyncio.open_connection(address.host, address.port)
    except OSError:
        return False
    writer.close()
    return True


def is_running(pid: int) -> bool:
    """Tell whether a process of this id exists."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.parametrize("prefer", ["auto", "mosquitto", "amqtt"])
async def test_a_broker_takes_messages_while_the_block_lasts(tmp_path: Path, prefer: Preference) -> None:
    """Each broker listens on the loopback, takes a QoS 1 message, and is gone after the block."""
    async with broker_process(tmp_path, prefer=prefer) as address:
        assert address.host == "127.0.0.1"
        await publish_all(address, [("ward/one", b"1")])
    assert not await accepts(address)


async def test_mosquitto_is_preferred_and_keeps_its_files_in_the_folder(tmp_path: Path) -> None:
    """With mosquitto installed it is the one started, with its log where the caller said."""
    async with broker_process(tmp_path) as address:
        assert (tmp_path / "mosquitto.log").exists()
        assert f"listener {address.port} 127.0.0.1" in (tmp_path / "mosquitto.conf").read_text()


async def test_a_cancelled_block_leaves_no_process(tmp_path: Path) -> None:
    """Cancelling the task in the block ends the child."""
    broker = MosquittoProcess(tmp_path)
    running = asyncio.Event()

    async def use() -> None:
        await broker.start()
        try:
            running.set()
            await asyncio.Event().wait()
        finally:
            await broker.stop()

    task = asyncio.create_task(use())
    async with asyncio.timeout(10):
        await running.wait()
        pid = broker.pid
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert not is_running(pid)


async def test_a_stop_that_is_cancelled_still_kills(tmp_path: Path) -> None:
    """A second cancellation while the broker is being ended does not let it live on."""
    broker = MosquittoProcess(tmp_path)
    await broker.start()
    pid = broker.pid
    os.kill(pid, signal.SIGSTOP)  # it cannot act on SIGTERM
    stopping = asyncio.create_task(broker.stop())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    stopping.cancel()
    async with asyncio.timeout(10):
        with pytest.raises(asyncio.CancelledError):
            await stopping
    assert not is_running(pid)


async def test_a_port_taken_is_told(tmp_path: Path) -> None:
    """A mosquitto that ends at once is told with its log, not waited for."""
    broker = MosquittoProcess(tmp_path, settings=("no_such_setting true",))
    with pytest.raises(BrokerUnavailable, match=r"ended at once.*mosquitto\.log"):
        await broker.start()


async def test_no_broker_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With neither broker the error names both ways out."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(brokers, "SBIN", (str(tmp_path),))
    for name in [name for name in sys.modules if name.split(".")[0] == "amqtt"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "amqtt", None)
    assert find_mosquitto() is None
    with pytest.raises(BrokerUnavailable, match=r"mosquitto.*secondbell\[demo\]"):
        async with broker_process(tmp_path):
            pass
    with pytest.raises(BrokerUnavailable, match="install"):
        async with broker_process(tmp_path, prefer="mosquitto"):
            pass

"""The watch as a process, beside a real monitor on a real broker: each way to fail is paged.

No time is asserted, only that the page comes; `python -m tests.watch.times` measures how long each takes.
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
from pathlib import Path

import pytest

from tests.brokers import dead_address, publish_all
from tests.night import PRESENCE, secondbell, until
from tests.storage import no_longer_files
from tests.watch.scene import MAILBOX, config, scene


async def test_a_killed_monitor_is_paged_and_so_is_its_return(tmp_path: Path) -> None:
    """SIGKILL: its last will is told; started again, that it is back, once; the watch itself stops when asked."""
    async with scene(tmp_path) as made:
        await made.both()
        await made.ward.monitor.kill()
        await made.paged("larkfield: Second Bell is DOWN since")
        await made.ward.monitor.start()
        await made.paged("well again")
        assert await made.stop_watch() == 0


@pytest.mark.long
async def test_a_frozen_monitor_is_paged(tmp_path: Path) -> None:
    """SIGSTOP: the connection stands, the broker knows nothing yet, and the heart has stopped."""
    async with scene(tmp_path) as made:
        await made.both()
        os.kill(made.ward.monitor.process.pid, signal.SIGSTOP)
        await made.paged("Second Bell SILENT since")
        os.kill(made.ward.monitor.process.pid, signal.SIGCONT)


@pytest.mark.parametrize("what", ["commit", pytest.param("loop", marks=pytest.mark.long)])
async def test_a_hanging_monitor_is_paged(tmp_path: Path, what: str) -> None:
    """Its loop hangs, or its commits do while the loop and the network go on; systemd is told nothing more either."""
    name = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(name)
        ear.setblocking(False)
        async with scene(tmp_path) as made:
            monitor = made.ward.monitor
            monitor.program = "tests.watch.hanging"
            monitor.environment |= {"HANG": what, "HANG_FILE": str(tmp_path / "hang"), "NOTIFY_SOCKET": name}
            await made.both()
            assert {"READY=1", "WATCHDOG=1"} <= set(_told(ear))
            (tmp_path / "hang").touch()
            await made.paged("Second Bell SILENT since")
            told = _told(ear)
            assert told.count("WATCHDOG=1") <= 1  # one was perhaps due as the file was written
            await monitor.kill()


def _told(ear: socket.socket) -> list[str]:
    """What systemd was told so far."""
    found = []
    while True:
        try:
            found.append(ear.recv(4096).decode())
        except BlockingIOError:
            return found


@pytest.mark.long
async def test_a_broker_that_dies_is_paged(tmp_path: Path) -> None:
    """SIGKILL of the broker, which takes the monitor's sight with it."""
    async with scene(tmp_path) as made:
        await made.both()
        await made.ward.broker.kill()
        await made.paged("broker not reached since")


@pytest.mark.long
async def test_a_stopped_monitor_is_paged_if_it_does_not_come_back(tmp_path: Path) -> None:
    """A clean stop says goodbye; a patience later somebody hears of it."""
    async with scene(tmp_path) as made:
        await made.both()
        assert await made.ward.monitor.stop() == 0
        await made.paged("Second Bell STOPPED at")


@pytest.mark.long
async def test_a_reload_is_not_paged(tmp_path: Path) -> None:
    """It begins again within the patience; what is paged afterwards is the first thing that is."""
    async with scene(tmp_path) as made:
        await made.both()
        made.ward.site_file.write_text(made.ward.site_file.read_text().replace("Elm ward", "Elm"))
        made.ward.monitor.process.send_signal(signal.SIGHUP)
        await made.ward.monitor.says("The site file is taken")
        await made.ward.monitor.serves_again()
        await made.ward.monitor.kill()
        await made.paged("is DOWN since")
        assert "STOPPED" not in made.pages[0]


@pytest.mark.long
async def test_no_monitor_at_all_is_paged(tmp_path: Path) -> None:
    """Started where the broker knows of none."""
    async with scene(tmp_path) as made:
        await made.start_watch()
        await made.paged("no sign of Second Bell since")


@pytest.mark.long
async def test_what_the_broker_kept_of_a_dead_monitor_is_paged(tmp_path: Path) -> None:
    """The watch was started after the monitor was killed: the kept last will is told."""
    async with scene(tmp_path) as made:
        await made.ward.monitor.start()
        await made.ward.monitor.kill()
        await made.start_watch()
        await made.paged("is DOWN since")


@pytest.mark.long
async def test_a_full_disk_is_paged_and_systemd_is_not_made_to_restart_it(tmp_path: Path) -> None:
    """It cannot store: it says so itself in its beats, and goes on feeding its watchdog."""
    name = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(name)
        ear.setblocking(False)
        async with scene(tmp_path) as made:
            made.ward.monitor.environment["NOTIFY_SOCKET"] = name
            await made.both()
            with no_longer_files(made.ward):
                await made.paged("Second Bell cannot store since", within=30)
                _told(ear)
                await until(lambda: "WATCHDOG=1" in _told(ear), "the watchdog to be fed")
            await made.paged("well again", within=30)


async def test_a_page_that_fails_goes_the_next_way(tmp_path: Path) -> None:
    """The pager's server is not there: a mail says it, at once."""
    async with scene(tmp_path) as made:
        ward = made.ward
        await made.start_watch(config(ward.broker.address, smtp=ward.smtp.port, snpp=dead_address().port))
        await until(lambda: bool(ward.smtp.mails), "a mail")
        mail = ward.smtp.mails[0]
        assert MAILBOX in str(mail)
        assert "no sign of the monitor" in str(mail)


@pytest.mark.long
async def test_nonsense_on_its_topic_does_not_end_it(tmp_path: Path) -> None:
    """Whatever is published there is logged by its length, and nothing else."""
    async with scene(tmp_path) as made:
        await made.start_watch()
        await until(lambda: "broker there" in made.log_file.read_text(), "the watch to find the broker")
        await publish_all(made.ward.broker.address, [(PRESENCE, b"\xff\x00"), (PRESENCE, b"[[[[")])
        await until(lambda: made.log_file.read_text().count("not a presence") == 2, "both to be logged")
        assert await made.stop_watch() == 0


@pytest.mark.long
async def test_its_drill_goes_by_every_way(tmp_path: Path) -> None:
    """`--drill`: a page and a mail marked as such, each way told of; status 1 if one does not take it."""
    async with scene(tmp_path) as made:
        ward = made.ward
        file = tmp_path / "watch.toml"
        for pager, status in ((ward.snpp.port, 0), (dead_address().port, 1)):
            file.write_text(config(ward.broker.address, smtp=ward.smtp.port, snpp=pager))
            said = await asyncio.to_thread(secondbell, "watch", "--config", str(file), "--drill")
            assert said.returncode == status, said
            assert ("FAILED" in said.stdout) is bool(status)
        assert made.pages[0].startswith("DRILL")
        assert len(ward.smtp.mails) == 2

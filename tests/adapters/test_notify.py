"""What systemd is told, heard by a real datagram socket. Forms: sd_notify(3), sd_watchdog_enabled(3), unix(7)."""

from __future__ import annotations

import contextlib
import secrets
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.notify import Notify


@contextlib.contextmanager
def listening(name: str) -> Iterator[socket.socket]:
    """A socket as systemd has one."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"\0{name[1:]}" if name.startswith("@") else name)
        ear.settimeout(5)
        yield ear


def said(ear: socket.socket) -> str:
    """The next datagram."""
    return ear.recv(4096).decode()


@pytest.fixture(params=["path", "abstract"])
def name(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The name of a socket, of either kind."""
    return str(tmp_path / "notify") if request.param == "path" else f"@secondbell-{secrets.token_hex(8)}"


def test_each_thing_is_one_datagram_of_assignments(name: str) -> None:
    """READY, WATCHDOG, RELOADING with its MONOTONIC_USEC, STATUS and STOPPING, as sd_notify(3) has them."""
    with listening(name) as ear:
        notify = Notify.from_environment({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "60000000"}, pid=7)
        assert notify.watchdog == 60_000
        notify.ready()
        assert said(ear) == "READY=1"
        notify.alive()
        assert said(ear) == "WATCHDOG=1"
        before = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        notify.reloading()
        first, _, second = said(ear).partition("\n")
        assert first == "RELOADING=1"
        key, _, value = second.partition("=")
        assert key == "MONOTONIC_USEC"
        assert before <= int(value) <= time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        notify.status("the broker\nis not there")
        assert said(ear) == "STATUS=the broker is not there"
        notify.stopping()
        assert said(ear) == "STOPPING=1"


def test_the_same_status_is_said_once(name: str) -> None:
    """A line that says what the last one said is not sent."""
    with listening(name) as ear:
        notify = Notify(name)
        notify.status("watching")
        notify.status("watching")
        notify.ready()
        assert (said(ear), said(ear)) == ("STATUS=watching", "READY=1")


@pytest.mark.parametrize(
    ("environment", "watchdog"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 30_000),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "7"}, 30_000),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": ""}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_ours_only_if_it_says_so(environment: dict[str, str], watchdog: int | None) -> None:
    """WATCHDOG_PID of another process, no time, or none that can be read: nobody waits for us (process 7)."""
    assert Notify.from_environment(environment, pid=7).watchdog == watchdog


def test_without_a_watchdog_nothing_is_fed(name: str) -> None:
    """WATCHDOG=1 is said only where somebody waits for it."""
    with listening(name) as ear:
        notify = Notify(name)
        notify.alive()
        notify.ready()
        assert said(ear) == "READY=1"


@pytest.mark.parametrize("address", [None, "", "@", "relative/path", "vsock:2:1234", "/nobody/listens/here"])
def test_without_a_socket_nothing_happens(address: str | None) -> None:
    """Not started by systemd, or nobody there: nothing is said, and nothing raised."""
    notify = Notify(address, 1_000)
    for say in (notify.ready, notify.alive, notify.reloading, notify.stopping):
        say()
    notify.status("watching")


def test_a_full_socket_holds_nothing_up(name: str) -> None:
    """Whoever listens reads no more: what does not fit is lost, and we go on."""
    with listening(name):
        notify = Notify(name, 1_000)
        for _ in range(5_000):
            notify.alive()

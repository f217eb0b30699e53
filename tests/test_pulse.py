"""The sign of life: when it is given, what it says on the bus and to systemd. tests/watch hears it."""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from monitor.adapters.notify import Notify
from monitor.core.instants import parse
from monitor.pulse import Pulse

TEN = parse("2026-03-14T22:00:00Z")
SECOND = 1_000


class Heard:
    """A pulse, what it published, and what systemd heard of it."""

    def __init__(self, ear: socket.socket, notify: Notify) -> None:
        self.published: list[dict[str, Any]] = []
        self._ear = ear
        self.pulse = Pulse(notify, lambda payload: self.published.append(json.loads(payload)), TEN)

    def told(self) -> list[str]:
        """What systemd heard since this was last asked."""
        found = []
        while True:
            try:
                found.append(self._ear.recv(4096).decode())
            except BlockingIOError:
                return found


@pytest.fixture
def heard() -> Iterator[Heard]:
    """A pulse with a watchdog of 20 s."""
    name = f"secondbell-{secrets.token_hex(8)}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"\0{name}")
        ear.setblocking(False)
        yield Heard(ear, Notify(f"@{name}", 20_000))


def test_it_is_due_in_half_the_watchdogs_time(heard: Heard) -> None:
    """Each half of WATCHDOG_USEC (sd_watchdog_enabled(3)), and at least each 15 s."""
    assert heard.pulse.every == 10_000
    assert Pulse(Notify("@x", 90_000), lambda _: None, TEN).every == 15_000
    assert Pulse(Notify(), lambda _: None, TEN).every == 15_000


def test_it_is_given_after_the_commit_that_was_made_for_it(heard: Heard) -> None:
    """A commit made before a sign was due gives none; the next does, with the instant of which all is stored."""
    pulse = heard.pulse
    pulse.linked(TEN)
    pulse.committed(TEN, TEN + 5, 0, owed=True)
    assert heard.told() == ["WATCHDOG=1", "STATUS=watching"]
    pulse.committed(TEN + 9_000, TEN + 11_000, 0, owed=False)
    assert heard.told() == []
    assert pulse.due == TEN + 5 + 10_000
    pulse.committed(TEN + 11_000, TEN + 11_004, 250, owed=True)
    assert heard.told() == ["WATCHDOG=1"]
    assert [(one["last_step"], one["at"], one["late_ms"]) for one in heard.published] == [
        ("2026-03-14T22:00:00.000Z", "2026-03-14T22:00:00.005Z", 0),
        ("2026-03-14T22:00:11.000Z", "2026-03-14T22:00:11.004Z", 250),
    ]
    assert {one["interval_ms"] for one in heard.published} == {10_000}


def test_without_a_broker_systemd_alone_hears_it(heard: Heard) -> None:
    """A broker that is not there is no reason to be restarted; the status says what is wrong."""
    heard.pulse.ready()
    heard.pulse.committed(TEN, TEN, 0, owed=True)
    assert heard.told() == ["READY=1", "STATUS=the broker is not there: no pump is seen", "WATCHDOG=1"]
    assert heard.published == []


def test_while_it_cannot_store_it_says_so(heard: Heard) -> None:
    """The loop lives: the watchdog is fed, and bus and status tell since when nothing is stored, and why."""
    pulse = heard.pulse
    pulse.linked(TEN)
    pulse.committed(TEN, TEN, 0, owed=True)
    heard.told()
    pulse.refused("full", TEN + SECOND)
    pulse.refused("full", TEN + 2 * SECOND)
    pulse.unable(TEN + 5 * SECOND, 0)
    assert heard.told() == []
    pulse.unable(TEN + 10 * SECOND, 9_000)
    assert heard.told() == ["WATCHDOG=1", "STATUS=CANNOT STORE, so nobody is told of pumps: full"]
    said = heard.published[-1]
    assert (said["online"], said["unstored_since"]) == (True, "2026-03-14T22:00:01.000Z")
    assert (said["last_step"], said["late_ms"]) == ("2026-03-14T22:00:00.000Z", 9_000)
    pulse.committed(TEN + 20 * SECOND, TEN + 20 * SECOND, 0, owed=True)
    assert heard.published[-1]["unstored_since"] is None
    assert heard.told() == ["WATCHDOG=1", "STATUS=watching"]


def test_running_late_is_said(heard: Heard) -> None:
    """A deadline that is overdue by half a minute is in the status."""
    heard.pulse.linked(TEN)
    heard.pulse.committed(TEN, TEN, 31_000, owed=True)
    assert heard.told() == ["WATCHDOG=1", "STATUS=RUNNING LATE by 31 s"]


@pytest.mark.parametrize(("asked", "again"), [(True, False), (True, True), (False, False)])
def test_it_says_goodbye(heard: Heard, asked: bool, again: bool) -> None:
    """Offline, `stopped` only where somebody asked for it; a reload is RELOADING=1, any other end STOPPING=1."""
    heard.pulse.ready()
    heard.told()
    heard.pulse.ends(TEN + SECOND, asked=asked, again=again)
    assert (heard.published[-1]["online"], heard.published[-1]["stopped"]) == (False, asked)
    [told] = heard.told()
    assert told.startswith("RELOADING=1\nMONOTONIC_USEC=" if again else "STOPPING=1")

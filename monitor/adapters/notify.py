"""What the service tells systemd of itself: ready, alive, reloading, stopping; sd_notify(3) and sd_watchdog_enabled(3).

A line to a datagram socket of which the environment has the name; without it, nothing is said. Never raises.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Mapping
from typing import Final

SOCKET, LIMIT, PID = "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"
LONGEST_STATUS: Final = 200


class Notify:
    """Says it; `watchdog` is in how many ms `alive` has to be said again, None if nobody waits for it."""

    def __init__(self, address: str | None = None, watchdog: int | None = None) -> None:
        """`address` is a path, or a name that begins with @; with any other, or none, nothing is said."""
        self.watchdog = watchdog
        self._address: str | None = None
        if address is not None and address[:1] in ("/", "@") and len(address) > 1:
            self._address = f"\0{address[1:]}" if address[0] == "@" else address  # unix(7), abstract
        self._status = ""

    @classmethod
    def from_environment(cls, environment: Mapping[str, str], pid: int | None = None) -> Notify:
        """What systemd has put into the environment; a watchdog that is another process's is not ours."""
        pid = os.getpid() if pid is None else pid
        limit = environment.get(LIMIT, "")
        of = environment.get(PID, str(pid))
        watchdog = int(limit) // 1000 if limit.isascii() and limit.isdigit() and of == str(pid) else 0
        return cls(environment.get(SOCKET), watchdog or None)

    def ready(self) -> None:
        """It has started, or goes on after a reload."""
        self._say("READY=1")

    def alive(self) -> None:
        """It works: to be said at least each half of `watchdog`."""
        if self.watchdog is not None:
            self._say("WATCHDOG=1")

    def reloading(self) -> None:
        """It takes what its files say now; `ready` says that this is over."""
        self._say(f"RELOADING=1\nMONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")

    def stopping(self) -> None:
        """It is about to end."""
        self._say("STOPPING=1")

    def status(self, text: str) -> None:
        """How it is, in one line for `systemctl status`; said when it is another than before."""
        line = " ".join(text.split())[:LONGEST_STATUS]
        if line != self._status:
            self._status = line
            self._say(f"STATUS={line}")

    def _say(self, lines: str) -> None:
        if self._address is None:
            return
        # Whoever listens may be gone, or full: that must not hold up or end whoever speaks.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.sendto(lines.encode(), self._address)

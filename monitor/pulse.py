"""The sign of life of the loop that works through the rules: given after a commit, to the bus and to systemd.

While the store refuses, the loop gives it all the same, and says that: it lives, whoever mends the store is told, and
a restart by systemd could not make room on a disk. One commit that neither succeeds nor fails gives none.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from monitor import __version__
from monitor.adapters.notify import Notify
from monitor.core.instants import SECOND
from monitor.core.published import BEAT, monitor_presence_payload

LATE: Final = 30 * SECOND  # ms by which a deadline is overdue before we say so; common practice, no source


class Pulse:
    """When the next sign is due, and what it says; all instants in ms by the service's clock."""

    def __init__(self, notify: Notify, publish: Callable[[bytes], None], now: int) -> None:
        """`publish` puts the monitor's presence on the bus."""
        self._notify, self._publish = notify, publish
        self.every = (
            BEAT if notify.watchdog is None else min(BEAT, notify.watchdog // 2)
        )  # sd_watchdog_enabled(3)
        self.began = now
        self.stepped: int | None = None  # of which instant all is stored
        self.late = 0  # ms by which the earliest deadline was overdue then
        self.link_since: int | None = None
        self.unlinked_since: int | None = now
        self.unstored_since: int | None = None
        self.unstored = ""  # why, if so
        self._last = 0  # when a sign was last given
        self._ready = False

    @property
    def due(self) -> int:
        """When the next one is due."""
        return self._last + self.every

    def linked(self, now: int) -> None:
        """The broker is there: whoever hears us there wants to know at once."""
        self.link_since, self.unlinked_since, self._last = now, None, 0

    def unlinked(self, now: int) -> None:
        """The broker is not there."""
        self.link_since = None
        if self.unlinked_since is None:
            self.unlinked_since = now

    def refused(self, why: str, now: int) -> None:
        """The store has refused a commit."""
        self.unstored_since = now if self.unstored_since is None else self.unstored_since
        self.unstored = why

    def committed(self, at: int, now: int, late: int, *, owed: bool) -> None:
        """All of the instant `at` is stored, and the earliest deadline is `late` ms overdue.

        `owed` says that a sign was due when this commit was made, which therefore was one: not of nothing.
        """
        self.stepped, self.unstored_since, self.unstored = at, None, ""
        if owed:
            self._give(now, late)

    def unable(self, now: int, late: int) -> None:
        """The loop has come round, and the store refuses."""
        if now >= self.due:
            self._give(now, late)

    def _give(self, now: int, late: int) -> None:
        self._last, self.late = now, late
        self._notify.alive()
        self._notify.status(self.status())
        if self.link_since is not None:
            self._publish(self._payload(online=True, now=now))

    def ready(self) -> None:
        """The first commit is on disk, and the broker is being tried: it may be down for hours, and we wait for it."""
        self._ready = True
        self._notify.ready()
        self._notify.status(self.status())

    def ends(self, now: int, *, asked: bool, again: bool) -> None:
        """It is about to end, `asked` to or by a fault, or to begin `again` with what its files say now."""
        if again:
            self._notify.reloading()
        elif self._ready:
            self._notify.stopping()
        self._publish(self._payload(online=False, now=now, stopped=asked))

    def status(self) -> str:
        """How it is, in one line for whoever runs it."""
        if self.unstored_since is not None:
            return f"CANNOT STORE, so nobody is told of pumps: {self.unstored}"
        if self.late >= LATE:
            return f"RUNNING LATE by {self.late // SECOND} s"
        if self.link_since is None:
            return "the broker is not there: no pump is seen"
        return "watching"

    def _payload(self, *, online: bool, now: int, stopped: bool = False) -> bytes:
        return monitor_presence_payload(
            online=online,
            at=now,
            last_step=self.stepped,
            stopped=stopped,
            late_ms=self.late,
            link_since=self.link_since,
            unstored_since=self.unstored_since,
            interval_ms=self.every,
            version=__version__,
        )

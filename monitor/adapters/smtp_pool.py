"""Connections to one mail server that are kept for a moment: a burst of mails needs few, and none is held for long."""

from __future__ import annotations

import asyncio

from monitor.adapters.smtp_line import MailServer, SmtpLine

IDLE = 5.0
"""Seconds that a connection is kept without a mail: a burst lasts no longer, and a server has others to serve."""

MOST_MAILS = 100
"""Mails on one connection: servers set a limit of their own, mostly no lower; common practice, no source."""

MOST_KEPT = 8
"""Connections kept at once."""

QUIT_WAIT = 1.0
"""Seconds to wait for the reply to QUIT: the outcome is already known."""


class SmtpPool:
    """Gives connections out and takes them back; each is with one mail at a time.

    `idle` is in seconds, `most_mails` bounds what one connection carries.
    """

    def __init__(self, server: MailServer, *, idle: float = IDLE, most_mails: int = MOST_MAILS) -> None:
        self._server, self._idle, self._most_mails = server, idle, most_mails
        self._kept: list[tuple[SmtpLine, asyncio.TimerHandle]] = []
        self._leaving: set[asyncio.Task[None]] = set()
        self._closed = False

    def kept(self) -> SmtpLine | None:
        """The kept connection that was used last and is still there, None if there is none."""
        while self._kept:
            line, timer = self._kept.pop()
            timer.cancel()
            if line.usable:
                return line
            line.abort()
        return None

    def new(self) -> SmtpLine:
        """A connection, not yet opened."""
        return SmtpLine(self._server)

    def give_back(self, line: SmtpLine) -> None:
        """Keep a connection if it can carry more, else let it go."""
        if not line.usable:
            line.abort()
        elif self._closed or line.mails >= self._most_mails or len(self._kept) >= MOST_KEPT:
            self._let_go(line)
        else:
            timer = asyncio.get_running_loop().call_later(self._idle, self._idle_too_long, line)
            self._kept.append((line, timer))

    async def close(self) -> None:
        """Say goodbye on all that are kept, and keep no more."""
        self._closed = True
        for line, timer in self._kept:
            timer.cancel()
            self._let_go(line)
        self._kept.clear()
        await asyncio.gather(*self._leaving)

    def _idle_too_long(self, line: SmtpLine) -> None:
        self._kept = [(other, timer) for other, timer in self._kept if other is not line]
        self._let_go(line)

    def _let_go(self, line: SmtpLine) -> None:
        """Say goodbye beside what goes on: no attempt waits for it."""
        task = asyncio.get_running_loop().create_task(line.quit(QUIT_WAIT), name="mail goodbye")
        self._leaving.add(task)
        task.add_done_callback(self._leaving.discard)

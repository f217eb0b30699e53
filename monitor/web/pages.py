"""The phone's pages of a running service: opened with it, closed with it, answering through its commands."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Final

import structlog

from monitor.commands import Commands
from monitor.core.effects import LinkRefused
from monitor.core.engine import Engine
from monitor.core.problems import ProblemsFound
from monitor.core.site import Site
from monitor.settings import Settings
from monitor.web.app import Phone
from monitor.web.gate import Gate
from monitor.web.listener import EACH, Listener
from monitor.web.views import Opened, Views

log = structlog.get_logger(__name__)

PATIENCE: Final = 8.0  # seconds that a phone waits until its answer is stored; less than a connection's life
UNSTORED: Final = (
    "Your answer is not stored yet, so do not count on it: Second Bell cannot store now. "
    "Go to the pump all the same, and look again in a minute."
)


class Pages:
    """What serves the pages."""

    def __init__(
        self,
        settings: Settings,
        engine: Engine,
        commands: Commands,
        *,
        now: Callable[[], int],
        refused: Callable[[LinkRefused], None],
    ) -> None:
        """ProblemsFound if the certificate does not do. `now` is ms UTC; `refused` takes what the trail is told."""
        assert settings.pages is not None
        self._settings, self._pages = settings, settings.pages
        self._site: Site = engine.site  # with what was recorded of places since the start
        self._commands = commands
        self.gate = Gate()
        phone = Phone(
            Views(self._site, engine),
            self.gate,
            answer=self._answer,
            refused=refused,
            now=now,
            tick=_tick,
            proxies=self._pages.proxies,
            codes=self._pages.codes,
        )
        try:
            tls = self._pages.tls_context()
        except OSError as error:
            raise ProblemsFound([self._pages.bad_certificate(str(settings.path), error)]) from None
        self._listener = Listener(
            phone.app,
            self._pages.host,
            self._pages.port,
            ssl=tls,
            admit=self._admit,
            each=EACH if self._pages.proxies == 0 else None,
        )

    def _admit(self, peer: str) -> bool:
        """Whether a connection is let in; behind proxies every peer is one, and the app tells clients apart."""
        return self.gate.client(peer, _tick()) if self._pages.proxies == 0 else self.gate.door(_tick())

    async def start(self) -> None:
        """Serve; ProblemsFound if the address cannot be had."""
        try:
            await self._listener.start()
        except OSError as error:
            raise ProblemsFound([self._pages.not_to_be_had(str(self._settings.path), error)]) from None
        log.info("pages", host=self._pages.host, port=self._listener.port)

    async def stop(self) -> None:
        """Serve no more."""
        await self._listener.stop()
        if self.gate.turned_away:
            log.info("pages turned away", requests=self.gate.turned_away)

    async def _answer(
        self, answer: str, opened: Opened, reason: str | None, until: int | None
    ) -> tuple[bool, str]:
        """Give an answer to the engine; what it says, after the commit."""
        person = opened.person
        reference = self._site.code(opened.reference, person) if opened.group else opened.reference
        try:
            async with asyncio.timeout(PATIENCE):
                said = await self._commands.answer(answer, reference, person, reason, until=until, via="page")
        except TimeoutError:
            return False, UNSTORED
        return bool(said["ok"]), str(said["text"])


def _tick() -> int:
    return time.monotonic_ns() // 1_000_000

"""What a service serves over HTTP, where its site file asks for it: the phone's pages, and how it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.commands import Commands
from monitor.core.problems import ProblemsFound

if TYPE_CHECKING:
    from monitor.service import Service
    from monitor.web.listener import Listener
    from monitor.web.pages import Pages


class Doors:
    """Both of them; a site without one does not pay for what it needs."""

    def __init__(self, service: Service, commands: Commands) -> None:
        self._service, self._commands = service, commands
        self._pages: Pages | None = None
        self._health: Listener | None = None

    async def open(self) -> None:
        """Serve; ProblemsFound names the key of an address or certificate that cannot be had."""
        service = self._service
        settings = service.settings
        if settings.pages is not None:
            from monitor.web.pages import Pages

            self._pages = Pages(
                settings, service.engine, self._commands, now=service.now, refused=service.take
            )
            await self._pages.start()
        if (health := settings.health) is not None:
            from monitor.web.health_pages import health_listener
            from monitor.web.settings import not_to_be_had

            self._health = health_listener(service, health)
            try:
                await self._health.start()
            except OSError as error:
                self._health = None
                where = str(settings.path)
                wrong = not_to_be_had(where, "health.listen", health.host, health.port, error)
                raise ProblemsFound([wrong]) from None

    async def shut_pages(self) -> None:
        """Nobody answers by a page any more."""
        if self._pages is not None:
            await self._pages.stop()

    async def shut_health(self) -> None:
        """Nobody is told how it is any more."""
        if self._health is not None:
            await self._health.stop()

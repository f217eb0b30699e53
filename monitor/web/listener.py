"""An HTTP server in the loop that runs already: bounded, without an access log, leaving signals to the service."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl as tls
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import structlog
import uvicorn
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.adapters import logs
from monitor.web.gate import network

log = structlog.get_logger(__name__)

# Common practice, no source, all of them.
CONNECTIONS: Final = 64  # at once; who comes on top of them is hung up on
EACH: Final = 16  # of them of one client, where clients can be told apart: nobody holds all places
HEAD: Final = 16_384  # bytes of a request's line and headers
LIFE: Final = 20.0  # seconds of a connection: one that is fed a byte now and then must not hold a place
IDLE: Final = 5  # seconds that one may wait for its next request
BACKLOG: Final = 64  # connections that the system keeps waiting
GRACE: Final = 2  # seconds for answers under way at a stop


class Listener:
    """Serves an ASGI app at one address; `port` is the one in use once started, also if 0 was asked for."""

    def __init__(
        self,
        app: ASGIApp,
        host: str,
        port: int,
        *,
        ssl: tls.SSLContext | None = None,
        connections: int = CONNECTIONS,
        life: float = LIFE,
        head: int = HEAD,
        admit: Callable[[str], bool] | None = None,
        each: int | None = None,
    ) -> None:
        """`connections` at once, each for `life` seconds at the most, with `head` bytes of headers at the most.

        `admit` says of a peer's address whether one more connection of it is let in: what floods costs little then.
        `each` is how many places one client may hold.
        """
        self.host, self.port = host, port
        self._ssl = ssl
        self._room = Room(connections, each, life, admit)
        config = uvicorn.Config(
            _Guarded(app),
            http=_bounded(life),
            loop="none",
            ws="none",
            lifespan="off",
            interface="asgi3",
            log_config=None,
            log_level="critical",  # a flood of bad requests is no flood of our log
            access_log=False,  # addresses of pages are secrets
            proxy_headers=False,
            server_header=False,
            backlog=BACKLOG,
            timeout_keep_alive=IDLE,
            timeout_graceful_shutdown=GRACE,
            h11_max_incomplete_event_size=head,
        )
        self._server = uvicorn.Server(config)
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Listen; OSError if the address is taken or not this machine's."""
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        made = socket.create_server((self.host, self.port), family=family, backlog=BACKLOG)
        listening = Door(made, self._room)
        self.port = int(listening.getsockname()[1])
        config = self._server.config
        config.load()
        config.ssl = self._ssl
        self._server.lifespan = config.lifespan_class(config)
        await self._server.startup(sockets=[listening])
        self._task = asyncio.create_task(self._server.main_loop(), name=f"listener {self.port}")

    async def stop(self) -> None:
        """Take no more, let answers under way end for a moment, and close."""
        if self._task is None:
            return
        task, self._task = self._task, None
        self._server.should_exit = True
        await asyncio.gather(task, return_exceptions=True)
        await self._server.shutdown()
        for connection in list(self._server.server_state.connections):
            with contextlib.suppress(AttributeError):  # of protocols that have no transport yet
                connection.transport.abort()


class Room(NamedTuple):
    """How many may be there at once, how many of them of one client, for how many seconds, and who is let in."""

    places: int
    each: int | None
    life: float
    admit: Callable[[str], bool] | None


class Door(socket.socket):
    """A listening socket that hangs up at once on whom there is no room for.

    Before any TLS: a handshake that never comes would hold a descriptor for a minute, counted by nobody, until none is
    left for a carrier or the broker.
    """

    def __init__(self, listening: socket.socket, room: Room) -> None:
        super().__init__(fileno=listening.detach())
        self._room = room
        self._there: list[tuple[socket.socket, str]] = []

    def accept(self) -> tuple[socket.socket, Any]:
        """The next that is let in; ConnectionAbortedError, which asyncio passes over, for one that is not."""
        came, address = super().accept()
        client = network(str(address[0]))
        self._there = [(one, whose) for one, whose in self._there if one.fileno() != -1]
        held = sum(whose == client for _, whose in self._there)
        full = len(self._there) >= self._room.places or (
            self._room.each is not None and held >= self._room.each
        )
        if full or (self._room.admit is not None and not self._room.admit(str(address[0]))):
            came.close()
            raise ConnectionAbortedError
        self._there.append((came, client))
        asyncio.get_running_loop().call_later(self._room.life, _hang_up, came)
        return came, address


def _hang_up(connected: socket.socket) -> None:
    """End one that is there yet, whatever it waits for."""
    with contextlib.suppress(OSError):  # it has ended
        connected.shutdown(socket.SHUT_RDWR)


def _bounded(life: float) -> type[H11Protocol]:
    """The protocol of a connection, which lasts for so many seconds, though nobody reads what is answered."""

    class Bounded(H11Protocol):
        _end: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self._end = self.loop.call_later(life, transport.abort)

        def connection_lost(self, exc: Exception | None) -> None:
            if self._end is not None:
                self._end.cancel()
            super().connection_lost(exc)

    return Bounded


class _Guarded:
    """An app whose faults end in one line of our log and a plain answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, noted)
        except ClientDisconnect:
            return  # whoever leaves in the middle of a form is no fault of ours
        except Exception as error:
            log.critical("a fault of ours on one request", **logs.fault(error))
            if not begun:
                headers: list[tuple[bytes, bytes]] = [(b"content-type", b"text/plain; charset=utf-8")]
                answer: dict[str, Any] = {"type": "http.response.start", "status": 500, "headers": headers}
                await send(answer)
                await send({"type": "http.response.body", "body": b"Something went wrong here.\n"})

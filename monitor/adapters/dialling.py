"""Connecting to a carrier's server: its name looked up by one thread at the most, its addresses tried in turn."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading
from collections.abc import Awaitable, Callable

Address = tuple[socket.AddressFamily, tuple[str, int] | tuple[str, int, int, int]]
Lookup = Callable[[str, int], Awaitable[list[Address]]]


async def look_up(host: str, port: int) -> list[Address]:
    """The addresses of a host, by the system's name service, in its order; raises OSError.

    In a thread of its own: the loop's few threads serve others too, and are waited for at the end.
    """
    loop = asyncio.get_running_loop()
    found: asyncio.Future[list[Address]] = loop.create_future()

    def tell(say: Callable[[], None]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile: nobody asks any more
            loop.call_soon_threadsafe(lambda: None if found.done() else say())

    def ask() -> None:
        try:
            answers = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except Exception as error:  # whatever it is, somebody waits for it
            failure = error
            tell(lambda: found.set_exception(failure))
        else:
            addresses: list[Address] = [(family, where) for family, _, _, _, where in answers]  # type: ignore[misc]
            tell(lambda: found.set_result(addresses))

    threading.Thread(target=ask, name=f"look up {host}", daemon=True).start()
    return await found


class Dialler:
    """Opens connections to one server.

    The system's name service blocks a thread for as long as it hangs. So there is never more than one look-up on its
    way for a server, shared by all who wait for it; an address in figures needs none.
    """

    def __init__(self, host: str, port: int, *, lookup: Lookup = look_up) -> None:
        self._host, self._port, self._lookup = host, port, lookup
        self._on_its_way: asyncio.Task[list[Address]] | None = None

    async def connect(self) -> socket.socket:
        """A connected socket; raises OSError, that of the last address if there are several."""
        failure = OSError(f"no address for {self._host}")
        for family, address in await self._addresses():
            connecting = socket.socket(family, socket.SOCK_STREAM)
            connecting.setblocking(False)
            try:
                # Each line of a conversation waits for an answer: it must not wait for company (RFC 896) as well.
                connecting.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                await asyncio.get_running_loop().sock_connect(connecting, address)
            except OSError as error:
                connecting.close()
                failure = error
            except BaseException:
                connecting.close()
                raise
            else:
                return connecting
        raise failure

    async def _addresses(self) -> list[Address]:
        try:
            family = (socket.AF_INET, socket.AF_INET6)[ipaddress.ip_address(self._host).version == 6]
        except ValueError:
            pass
        else:
            return [(family, (self._host, self._port))]
        if self._on_its_way is None or self._on_its_way.done():
            self._on_its_way = asyncio.create_task(self._look(), name=f"look up {self._host}")
            # All who waited may have given up by the time that it fails.
            self._on_its_way.add_done_callback(lambda task: task.cancelled() or task.exception())
        return await asyncio.shield(self._on_its_way)

    async def _look(self) -> list[Address]:
        return await self._lookup(self._host, self._port)

    def close(self) -> None:
        """Wait for no look-up any longer."""
        if self._on_its_way is not None:
            self._on_its_way.cancel()

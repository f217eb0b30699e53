"""Connections for HTTP by our own dialler: no proxies, no name service that takes the loop's threads."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Iterable
from typing import Any

import httpcore

from monitor.adapters.dialling import Dialler


class Line(httpcore.AsyncNetworkStream):
    """One connection, TLS from its first byte if it is asked for; `written` tells whether anything was said on it."""

    def __init__(self, connected: socket.socket) -> None:
        self._socket: socket.socket | None = connected
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self.written = False

    async def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.AsyncNetworkStream:
        """Shake hands."""
        del timeout  # one time limit is around the whole attempt
        await self._open(ssl_context, server_hostname)
        return self

    async def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """What comes, b"" at its end."""
        del timeout
        if self._reader is None:
            await self._open()
        assert self._reader is not None
        return await self._reader.read(max_bytes)

    async def write(self, buffer: bytes, timeout: float | None = None) -> None:
        """Say something."""
        del timeout
        if self._writer is None:
            await self._open()
        assert self._writer is not None
        self.written = True
        self._writer.write(buffer)
        await self._writer.drain()

    async def aclose(self) -> None:
        """Drop it without waiting for the other end."""
        if self._writer is not None:
            self._writer.transport.abort()
        if self._socket is not None:
            self._socket.close()

    def get_extra_info(self, info: str) -> Any:
        """Only what TLS agreed on."""
        return self._writer.get_extra_info("ssl_object") if info == "ssl_object" and self._writer else None

    async def _open(self, tls: ssl.SSLContext | None = None, name: str | None = None) -> None:
        connected, self._socket = self._socket, None
        self._reader, self._writer = await asyncio.open_connection(
            sock=connected, ssl=tls, server_hostname=name if tls is not None else None
        )


class Lines(httpcore.AsyncNetworkBackend):
    """Opens the connection of one request."""

    def __init__(self, dialler: Dialler) -> None:
        self._dialler = dialler
        self.line: Line | None = None

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """The connection; the dialler knows where to, raises OSError."""
        del host, port, timeout, local_address, socket_options
        self.line = Line(await self._dialler.connect())
        return self.line

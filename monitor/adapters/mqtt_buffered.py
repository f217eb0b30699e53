"""Paho's client, reading the socket in large pieces instead of byte by byte.

Paho asks the system for one byte at a time while it reads a packet's header: three or four calls a message. This
overrides a private method of paho, `_sock_recv`; a test holds paho to it, and without it paho reads as it always did.
"""

from __future__ import annotations

from paho.mqtt.client import Client

AT_ONCE = 65_536  # bytes


class BufferedClient(Client):
    """One connection's client; a new one is made for each connection, so no bytes are kept over to the next."""

    _held = b""
    _at = 0

    @property
    def holds_bytes(self) -> bool:
        """Whether something was received that paho has not read yet."""
        return self._at < len(self._held)

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._held):
            self._held, self._at = super()._sock_recv(AT_ONCE), 0
        start, self._at = self._at, min(self._at + bufsize, len(self._held))
        return self._held[start : self._at]


def client_class() -> type[Client]:
    """The client to use with the paho that is installed."""
    return BufferedClient if callable(getattr(Client, "_sock_recv", None)) else Client

"""Markers on their way: our own messages that show, by coming back, that all before them has come."""

from __future__ import annotations

import secrets
from collections.abc import Iterator


class Markers:
    """The tokens sent on one connection and not yet back.

    The broker may deliver, in a kept session, a marker of an earlier connection or of a process before us; it
    would end a catch-up too early. So each payload names its process and its connection.
    """

    def __init__(self) -> None:
        """Expect nothing."""
        self._process = secrets.token_hex(8)
        self._expected: dict[str, None] = {}

    def __iter__(self) -> Iterator[str]:
        """Give the tokens not yet back, oldest first."""
        return iter(tuple(self._expected))

    def __bool__(self) -> bool:
        """Tell whether any is on its way."""
        return bool(self._expected)

    def expect(self, token: str) -> None:
        """Note a token that is being sent."""
        self._expected[token] = None

    def payload(self, generation: int, token: str) -> bytes:
        """Give what is published for a token."""
        return f"{self._process} {generation} {token}".encode()

    def recognise(self, payload: bytes, generation: int) -> str | None:
        """Give the token that a message brings back, once; none if it is not from this connection."""
        process, _, rest = payload.decode(errors="replace").partition(" ")
        sent_on, _, token = rest.partition(" ")
        if process != self._process or sent_on != str(generation) or token not in self._expected:
            return None
        del self._expected[token]
        return token

    def clear(self) -> None:
        """Expect nothing any more."""
        self._expected.clear()

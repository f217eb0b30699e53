"""One carrier and what is at its other end, as the contract of carriers needs it; and servers that are none."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Final, Protocol

from monitor.adapters.carriers import Carrier, Parcel

LOOPBACK: Final = "127.0.0.1"

PARCEL: Final = Parcel(
    notice="n-0001",
    message_id="<c-7f3k.1.a@ward.example>",
    address="",
    subject="MEDIUM bay 3 bed 12: line blocked three times",
    body="Bay 3 bed 12: line blocked, 3rd time. Look at the person first.",
    urgency="medium",
    thread=None,
    date_ms=1_773_450_729_500,
)


class Route(Protocol):
    """One carrier and what is at its other end.

    `good` and `bad` are addresses there, `took` is how the text of a success begins. What `Abilities` lists a route may
    have besides.
    """

    good: str
    bad: str
    took: str

    async def start(self) -> None:
        """Let the other end begin."""

    async def stop(self) -> None:
        """End it, and close every carrier."""

    def carrier(self, limit: float = 5.0) -> Carrier:
        """A carrier to it, with this time limit in seconds for an attempt."""

    def arrived(self) -> list[str]:
        """The addresses for which something has arrived, in order."""

    def texts(self) -> list[str]:
        """What has arrived as a person reads it: all that is shown, in lines."""


class Abilities(Protocol):
    """What a route may be able to do; each check names what it needs of these."""

    steps: tuple[str, ...]
    """Where `hang_at` can fall silent, in order; after the last one only the answer is missing."""

    secret: str
    """The carrier's password or secret."""

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        """A carrier to somewhere else."""

    def refuse_bad(self) -> None:
        """From now on nobody is known by the address `bad`."""

    def busy_once(self) -> None:
        """Take nothing the next time, for a reason that passes."""

    def go_down(self) -> None:
        """From now on serve nobody."""

    def hang_at(self, step: str) -> None:
        """From now on say nothing from this step on."""

    def lose_the_reply(self) -> None:
        """Take what comes, and break off before the answer."""

    def reply_at_the_end(self, text: str) -> None:
        """Take what comes, with this text as the answer."""

    def refuse_with(self, text: str) -> None:
        """Refuse what comes, with this text as the answer."""

    def ids(self) -> list[str]:
        """For each that has arrived, by what the other end can know it again."""


@asynccontextmanager
async def server(
    serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
) -> AsyncIterator[int]:
    """A bare TCP server on a free port for what no decent server does; all is gone at the end."""
    tasks: set[asyncio.Task[None]] = set()

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await serve(reader, writer)
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.transport.abort()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.add(asyncio.get_running_loop().create_task(handle(reader, writer)))

    listener = await asyncio.start_server(accept, LOOPBACK, 0)
    try:
        yield listener.sockets[0].getsockname()[1]
    finally:
        listener.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(0)
        await listener.wait_closed()


async def closed_port() -> int:
    """A port that was free a moment ago."""
    listener = await asyncio.start_server(lambda _r, _w: None, LOOPBACK, 0)
    port: int = listener.sockets[0].getsockname()[1]
    listener.close()
    await listener.wait_closed()
    return port

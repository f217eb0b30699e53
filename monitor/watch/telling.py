"""Gets what the watch says to somebody: by one way at first, by all of them when it is said again; until it is out.

What is newer replaces what is still on its way. A way that fails is followed by the next at once, and after all have
failed they are tried again, later each time, for ever.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Iterator, Sequence
from typing import Final, NamedTuple

import structlog

from monitor.adapters.carriers import Carrier, Outcome, Parcel, attempt, close_all
from monitor.watch.words import Words

log = structlog.get_logger(__name__)

BACKOFF: Final = (5.0, 15.0, 30.0, 60.0, 120.0)  # seconds, then the last again; common practice, no source


class Way(NamedTuple):
    """A carrier, the form of its texts ("mail" or "page"), and an address there."""

    carrier: Carrier
    form: str
    address: str


class Telling:
    """The ways, in the order in which they are tried; `now` is in ms UTC."""

    def __init__(self, ways: Sequence[Way], site: str, now: Callable[[], int]) -> None:
        self._ways, self._site, self._now = ways, site, now
        self._task: asyncio.Task[None] | None = None
        self._threads: dict[int, str] = {}  # the first mail's Message-ID of this trouble, by way

    @property
    def busy(self) -> bool:
        """Whether anything is not out yet."""
        return self._task is not None and not self._task.done()

    def tell(self, said: Words, *, first: bool) -> None:
        """Tell it, in place of what is not out yet; `first`: this trouble is new, and one way will do."""
        if self._task is not None:
            self._task.cancel()
        if first:
            self._threads = {}
        self._task = asyncio.create_task(self._by_one(said) if first else self._by_all(said), name="tell")

    async def try_all(self, said: Words) -> list[tuple[Way, bool, str]]:
        """Try each way once; whether it took it, and what it answered."""
        found = []
        for number, way in enumerate(self._ways):
            sent, answer = await self._send(said, number, self._now())
            found.append((way, sent, answer))
        return found

    async def stop(self) -> None:
        """Give up what is not out, and close the carriers."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        await close_all({id(way.carrier): way.carrier for way in self._ways}.values())

    async def _by_one(self, said: Words) -> None:
        date = self._now()
        for wait in _waits():
            for number in range(len(self._ways)):
                if (await self._send(said, number, date))[0]:
                    return
            await asyncio.sleep(wait)

    async def _by_all(self, said: Words) -> None:
        date = self._now()
        await asyncio.gather(*(self._until_sent(said, number, date) for number in range(len(self._ways))))

    async def _until_sent(self, said: Words, number: int, date: int) -> None:
        for wait in _waits():
            if (await self._send(said, number, date))[0]:
                return
            await asyncio.sleep(wait)

    async def _send(self, said: Words, number: int, date: int) -> tuple[bool, str]:
        """Try one way once."""
        way = self._ways[number]
        ident = hashlib.sha256(
            f"{self._site}|{number}|{date}|{said.subject}|{said.body}".encode()
        ).hexdigest()[:20]
        message_id = f"<{ident}@{self._site}.watch.secondbell.invalid>"
        mail = way.form == "mail"
        thread = self._threads.setdefault(number, message_id)
        parcel = Parcel(
            notice=ident,
            message_id=message_id,
            address=way.address,
            subject=said.subject if mail else "",
            body=said.body if mail else said.page,
            urgency="high",
            thread=thread if mail and thread != message_id else None,
            date_ms=date,
        )
        made = await attempt(way.carrier, parcel)
        sent = made.outcome is Outcome.SENT
        if not sent and self._threads.get(number) == message_id:
            del self._threads[number]
        tell = log.info if sent else log.error
        tell(
            "told" if sent else "cannot tell",
            carrier=way.carrier.name,
            subject=said.subject,
            answer=made.text,
        )
        return sent, made.text


def _waits() -> Iterator[float]:
    """Seconds after a first, second, … failure, without end."""
    yield from BACKOFF
    while True:
        yield BACKOFF[-1]

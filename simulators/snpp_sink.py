"""A small paging server, RFC 1861 levels 1 and 2, that keeps every page, and misbehaves as it is told."""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

TERMINATED = "421 "
"""Replies that begin so end the connection (RFC 1861 §4.2.4)."""

MOST_ERRORS = 10
"""Illegal commands before the connection ends, at the operator's discretion (RFC 1861 §4.7)."""

LONGEST_LINE = 4096
"""Octets of one line of a client."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page sent to one pager; `at` is in milliseconds since 1970-01-01 UTC.

    `alert` is None where the client left it to the pager's own setting; `level` is the service level 0 to 11.
    """

    at: int
    pager: str
    text: str
    alert: bool | None
    level: int
    subject: str | None
    coverage: str | None
    hold: str | None


@dataclass(slots=True, kw_only=True)
class SnppManners:
    """How the sink behaves; all of it may be changed while it runs.

    - `level`: 1 answers 500 to all of level 2.
    - `greeting`: said at once; one with 421 ends the connection.
    - `pagers`: those known, None for any.
    - `replies`: the reply to PAGE by pager.
    - `send_reply`: the reply to SEND; only with 2xx, 8xx or 9xx is the page kept.
    - `busy_first`: so many SENDs get 554 before one is taken.
    - `hang_at`: say nothing from that command (or `connect`) on; `.` is after the text of DATA.
    - `drop_after_send`: keep the page, then close without the reply.
    - `lose_first`: the same for so many pages.
    - `login`: the name and password demanded.
    - `not_implemented`: commands of level 2 that this server lacks.
    """

    level: int = 2
    greeting: str = "220 SNPP Gateway Ready"
    pagers: frozenset[str] | None = None
    replies: dict[str, str] = field(default_factory=dict)
    send_reply: str = "250 Message Sent OK"
    busy_first: int = 0
    hang_at: str | None = None
    drop_after_send: bool = False
    lose_first: int = 0
    login: tuple[str, str] | None = None
    not_implemented: frozenset[str] = frozenset()


@dataclass(slots=True, kw_only=True)
class _Options:
    """What is set for the next PAGEr, and forgotten after it (RFC 1861 §4.5.2)."""

    alert: bool | None = None
    level: int = 1
    coverage: str | None = None
    hold: str | None = None


class SnppSink:
    """Use `await start()` and `await stop()`, or `async with`.

    With a `folder` each page is also written there as 0001.txt and so on. `now_ms` gives the time of arrival.
    """

    def __init__(
        self,
        *,
        manners: SnppManners | None = None,
        folder: Path | None = None,
        on_page: Callable[[Page], None] | None = None,
        port: int = 0,
        now_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
    ) -> None:
        self.host = "127.0.0.1"
        self.port = port
        self.pages: list[Page] = []
        self.manners = manners or SnppManners()
        self._folder = folder
        self._on_page = on_page
        self._now_ms = now_ms
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen; `port` then tells where."""
        if self._folder is not None:
            self._folder.mkdir(parents=True, exist_ok=True)
        self._server = await asyncio.start_server(self._accept, self.host, self.port, limit=LONGEST_LINE)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Close the port and every connection, and wait until all of it is gone."""
        if self._server is None:
            return
        self._server.close()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()
        self._server = None

    async def __aenter__(self) -> "SnppSink":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def keep(self, pager: str, options: _Options, text: str, subject: str | None) -> None:
        """Record one page, write it to the folder, and tell whoever listens."""
        page = Page(
            at=self._now_ms(),
            pager=pager,
            text=text,
            alert=options.alert,
            level=options.level,
            subject=subject,
            coverage=options.coverage,
            hold=options.hold,
        )
        self.pages.append(page)
        if self._folder is not None:
            path = self._folder / f"{len(self.pages):04d}.txt"
            path.write_text(f"pager {pager}\nalert {page.alert}\nlevel {page.level}\n\n{text}\n", "utf-8")
        if self._on_page is not None:
            self._on_page(page)

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.get_running_loop().create_task(_Session(self, reader, writer).run())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


class _Closed(Exception):
    """The connection is to end now."""


class _Session:
    """One connection: what has been entered, and the reply to each command."""

    def __init__(self, sink: SnppSink, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._sink = sink
        self._manners = sink.manners
        self._reader = reader
        self._writer = writer
        self._errors = 0
        self._logged_in = False
        self._reset()

    def _reset(self) -> None:
        self._pagers: list[tuple[str, _Options]] = []
        self._options = _Options()
        self._text: str | None = None
        self._subject: str | None = None

    async def run(self) -> None:
        """Serve until either end closes."""
        try:
            await self._hang_if("connect")
            await self._say(self._manners.greeting)
            while True:
                await self._say(await self._answer((await self._line()).rstrip("\r\n")))
        except (_Closed, OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            self._writer.close()
        except asyncio.CancelledError:
            self._writer.transport.abort()
            raise
        finally:
            with suppress(OSError):
                await self._writer.wait_closed()

    async def _line(self) -> str:
        return (await self._reader.readuntil(b"\n")).decode("utf-8", "replace")

    async def _say(self, reply: str) -> None:
        self._writer.write(reply.encode("utf-8") + b"\r\n")
        await self._writer.drain()
        if reply.startswith((TERMINATED, "221 ")):
            raise _Closed

    async def _hang_if(self, step: str) -> None:
        if self._manners.hang_at == step:
            await asyncio.get_running_loop().create_future()

    async def _answer(self, line: str) -> str:
        """The reply to one command; only its first four letters count (RFC 1861 §4)."""
        word, _, rest = line.partition(" ")
        verb, rest = word[:4].upper(), rest.strip()
        await self._hang_if(verb)
        if verb == "DATA" and self._has("DATA"):
            return await self._data()
        if verb == "HELP":
            await self._say("214 PAGE MESS RESE SEND QUIT HELP")
            return "250 End of Help Information"
        reply = self._level_1(verb, rest) or (self._level_2(verb, rest) if self._has(verb) else None)
        if reply is not None:
            return reply
        self._errors += 1
        if self._errors > MOST_ERRORS:
            return "421 Too Many Errors, Goodbye"
        return "500 Command Not Implemented, Try Again"

    def _has(self, verb: str) -> bool:
        return self._manners.level >= 2 and verb not in self._manners.not_implemented

    def _level_1(self, verb: str, rest: str) -> str | None:
        """The commands of RFC 1861 §4.3."""
        match verb:
            case "PAGE":
                return self._page(rest.split(" ")[0])
            case "MESS":
                if self._text is not None:
                    return "503 ERROR, Message Already Entered"
                if not rest:
                    return "550 ERROR, Invalid Message"
                self._text = rest
                return "250 Message OK"
            case "RESE":
                self._reset()
                return "250 RESET OK"
            case "SEND":
                return self._send()
            case "QUIT":
                return "221 OK, Goodbye"
        return None

    def _level_2(self, verb: str, rest: str) -> str | None:
        """The options of RFC 1861 §4.5."""
        match verb:
            case "LOGI":
                name, _, password = rest.partition(" ")
                if self._manners.login not in (None, (name, password)):
                    return "550 Error, Invalid LoginID or Password"
                self._logged_in = True
                return "250 Login Accepted"
            case "LEVE":
                if not rest.isdecimal() or int(rest) > 11:
                    return "550 Error, Invalid Service Level Specified"
                self._options.level = int(rest)
                return "250 OK, Alternate Service Level Accepted"
            case "ALER":
                if rest not in ("0", "1"):
                    return "550 Error, Invalid Alert Parameter"
                self._options.alert = rest == "1"
                return "250 OK, Alert Override Accepted"
            case "COVE":
                self._options.coverage = rest
                return "250 Alternate Area Selected"
            case "HOLD":
                self._options.hold = rest
                return "250 Delayed Message OK"
            case "CALL":
                return "250 Caller ID Accepted"
            case "SUBJ":
                self._subject = rest
                return "250 Message Subject OK"
        return None

    def _page(self, pager: str) -> str:
        if self._manners.login is not None and not self._logged_in:
            return "550 Error, Login Required"
        options, self._options = self._options, _Options()
        reply = self._manners.replies.get(pager, "250 Pager ID Accepted")
        if not pager or (self._manners.pagers is not None and pager not in self._manners.pagers):
            reply = "550 Error, Invalid Pager ID"
        if reply.startswith("2"):
            self._pagers.append((pager, options))
        return reply

    async def _data(self) -> str:
        """Lines up to one with nothing but a period (RFC 1861 §4.4.1)."""
        if self._text is not None:
            return "503 ERROR, Message Already Entered"
        await self._say("354 Begin Input, End With '.'")
        lines: list[str] = []
        while (line := (await self._line()).rstrip("\r\n")) != ".":
            lines.append(line)
        await self._hang_if(".")
        self._text = "\n".join(lines)
        return "250 DATA Accepted"

    def _send(self) -> str:
        if not self._pagers or self._text is None:
            return "503 Error, Pager ID or Message Incomplete"
        if self._manners.busy_first > 0:
            self._manners.busy_first -= 1
            return "554 Message Failed, terminal busy"
        reply = self._manners.send_reply
        if reply[0] in "289":
            for pager, options in self._pagers:
                self._sink.keep(pager, options, self._text, self._subject)
        lost = self._manners.lose_first > 0
        self._manners.lose_first -= lost
        if self._manners.drop_after_send or lost:
            raise _Closed
        self._reset()
        return reply

"""What every carrier promises, run against each with a real server at the other end."""

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Protocol

import pytest

from monitor.adapters.carriers import Attempt, Carrier, Outcome, Parcel, connection_fault, one_line
from monitor.adapters.email import EmailCarrier
from monitor.adapters.snpp import SnppCarrier
from simulators.smtp_sink import SmtpSink
from simulators.snpp_sink import SnppSink

LIMIT = 0.4
"""Seconds: short where a hang is tested, long enough for a loaded machine to answer on loopback."""

LOOPBACK = "127.0.0.1"

PARCEL = Parcel(
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
    """One carrier and the server at its other end, with the ways in which that server can fail."""

    good: str
    bad: str
    steps: tuple[str, ...]

    async def start(self) -> None: ...
    async def stop(self) -> None: ...
    def carrier(self, port: int | None = None, limit: float = 5.0, host: str = ...) -> Carrier: ...
    def arrived(self) -> list[str]: ...
    def refuse_bad(self) -> None: ...
    def busy_once(self) -> None: ...
    def hang_at(self, step: str) -> None: ...
    def go_down(self) -> None: ...
    def lose_the_reply(self) -> None: ...
    def reply_at_the_end(self, text: str) -> None: ...


class MailRoute:
    """The mail carrier and an SMTP server."""

    good, bad = "night@ward.example", "gone@ward.example"
    steps = ("connect", "ehlo", "mail", "rcpt", "data", "dot")

    def __init__(self) -> None:
        self.sink = SmtpSink()
        self.made: list[Carrier] = []

    async def start(self) -> None:
        await self.sink.start()

    async def stop(self) -> None:
        for carrier in self.made:
            await carrier.close()
        await self.sink.stop()

    def carrier(self, port: int | None = None, limit: float = 5.0, host: str = LOOPBACK) -> Carrier:
        sender = "Second Bell <bell@ward.example>"
        self.made.append(EmailCarrier(host, port or self.sink.port, sender, "none", limit=limit))
        return self.made[-1]

    def arrived(self) -> list[str]:
        return [recipient for mail in self.sink.mails for recipient in mail.recipients]

    def refuse_bad(self) -> None:
        self.sink.manners.replies[self.bad] = "550 5.1.1 No such person"

    def busy_once(self) -> None:
        self.sink.manners.greylist_first = 1

    def hang_at(self, step: str) -> None:
        self.sink.manners.hang_at = step  # type: ignore[assignment] # one of `steps`

    def go_down(self) -> None:
        self.sink.manners.greeting = "421 4.3.2 Going down"

    def lose_the_reply(self) -> None:
        self.sink.manners.drop_after_data = True

    def reply_at_the_end(self, text: str) -> None:
        self.sink.manners.data_reply = text


class PagerRoute:
    """The pager carrier and a paging server."""

    good, bad = "5551212", "5550000"
    steps = ("connect", "PAGE", "MESS", "SEND")

    def __init__(self) -> None:
        self.sink = SnppSink()

    async def start(self) -> None:
        await self.sink.start()

    async def stop(self) -> None:
        await self.sink.stop()

    def carrier(self, port: int | None = None, limit: float = 5.0, host: str = LOOPBACK) -> Carrier:
        return SnppCarrier(host, port or self.sink.port, limit=limit)

    def arrived(self) -> list[str]:
        return [page.pager for page in self.sink.pages]

    def refuse_bad(self) -> None:
        self.sink.manners.pagers = frozenset({self.good})

    def busy_once(self) -> None:
        self.sink.manners.busy_first = 1

    def hang_at(self, step: str) -> None:
        self.sink.manners.hang_at = step

    def go_down(self) -> None:
        self.sink.manners.greeting = "421 SERVER DOWN, Goodbye"  # RFC 1861 §4.7

    def lose_the_reply(self) -> None:
        self.sink.manners.drop_after_send = True

    def reply_at_the_end(self, text: str) -> None:
        self.sink.manners.send_reply = text


@pytest.fixture(params=[MailRoute, PagerRoute], ids=["email", "snpp"])
async def route(request: pytest.FixtureRequest) -> AsyncIterator[Route]:
    """A carrier of each kind with its server running."""
    made: Route = request.param()
    await made.start()
    yield made
    await made.stop()


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
        task = asyncio.get_running_loop().create_task(handle(reader, writer))
        tasks.add(task)

    listener = await asyncio.start_server(accept, "127.0.0.1", 0)
    try:
        yield listener.sockets[0].getsockname()[1]
    finally:
        listener.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(0)
        await listener.wait_closed()


def assert_sound(attempt: Attempt) -> None:
    """The text of an attempt is one short line that says something."""
    assert attempt.text
    assert len(attempt.text) <= 200
    assert attempt.text.isprintable()


async def test_a_parcel_arrives_once(route: Route) -> None:
    """A good parcel is sent, with the server's reply as the text."""
    carrier = route.carrier()
    attempt = await carrier.send(replace(PARCEL, address=route.good))
    await carrier.close()
    assert attempt.outcome is Outcome.SENT
    assert attempt.text.startswith("250 ")
    assert_sound(attempt)
    assert route.arrived() == [route.good]


async def test_a_refused_connection_is_tried_later(route: Route) -> None:
    """Where nobody listens the parcel waits, and the text says so."""
    port = await _closed_port()
    attempt = await route.carrier(port=port).send(replace(PARCEL, address=route.good))
    assert attempt == Attempt(
        outcome=Outcome.TRY_LATER, text=f"connect: connection refused by 127.0.0.1:{port}"
    )


@pytest.mark.parametrize(
    ("kind", "step"), [(kind, step) for kind in (MailRoute, PagerRoute) for step in kind.steps]
)
async def test_a_server_that_hangs_costs_no_more_than_the_limit(kind: type[Route], step: str) -> None:
    """At whatever step the server falls silent, the attempt ends at the time limit and is tried later."""
    route = kind()
    await route.start()
    route.hang_at(step)
    began = time.monotonic()
    attempt = await route.carrier(limit=LIMIT).send(replace(PARCEL, address=route.good))
    took = time.monotonic() - began
    assert attempt.outcome is Outcome.TRY_LATER
    assert "no answer within 0.4 s" in attempt.text
    assert ("may have" in attempt.text) is (step == route.steps[-1])  # only then is it out of our hands
    assert LIMIT - 0.05 <= took < LIMIT + 0.6
    assert route.arrived() == []
    await route.stop()


async def test_a_temporary_failure_is_tried_later_and_then_sent(route: Route) -> None:
    """A server that cannot now takes the very same parcel the next time."""
    route.busy_once()
    carrier = route.carrier()
    parcel = replace(PARCEL, address=route.good)
    first = await carrier.send(parcel)
    assert first.outcome is Outcome.TRY_LATER
    assert_sound(first)
    assert route.arrived() == []
    assert (await carrier.send(parcel)).outcome is Outcome.SENT
    assert route.arrived() == [route.good]


async def test_one_bad_address_is_only_its_own_parcel(route: Route) -> None:
    """Among parcels sent at once, the refused address alone is refused."""
    route.refuse_bad()
    carrier = route.carrier()
    attempts = await asyncio.gather(
        *(carrier.send(replace(PARCEL, address=a)) for a in (route.good, route.bad, route.good))
    )
    assert [a.outcome for a in attempts] == [Outcome.SENT, Outcome.REFUSED, Outcome.SENT]
    assert attempts[1].text.startswith("550 ")
    assert route.arrived() == [route.good, route.good]


async def test_a_server_going_down_is_tried_later(route: Route) -> None:
    """A 421 instead of a greeting says nothing about the address."""
    route.go_down()
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.TRY_LATER
    assert "421" in attempt.text


async def test_a_lost_reply_is_tried_later_and_said_to_be_in_doubt(route: Route) -> None:
    """When the last reply is lost the parcel has arrived, and the attempt cannot know it."""
    route.lose_the_reply()
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.TRY_LATER
    assert "may have" in attempt.text
    assert route.arrived() == [route.good]


async def test_a_long_dirty_reply_becomes_one_short_line(route: Route) -> None:
    """Control characters of a server reach neither a terminal nor the trail."""
    route.reply_at_the_end("250 kept\x1b[31m\x07 " + "z" * 400)
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.SENT
    assert attempt.text.startswith("250 kept [31m zz")
    assert len(attempt.text) == 200
    assert_sound(attempt)


@pytest.mark.parametrize(
    "address",
    ["", "a b", "x\r\nRCPT TO:<y@z.example>", "night@ward.example\n", "5551212\r\nSEND", "é", "a" * 400],
)
async def test_an_impossible_address_is_refused_without_a_connection(route: Route, address: str) -> None:
    """What could never be an address, or would smuggle in a command, goes nowhere."""
    port = await _closed_port()  # a connection would be refused, and be called so
    attempt = await route.carrier(port=port).send(replace(PARCEL, address=address))
    assert attempt.outcome is Outcome.REFUSED
    assert "address" in attempt.text
    assert_sound(attempt)


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"\r\n",
        b"hello\r\n",
        b"\x00\xff\xfe\r\n",
        b"99\r\n",
        b"220",
        b"9" * 70_000 + b"\r\n",
        b"220-a\r\n" * 9000,
    ],
    ids=["nothing", "blank", "words", "binary", "two digits", "half a line", "long line", "no end"],
)
async def test_a_server_that_talks_nonsense_is_tried_later(route: Route, said: bytes) -> None:
    """Whatever is said instead of a greeting, and closed upon, the parcel waits."""

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    async with server(serve) as port:
        attempt = await route.carrier(port=port).send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text.startswith("connect: ")
    assert_sound(attempt)


async def test_a_server_that_drips_is_cut_off_at_the_limit(route: Route) -> None:
    """A byte now and then does not stretch the time limit."""

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"2")
            await writer.drain()
            await asyncio.sleep(0.02)

    async with server(serve) as port:
        attempt = await route.carrier(port=port, limit=LIMIT).send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.TRY_LATER


async def test_a_send_can_be_cancelled(route: Route) -> None:
    """Cancelling goes through, at once, although the server hangs."""
    route.hang_at(route.steps[-2])
    task = asyncio.create_task(route.carrier(limit=60).send(replace(PARCEL, address=route.good)))
    await asyncio.sleep(0.05)
    task.cancel()
    began = time.monotonic()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert time.monotonic() - began < 0.5


async def test_a_host_name_that_is_none_is_tried_later(route: Route) -> None:
    """A name that no name service would look up (RFC 1035 §2.3.4: 63 octets a label) raises nothing."""
    attempt = await route.carrier(host="n" * 64 + ".invalid").send(replace(PARCEL, address=route.good))
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text.startswith("connect: ")


def test_a_text_is_cut_cleaned_and_keeps_no_secret() -> None:
    """Line ends, hidden signs and half surrogates go, and a secret is blacked out before the cut."""
    assert one_line(" a\r\n\tb\u2028c\u202ed\ud800 ") == "a b c d"
    assert one_line("x" * 500) == "x" * 200
    assert one_line("550 bad login ward s3cret", ["s3cret", ""]) == "550 bad login ward [hidden]"


def test_a_fault_is_told_from_its_cause() -> None:
    """The errors of the network are told in words, through whatever wraps them."""
    wrapped = ConnectionError("outer")
    wrapped.__cause__ = ConnectionRefusedError(111, "inner")
    assert connection_fault(wrapped, "mail.example", 25) == "connection refused by mail.example:25"
    reset = ConnectionResetError()
    assert connection_fault(reset, "mail.example", 25) == "connection to mail.example:25 lost"
    unknown = socket.gaierror(-2, "Name or service not known")
    assert connection_fault(unknown, "mail.example", 25) == "host mail.example not found"
    unreachable = OSError(113, "x")
    assert connection_fault(unreachable, "h", 1) == "no connection to h:1: No route to host"


async def _closed_port() -> int:
    """A port that was free a moment ago."""
    listener = await asyncio.start_server(lambda _r, _w: None, "127.0.0.1", 0)
    port: int = listener.sockets[0].getsockname()[1]
    listener.close()
    await listener.wait_closed()
    return port

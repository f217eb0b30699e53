"""The sinks, spoken to by bare lines and by the standard library's client."""

import asyncio
import smtplib
import ssl
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from simulators.smtp_sink import Mail, SmtpManners, SmtpSink, self_made
from simulators.snpp_sink import Page, SnppManners, SnppSink


@asynccontextmanager
async def line_to(port: int) -> AsyncIterator["Line"]:
    """A bare connection, its greeting not yet read."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        yield Line(reader, writer)
    finally:
        writer.close()
        await writer.wait_closed()


class Line:
    """One end of a conversation in lines."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer

    async def say(self, *lines: str) -> str:
        """Send lines, if any, and return the next reply."""
        for line in lines:
            self._writer.write(line.encode() + b"\r\n")
        return (await self._reader.readuntil(b"\n")).decode().rstrip("\r\n")

    async def ended(self) -> bool:
        """Whether the other end has closed and said no more."""
        return await self._reader.read() == b""


async def test_the_level_one_dialogue_of_the_rfc() -> None:
    """RFC 1861 §4.1.1, word for word."""
    async with SnppSink(now_ms=lambda: 42) as sink, line_to(sink.port) as line:
        assert await line.say() == "220 SNPP Gateway Ready"
        assert await line.say("PAGE 5551212") == "250 Pager ID Accepted"
        assert await line.say("MESS Your network is hosed") == "250 Message OK"
        assert await line.say("SEND") == "250 Message Sent OK"
        assert await line.say("QUIT") == "221 OK, Goodbye"
        assert await line.ended()
    assert sink.pages == [
        Page(
            at=42, pager="5551212", text="Your network is hosed",
            alert=None, level=1, subject=None, coverage=None, hold=None,
        )
    ]  # fmt: skip


async def test_the_level_two_dialogue_of_the_rfc() -> None:
    """RFC 1861 §4.1.2: one message to two pagers, each with its own option, the replies word for word."""
    async with SnppSink() as sink, line_to(sink.port) as line:
        await line.say()
        assert await line.say("COVE 2") == "250 Alternate Area Selected"
        assert await line.say("PAGE 5551212 FOOBAR") == "250 Pager ID Accepted"
        assert await line.say("HOLD 9401152300 -0600") == "250 Delayed Message OK"
        assert await line.say("PAGE 5552323 XYZZY") == "250 Pager ID Accepted"
        assert await line.say("SUBJ Seattle Meeting") == "250 Message Subject OK"
        assert await line.say("DATA") == "354 Begin Input, End With '.'"
        text = ("Please meet me tomorrow at", "the Seattle office", ".")
        assert await line.say(*text) == "250 DATA Accepted"
        assert await line.say("SEND") == "250 Message Sent OK"
        assert await line.say("QUIT") == "221 OK, Goodbye"
    first, second = sink.pages
    assert (first.pager, first.coverage, first.hold) == ("5551212", "2", None)
    assert (second.pager, second.coverage, second.hold) == ("5552323", None, "9401152300 -0600")
    assert first.text == second.text == "Please meet me tomorrow at\nthe Seattle office"
    assert first.subject == "Seattle Meeting"


async def test_what_is_incomplete_or_entered_twice_is_503() -> None:
    """Domain §10, oracle 23: SEND without MESS, a second MESS, DATA after MESS (RFC 1861 §4.2.6, §4.3.4)."""
    async with SnppSink() as sink, line_to(sink.port) as line:
        await line.say()
        assert (await line.say("SEND")).startswith("503 ")
        assert (await line.say("PAGE 1")).startswith("250 ")
        assert (await line.say("SEND")).startswith("503 ")
        assert (await line.say("MESS a")).startswith("250 ")
        assert (await line.say("MESS b")).startswith("503 ")
        assert (await line.say("DATA")).startswith("503 ")
        assert (await line.say("SEND")).startswith("250 ")
        assert (await line.say("SEND")).startswith("503 ")
        assert [page.text for page in sink.pages] == ["a"]


async def test_reset_help_and_long_command_names() -> None:
    """RESEt forgets (§4.3.3), HELP ends with 250 (§4.3.6), only the first four letters count (§4)."""
    async with SnppSink() as sink, line_to(sink.port) as line:
        await line.say()
        assert (await line.say("pager 1")).startswith("250 ")
        assert (await line.say("MESSAGE a")).startswith("250 ")
        assert await line.say("RESET") == "250 RESET OK"
        assert (await line.say("SEND")).startswith("503 ")
        assert (await line.say("HELP")).startswith("214 ")
        assert (await line.say()).startswith("250 ")
        assert sink.pages == []


async def test_options_are_for_the_next_pager_only() -> None:
    """Level and alert go with the next PAGEr, then are as before (RFC 1861 §4.5.2); wrong values are 550."""
    async with SnppSink() as sink, line_to(sink.port) as line:
        await line.say()
        for wrong in ("LEVE 12", "LEVE -1", "LEVE x", "ALER 2", "ALER"):
            assert (await line.say(wrong)).startswith("550 ")
        for command in ("LEVE 11", "ALER 0", "PAGE 1", "PAGE 2", "MESS a", "SEND"):
            assert (await line.say(command)).startswith("250 ")
        assert [(p.pager, p.level, p.alert) for p in sink.pages] == [("1", 11, False), ("2", 1, None)]


@pytest.mark.parametrize("command", ["DATA", "LEVE 0", "ALER 1", "LOGI a b", "SUBJ x", "2WAY", "EHLO x", ""])
async def test_level_one_knows_no_more(command: str) -> None:
    """What is not implemented is 500, and the session goes on (RFC 1861 §4.2.5)."""
    async with SnppSink(manners=SnppManners(level=1)) as sink, line_to(sink.port) as line:
        await line.say()
        assert (await line.say(command)).startswith("500 ")
        assert (await line.say("PAGE 1")).startswith("250 ")


async def test_too_many_errors_end_the_connection() -> None:
    """The eleventh illegal command gets 421 (RFC 1861 §4.7)."""
    async with SnppSink() as sink, line_to(sink.port) as line:
        await line.say()
        for _ in range(10):
            assert (await line.say("NONSENSE")).startswith("500 ")
        assert await line.say("NONSENSE") == "421 Too Many Errors, Goodbye"
        assert await line.ended()


async def test_a_pager_unknown_and_a_server_down() -> None:
    """550 for who is not known, 421 at once when down."""
    async with SnppSink(manners=SnppManners(pagers=frozenset({"1"}))) as sink:
        async with line_to(sink.port) as line:
            await line.say()
            assert (await line.say("PAGE 2")).startswith("550 ")
            assert (await line.say("PAGE 1")).startswith("250 ")
        sink.manners.greeting = "421 SERVER DOWN, Goodbye"
        async with line_to(sink.port) as line:
            assert await line.say() == "421 SERVER DOWN, Goodbye"
            assert await line.ended()


async def test_pages_are_written_and_told(tmp_path: Path) -> None:
    """Each page is a file, and whoever listens is called."""
    heard: list[Page] = []
    async with SnppSink(folder=tmp_path / "pages", on_page=heard.append) as sink, line_to(sink.port) as line:
        await line.say()
        for command in ("PAGE 1", "MESS hello", "SEND"):
            await line.say(command)
        assert heard == sink.pages
    assert (tmp_path / "pages" / "0001.txt").read_text().endswith("\n\nhello\n")


async def test_mails_are_kept_written_and_told(tmp_path: Path) -> None:
    """A mail by the standard library's client is recorded as it was sent, leading period and all."""
    heard: list[Mail] = []
    raw = b"Subject: Hello\r\n\r\none\r\n.two\r\n"
    async with SmtpSink(folder=tmp_path / "mails", on_mail=heard.append, now_ms=lambda: 42) as sink:
        await asyncio.to_thread(_deliver, sink.port, raw)
        assert heard == sink.mails
    [mail] = sink.mails
    assert (mail.at, mail.sender, mail.recipients) == (42, "a@x.example", ("b@x.example", "c@x.example"))
    assert mail.raw == raw
    assert mail.message["Subject"] == "Hello"
    assert mail.message.get_content().splitlines() == ["one", ".two"]
    assert (tmp_path / "mails" / "0001.eml").read_bytes() == raw


async def test_a_recipient_refused_gets_no_mail() -> None:
    """Among several recipients only the good ones are recorded."""
    manners = SmtpManners(replies={"b@x.example": "550 5.1.1 Unknown"})
    async with SmtpSink(manners=manners) as sink:
        await asyncio.to_thread(_deliver, sink.port, b"Subject: x\r\n\r\ny\r\n")
        assert sink.mails[0].recipients == ("c@x.example",)


async def test_a_login_over_starttls(tmp_path: Path) -> None:
    """The standard library's client verifies the certificate, logs in, and only then may send."""
    ours, trusting = self_made(tmp_path)
    async with SmtpSink(starttls=ours, manners=SmtpManners(login=("ward", "s3cret"))) as sink:
        await asyncio.to_thread(_log_in, sink.port, trusting)
        assert len(sink.mails) == 1


@pytest.mark.parametrize("hang_at", ["connect", "rcpt", None])
async def test_stopping_ends_every_connection(hang_at: str | None) -> None:
    """A sink that hangs stops at once, closes its port, and leaves neither task nor thread."""
    threads = threading.active_count()
    tasks = len(asyncio.all_tasks())
    mail = SmtpSink()
    mail.manners.hang_at = hang_at  # type: ignore[assignment] # one of its values
    pager = SnppSink(manners=SnppManners(hang_at=hang_at and {"rcpt": "PAGE"}.get(hang_at, hang_at)))
    await mail.start()
    await pager.start()
    async with line_to(mail.port) as first, line_to(pager.port) as second:
        if hang_at != "connect":
            await first.say()
            await second.say()
            await first.say("HELO x")
            await first.say("MAIL FROM:<a@x.example>")
            first_wait = asyncio.create_task(first.say("RCPT TO:<b@x.example>"))
            second_wait = asyncio.create_task(second.say("PAGE 1"))
            await asyncio.wait({first_wait, second_wait}, timeout=0.05)
            await asyncio.wait_for(asyncio.gather(mail.stop(), pager.stop()), 2)
            await asyncio.gather(first_wait, second_wait, return_exceptions=True)
        else:
            await asyncio.sleep(0.05)
            await asyncio.wait_for(asyncio.gather(mail.stop(), pager.stop()), 2)
    await mail.stop()  # once more does no harm
    await pager.stop()
    for port in (mail.port, pager.port):
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", port)
    assert threading.active_count() == threads
    assert len(asyncio.all_tasks()) == tasks


def _deliver(port: int, raw: bytes) -> None:
    """Send one mail to two recipients."""
    with smtplib.SMTP("127.0.0.1", port, local_hostname="x.example", timeout=5) as client:
        client.sendmail("a@x.example", ["b@x.example", "c@x.example"], raw)


def _log_in(port: int, trusting: ssl.SSLContext) -> None:
    """Send one mail after STARTTLS and a login, having been refused before."""
    with smtplib.SMTP("127.0.0.1", port, local_hostname="x.example", timeout=5) as client:
        client.starttls(context=trusting)
        with pytest.raises(smtplib.SMTPSenderRefused):
            client.sendmail("a@x.example", ["b@x.example"], b"Subject: x\r\n\r\ny\r\n")
        with pytest.raises(smtplib.SMTPAuthenticationError):
            client.login("ward", "wr0ng")
        client.login("ward", "s3cret")
        client.sendmail("a@x.example", ["b@x.example"], b"Subject: x\r\n\r\ny\r\n")

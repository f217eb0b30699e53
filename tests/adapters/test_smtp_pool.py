"""Connections to the mail server that are kept: few for many mails, none for long, and a stale one costs no attempt."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.carriers import Outcome
from monitor.adapters.email import EmailCarrier
from simulators.smtp_sink import SmtpManners, SmtpSink, self_made
from tests.adapters.test_carriers_contract import PARCEL, server
from tests.adapters.test_email import SENDER
from tests.night import until

TO = replace(PARCEL, address="night@ward.example")
BAD = replace(PARCEL, address="gone@ward.example")

CLOSE, HANG = "(close)", "(hang)"
Faults = Mapping[tuple[int, str, int], str]
"""What is answered instead: on which connection, to which command (`.` is the final dot), the how manieth of it."""


@asynccontextmanager
async def mail_to(port: int, *, limit: float = 5.0, **bounds: float) -> AsyncIterator[EmailCarrier]:
    """A carrier to a port on this machine, closed at the end."""
    carrier = EmailCarrier("127.0.0.1", port, SENDER, "none", limit=limit, **bounds)  # type: ignore[arg-type]
    try:
        yield carrier
    finally:
        await carrier.close()


@asynccontextmanager
async def scripted(faults: Faults) -> AsyncIterator[tuple[int, list[str]]]:
    """A mail server that takes everything but for its faults; its port, and what it is told, `1 MAIL` and so on."""
    told: list[str] = []
    connections = 0

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connections
        connections += 1
        number, seen = connections, Counter[str]()
        writer.write(b"220 x\r\n")
        while line := await reader.readline():
            verb = line[:4].decode().strip()
            reply = "354 go ahead" if verb == "DATA" else "250 OK"
            seen[verb] += 1
            told.append(f"{number} {verb}")
            reply = faults.get((number, verb, seen[verb]), reply)
            if reply.startswith("354"):
                writer.write(b"354 go ahead\r\n")
                await reader.readuntil(b"\r\n.\r\n")
                seen["."] += 1
                told.append(f"{number} .")
                reply = faults.get((number, ".", seen["."]), "250 taken")
            if reply == CLOSE:
                return
            if reply == HANG:
                await reader.read()
                return
            writer.write(reply.encode() + b"\r\n")
            if verb == "QUIT":
                return

    async with server(serve) as port:
        yield port, told


async def test_mails_one_after_the_other_share_a_connection() -> None:
    """Twenty mails need one connection, and each arrives once."""
    async with SmtpSink() as sink, mail_to(sink.port) as carrier:
        for number in range(20):
            attempt = await carrier.send(replace(TO, message_id=f"<{number}@ward.example>"))
            assert attempt.outcome is Outcome.SENT
        assert sink.connections == 1
        assert [mail.message["Message-ID"] for mail in sink.mails] == [
            f"<{n}@ward.example>" for n in range(20)
        ]


async def test_a_connection_carries_so_many_mails_and_no_more() -> None:
    """Seven mails at three a connection are three connections, each ended by QUIT."""
    async with scripted({}) as (port, told), mail_to(port, most_mails=3) as carrier:
        for _ in range(7):
            assert (await carrier.send(TO)).outcome is Outcome.SENT
        await carrier.close()
        mails = Counter(line for line in told if line.endswith("MAIL"))
        assert mails == {"1 MAIL": 3, "2 MAIL": 3, "3 MAIL": 1}
        assert [line for line in told if line.endswith("QUIT")] == ["1 QUIT", "2 QUIT", "3 QUIT"]


async def test_mails_at_once_have_each_their_own_and_share_them_later() -> None:
    """Five mails at once are five connections; the next five need no more."""
    async with SmtpSink() as sink, mail_to(sink.port) as carrier:
        for _ in range(2):
            attempts = await asyncio.gather(*(carrier.send(TO) for _ in range(5)))
            assert {attempt.outcome for attempt in attempts} == {Outcome.SENT}
        assert sink.connections == 5
        assert len(sink.mails) == 10


async def test_an_idle_connection_is_ended_with_a_goodbye() -> None:
    """What carries no mail for a while is not kept: QUIT is said without a further mail."""
    async with scripted({}) as (port, told), mail_to(port, idle=0.02) as carrier:
        await carrier.send(TO)
        await until(lambda: "1 QUIT" in told, "the goodbye")
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        assert "2 MAIL" in told


async def test_over_starttls_a_connection_is_shared_too(tmp_path: Path) -> None:
    """Handshake and login are made once for three mails."""
    ours, trusting = self_made(tmp_path)
    async with SmtpSink(starttls=ours, manners=SmtpManners(login=("ward", "s3cret"))) as sink:
        carrier = EmailCarrier(
            sink.host, sink.port, SENDER, "starttls", "ward", "s3cret", 5.0, tls_context=trusting
        )
        for _ in range(3):
            assert (await carrier.send(TO)).outcome is Outcome.SENT
        await carrier.close()
        assert sink.connections == 1


async def test_a_server_started_anew_costs_no_attempt() -> None:
    """The kept connection has been dropped: a new one is made in the same attempt, and the mail arrives once."""
    async with SmtpSink() as sink, mail_to(sink.port) as carrier:
        await carrier.send(TO)
        await sink.hang_up()
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        assert sink.connections == 2
        assert len(sink.mails) == 2


@pytest.mark.parametrize("verb", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("fault", [CLOSE, "421 4.3.2 Going down"])
async def test_a_kept_connection_that_ends_before_the_mail_costs_no_attempt(verb: str, fault: str) -> None:
    """Closed, or closing, at whatever comes before the mail itself: one new connection, one mail."""
    async with scripted({(1, verb, 2): fault}) as (port, told), mail_to(port) as carrier:
        await carrier.send(TO)
        attempt = await carrier.send(TO)
        assert (attempt.outcome, attempt.text) == (Outcome.SENT, "250 taken")
    assert [line for line in told if line.endswith(".")] == ["1 .", "2 ."]


async def test_a_server_with_enough_of_a_connection_gets_a_new_one() -> None:
    """Mails beyond what a server takes on one connection are no failed attempts."""
    async with SmtpSink(manners=SmtpManners(mails_a_connection=2)) as sink, mail_to(sink.port) as carrier:
        for _ in range(5):
            assert (await carrier.send(TO)).outcome is Outcome.SENT
        assert sink.connections == 3
        assert len(sink.mails) == 5


async def test_a_kept_connection_that_is_silent_gives_way_to_a_new_one() -> None:
    """No answer on the kept connection: there is time enough within the same attempt for a new one."""
    async with scripted({(1, "MAIL", 2): HANG}) as (port, told), mail_to(port, limit=2.0) as carrier:
        await carrier.send(TO)
        assert (await carrier.send(TO)).outcome is Outcome.SENT
    assert "2 MAIL" in told


async def test_a_stale_connection_to_a_server_that_is_gone_is_a_failed_attempt_with_its_reason() -> None:
    """The new connection is tried once: what it meets is the outcome."""
    async with SmtpSink() as sink, mail_to(sink.port) as carrier:
        await carrier.send(TO)
        await sink.stop()
        attempt = await carrier.send(TO)
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text == f"connect: connection refused by 127.0.0.1:{sink.port}"


async def test_only_one_new_connection_is_tried() -> None:
    """If the new one is ended too, that is the attempt's outcome."""
    faults = {(1, "MAIL", 2): CLOSE, (2, "MAIL", 1): CLOSE}
    async with scripted(faults) as (port, told), mail_to(port) as carrier:
        await carrier.send(TO)
        attempt = await carrier.send(TO)
        assert attempt.outcome is Outcome.TRY_LATER
        assert attempt.text.startswith("MAIL: connection to 127.0.0.1")
        assert not [line for line in told if line.startswith("3")]
        assert (await carrier.send(TO)).outcome is Outcome.SENT


@pytest.mark.parametrize("fault", [CLOSE, HANG, "421 4.3.2 Going down", "451 4.3.0 Not now"])
async def test_after_the_final_dot_nothing_is_sent_again_unseen(fault: str) -> None:
    """The mail may have been accepted: the attempt says so, and no other connection is made in it."""
    async with scripted({(1, ".", 2): fault}) as (port, told), mail_to(port, limit=1.0) as carrier:
        await carrier.send(TO)
        attempt = await carrier.send(TO)
        assert attempt.outcome is Outcome.TRY_LATER
        assert attempt.text.endswith("(the mail may have arrived)") is (fault in (CLOSE, HANG))
        assert [line for line in told if line.endswith(".")] == ["1 .", "1 ."]
        assert not [line for line in told if line.startswith("2")]


async def test_a_lost_reply_brings_the_same_mail_twice_and_no_more() -> None:
    """RFC 5321 §4.5.3.2.6: the reply is lost, the next attempt brings a copy with the same Message-ID and Date."""
    async with SmtpSink(manners=SmtpManners(lose_first=1)) as sink, mail_to(sink.port) as carrier:
        attempt = await carrier.send(TO)
        assert attempt.outcome is Outcome.TRY_LATER
        assert attempt.text.startswith("final dot: ")
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        assert len(sink.mails) == 2
        assert sink.mails[0].raw == sink.mails[1].raw


async def test_after_a_refused_recipient_the_connection_starts_clean() -> None:
    """One bad recipient among good ones, on one connection: RSET comes between, and nobody gets another's mail."""
    refused = {(1, "RCPT", 2): "550 5.1.1 No such person"}
    async with scripted(refused) as (port, told), mail_to(port) as carrier:
        outcomes = [(await carrier.send(parcel)).outcome for parcel in (TO, BAD, TO)]
    assert outcomes == [Outcome.SENT, Outcome.REFUSED, Outcome.SENT]
    good, bad = "1 MAIL 1 RCPT 1 DATA 1 .", "1 MAIL 1 RCPT"
    assert " ".join(told) == f"1 EHLO {good} {bad} 1 RSET {good} 1 QUIT"
    async with SmtpSink(manners=SmtpManners(replies={BAD.address: "550 5.1.1 No"})) as sink:
        async with mail_to(sink.port) as carrier:
            for parcel in (TO, BAD, TO):
                await carrier.send(parcel)
        assert [mail.recipients for mail in sink.mails] == [(TO.address,)] * 2
        assert sink.connections == 1


@pytest.mark.parametrize("answer", [CLOSE, HANG, "502 5.5.1 No such command"])
async def test_a_server_that_will_not_start_clean_gets_a_new_connection(answer: str) -> None:
    """RSET not answered, or refused: the connection is not used any more."""
    faults = {(1, "RCPT", 1): "550 5.1.1 No", (1, "RSET", 1): answer}
    async with scripted(faults) as (port, told), mail_to(port, limit=2.0) as carrier:
        await carrier.send(BAD)
        assert (await carrier.send(TO)).outcome is Outcome.SENT
    assert "2 MAIL" in told


async def test_what_a_kept_connection_says_of_a_recipient_is_the_outcome() -> None:
    """Greylisted on a kept connection: that is an attempt, not a reason to ask again on another."""
    later = {(1, "RCPT", 2): "451 4.7.1 Greylisted"}
    async with scripted(later) as (port, told), mail_to(port) as carrier:
        await carrier.send(TO)
        attempt = await carrier.send(TO)
        assert (attempt.outcome, attempt.text) == (Outcome.TRY_LATER, "451 4.7.1 Greylisted")
        assert (await carrier.send(TO)).outcome is Outcome.SENT
    assert not [line for line in told if line.startswith("2")]


async def test_a_cancelled_send_keeps_nothing() -> None:
    """Given up in the middle of a conversation, its connection is not given to the next mail."""
    async with scripted({(1, "RCPT", 2): HANG}) as (port, told), mail_to(port) as carrier:
        await carrier.send(TO)
        task = asyncio.create_task(carrier.send(TO))
        await until(lambda: told.count("1 RCPT") == 2, "the second mail's recipient")
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (await carrier.send(TO)).outcome is Outcome.SENT
    assert told.count("2 MAIL") == 1


async def test_closing_says_goodbye_on_every_connection_and_keeps_no_more() -> None:
    """All that are kept hear QUIT; a mail sent after that still arrives, and its connection ends at once."""
    async with scripted({}) as (port, told):
        carrier = EmailCarrier("127.0.0.1", port, SENDER, "none", limit=5)
        await asyncio.gather(*(carrier.send(TO) for _ in range(3)))
        await carrier.close()
        assert sorted(line for line in told if line.endswith("QUIT")) == ["1 QUIT", "2 QUIT", "3 QUIT"]
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        await carrier.close()
        assert told[-1] == "4 QUIT"

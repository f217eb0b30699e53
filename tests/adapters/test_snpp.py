"""The pager carrier against RFC 1861's own dialogues and a real paging server."""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.carriers import Outcome
from monitor.adapters.snpp import SnppCarrier, air_lines
from monitor.core.gsm7 import septets
from simulators.snpp_sink import SnppManners, SnppSink
from tests.adapters.test_carriers_contract import PARCEL, server

TO = replace(PARCEL, address="5551212")


@asynccontextmanager
async def gateway(*replies: str) -> AsyncIterator[tuple[int, list[str]]]:
    """A paging server that says its replies in order, one a command, and records what it was told.

    The first is the greeting; after a 354 to DATA it takes lines up to the period before it says the next.
    """
    told: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for reply in replies:
            writer.write(reply.encode() + b"\r\n")
            text = reply.startswith("354") and told[-1:] == ["DATA"]
            told.append((await reader.readuntil(b"\r\n"))[:-2].decode())
            while text and told[-1] != ".":
                told.append((await reader.readuntil(b"\r\n"))[:-2].decode())
        await reader.read()

    async with server(serve) as port:
        yield port, told


def pager(port: int, level: Literal[1, 2] = 1, login: tuple[str, str] | None = None) -> SnppCarrier:
    """A carrier to a port on this machine."""
    name, password = login or (None, None)
    return SnppCarrier("127.0.0.1", port, level, name, password, limit=5)


async def test_the_level_one_dialogue_of_the_rfc() -> None:
    """RFC 1861 §4.1.1, word for word on both sides."""
    async with gateway(
        "220 SNPP Gateway Ready",
        "250 Pager ID Accepted",
        "250 Message OK",
        "250 Message Sent OK",
        "221 OK, Goodbye",
    ) as (port, told):
        attempt = await pager(port).send(replace(TO, body="Your network is hosed"))
    assert told == ["PAGE 5551212", "MESS Your network is hosed", "SEND", "QUIT"]
    assert (attempt.outcome, attempt.text) == (Outcome.SENT, "250 Message Sent OK")


async def test_the_level_two_dialogue_of_the_rfc() -> None:
    """RFC 1861 §4.1.2, its second half for one pager: DATA for the two lines, ended by a period."""
    async with gateway(
        "220 SNPP Server Ready",
        "250 Pager ID Accepted",
        "354 Begin Input, End With '.'",
        "250 DATA Accepted",
        "250 Message Sent OK",
        "221 OK, Goodbye",
    ) as (port, told):
        attempt = await pager(port, 2).send(
            replace(TO, address="5552323", body="Please meet me tomorrow at\nthe Seattle office")
        )
    assert told == [
        "PAGE 5552323", "DATA", "Please meet me tomorrow at", "the Seattle office", ".", "SEND", "QUIT",
    ]  # fmt: skip
    assert attempt.outcome is Outcome.SENT


@pytest.mark.parametrize(
    ("reply", "outcome"),
    [
        ("250 Message Sent Successfully", Outcome.SENT),
        ("860 00321 1234 Delivered, Awaiting Read Ack", Outcome.SENT),
        ("861 00321 1234 Delivered, Awaiting Reply (MCR)", Outcome.SENT),
        ("880 00321 1234 Message Delivered", Outcome.SENT),
        ("960 00321 1234 OK, Message QUEUED for Delivery", Outcome.SENT),
        ("421 Gateway Service Unavailable", Outcome.TRY_LATER),
        ("421 Too Many Errors, Goodbye", Outcome.TRY_LATER),
        ("451 Unheard of", Outcome.TRY_LATER),
        ("500 Command Not Implemented", Outcome.TRY_LATER),
        ("503 Error, Pager ID or Message Incomplete", Outcome.TRY_LATER),
        ("554 Message Failed [non-administrative reason]", Outcome.TRY_LATER),
        ("780 2 950925143501+7 MESSAGE EXPIRED Before Delivery!", Outcome.TRY_LATER),
        ("354 Begin Input", Outcome.TRY_LATER),
        ("550 Failed, Illegal Pager ID", Outcome.REFUSED),
        ("550 Delivery Failed!  Message destroyed.", Outcome.REFUSED),
    ],
)
async def test_every_reply_to_send(reply: str, outcome: Outcome) -> None:
    """The replies of RFC 1861 §4.3.4, §4.6.9 and §4.6.10, and some it does not foresee."""
    async with gateway("220 x", "250 x", "250 x", reply, "221 x") as (port, told):
        attempt = await pager(port).send(TO)
    assert attempt.outcome is outcome
    assert " ".join(reply.split()) in attempt.text
    assert ("QUIT" in told) is not reply.startswith("4")


@pytest.mark.parametrize(
    ("reply", "outcome"),
    [
        ("850 Two-Way Unit Online and Available; Transaction Accepted", Outcome.SENT),
        ("950 Unit NOT Online; Message Will be Queued for Later Delivery", Outcome.SENT),
        ("750 Two-Way Unit NOT Online; Transaction Denied", Outcome.TRY_LATER),
        ("550 Error, Invalid Pager ID", Outcome.REFUSED),
        ("552 Max Recipients Exceeded", Outcome.TRY_LATER),
        ("554 Error, failed (technical reason)", Outcome.TRY_LATER),
        ("421 Timeout, Goodbye", Outcome.TRY_LATER),
    ],
)
async def test_every_reply_to_page(reply: str, outcome: Outcome) -> None:
    """The replies of RFC 1861 §4.3.1, §4.5.2, §4.6.8 and §4.8."""
    async with gateway("220 x", reply, "250 x", "250 x", "221 x") as (port, told):
        attempt = await pager(port).send(TO)
    assert attempt.outcome is outcome
    assert ("SEND" in told) is (outcome is Outcome.SENT)


async def test_help_and_continued_lines_are_read_over() -> None:
    """Lines of 214 belong to the reply that ends them (RFC 1861 §4.2.1), as do SMTP's continued lines."""
    async with gateway(
        "220-Welcome\r\n220 SNPP Gateway Ready",
        "214 PAGE\r\n214 MESS\r\n250 End",
        "250 x",
        "250 Message Sent OK",
        "221 x",
    ) as (port, told):
        attempt = await pager(port).send(TO)
    assert attempt.text == "250 Message Sent OK"
    assert told[-1] == "QUIT"


@pytest.mark.parametrize("reply", ["", "25", "hello", "\x1b[2J", "150 odd", "650 odd", "2500 odd", "250x"])
async def test_nonsense_in_reply_to_send_is_in_doubt(reply: str) -> None:
    """A reply that is none leaves open whether the page went out; it is tried later."""
    async with gateway("220 x", "250 x", "250 x", reply, "221 x") as (port, _):
        attempt = await pager(port).send(TO)
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text.startswith("SEND: unreadable reply:")
    assert attempt.text.endswith("(the page may have gone out)")


async def test_high_urgency_asks_for_priority_and_alert() -> None:
    """At level 2 a high page has service level 0 and alerts (RFC 1861 §4.5.3, §4.5.4); no other does."""
    async with SnppSink() as sink:
        carrier = pager(sink.port, 2)
        for urgency in ("high", "medium", "low"):
            await carrier.send(replace(TO, urgency=urgency))
        assert [(p.level, p.alert) for p in sink.pages] == [(0, True), (1, None), (1, None)]
        await pager(sink.port, 1).send(replace(TO, urgency="high"))
        assert (sink.pages[-1].level, sink.pages[-1].alert) == (1, None)


@pytest.mark.parametrize("missing", [{"LEVE"}, {"ALER"}, {"LEVE", "ALER", "DATA", "LOGI"}])
async def test_a_missing_option_does_not_cost_the_page(missing: set[str]) -> None:
    """A server may lack any command of level 2 (RFC 1861 §4.5); the page goes out without it."""
    async with SnppSink(manners=SnppManners(not_implemented=frozenset(missing))) as sink:
        attempt = await pager(sink.port, 2, ("ward", "s3cret")).send(replace(TO, urgency="high", body="a\nb"))
        assert attempt.outcome is Outcome.SENT
        assert sink.pages[0].text in ("a\nb", "a b")


async def test_an_option_refused_does_not_cost_the_page_but_a_closed_session_does() -> None:
    """5xx means continue, 4xx means closed (RFC 1861 §4)."""
    async with gateway("220 x", "550 no", "554 no", "250 x", "250 x", "250 sent", "221 x") as (port, told):
        attempt = await pager(port, 2).send(replace(TO, urgency="high"))
    assert attempt.outcome is Outcome.SENT
    assert told[:3] == ["LEVE 0", "ALER 1", "PAGE 5551212"]
    async with gateway("220 x", "421 Too Many Errors, Goodbye") as (port, told):
        attempt = await pager(port, 2).send(replace(TO, urgency="high"))
    assert (attempt.outcome, attempt.text) == (Outcome.TRY_LATER, "421 Too Many Errors, Goodbye")
    assert told == ["LEVE 0"]


async def test_login() -> None:
    """The right login pages; a wrong one is tried later, by its name, without telling the password."""
    async with SnppSink(manners=SnppManners(login=("ward", "s3cret"))) as sink:
        assert (await pager(sink.port, 2, ("ward", "s3cret")).send(TO)).outcome is Outcome.SENT
        attempt = await pager(sink.port, 2, ("ward", "wr0ng")).send(TO)
        assert attempt.outcome is Outcome.TRY_LATER
        assert attempt.text == "login: 550 Error, Invalid LoginID or Password"
        assert len(sink.pages) == 1
    async with gateway("220 x", "550 who is ward with wr0ng?", "221 x") as (port, _):
        attempt = await pager(port, 2, ("ward", "wr0ng")).send(TO)
    assert attempt.text == "login: 550 who is ward with [hidden]?"


@pytest.mark.parametrize(("login", "password"), [("a b", "c"), ("a", "b\r\nSEND"), ("é", "c"), ("", "c")])
def test_a_login_that_cannot_be_said_is_an_error_at_the_start(login: str, password: str) -> None:
    """A blank or a line end in a login would be another command."""
    with pytest.raises(ValueError, match="printable ASCII"):
        SnppCarrier("127.0.0.1", 444, 2, login, password)


def test_a_login_needs_level_two() -> None:
    """LOGIn is a command of level 2 (RFC 1861 §4.5.1)."""
    with pytest.raises(ValueError, match="level 2"):
        SnppCarrier("127.0.0.1", 444, 1, "ward", "s3cret")


@pytest.mark.parametrize("level", [1, 2])
async def test_no_text_can_add_a_command(level: Literal[1, 2]) -> None:
    """Line ends and periods in a text stay text."""
    body = "one\r\n.\r\nSEND\r\nPAGE 999\x00\x1b\r\n.5 mL"
    async with SnppSink() as sink:
        attempt = await pager(sink.port, level).send(replace(TO, body=body))
        assert attempt.outcome is Outcome.SENT
        [page] = sink.pages
    expected = ["one", ".", "SEND", "PAGE 999", ".5 mL"]
    assert page.pager == "5551212"
    assert page.text.split() == " ".join(expected).split()
    assert page.text.splitlines() == (
        [" ".join(expected)] if level == 1 else ["one", " .", "SEND", "PAGE 999", " .5 mL"]
    )


async def test_an_empty_text_falls_back_to_the_subject() -> None:
    """A page without a body says the subject; with neither it is refused by name."""
    async with SnppSink() as sink:
        assert (await pager(sink.port).send(replace(TO, body=" \r\n"))).outcome is Outcome.SENT
        assert sink.pages[0].text == TO.subject
        attempt = await pager(sink.port).send(replace(TO, body="", subject="\x00"))
    assert (attempt.outcome, attempt.text) == (Outcome.REFUSED, "nothing to page: the text is empty")


@given(text=st.text(max_size=600))
def test_any_text_goes_on_air_in_160_ascii_characters(text: str) -> None:
    """Whatever the words, the lines are plain ASCII and 160 septets with their line ends."""
    lines = air_lines(text)
    assert all(line.isascii() and line.isprintable() and line for line in lines)
    assert septets("\n".join(lines)) <= 160


def test_a_text_cut_shows_it() -> None:
    """Two dots end what was cut, also where the next line no longer fits at all."""
    assert air_lines("a" * 200) == ["a" * 158 + ".."]
    assert air_lines("a" * 150 + "\n" + "b" * 20) == ["a" * 150, "b" * 7 + ".."]
    assert air_lines("a" * 158 + "\nb") == ["a" * 156 + ".."]
    assert air_lines("é\n\n ü") == ["e", "u"]


@pytest.mark.parametrize("step", ["LOGI", "LEVE", "ALER", "PAGE", "DATA", ".", "SEND"])
async def test_a_hang_at_each_step_of_level_two_ends_at_the_limit(step: str) -> None:
    """Silent at any command, or after the text: no page, tried later, in doubt only once SEND was said."""
    parcel = replace(TO, urgency="high", body="one\ntwo")
    async with SnppSink(manners=SnppManners(hang_at=step)) as sink:
        carrier = SnppCarrier("127.0.0.1", sink.port, 2, "ward", "s3cret", limit=0.4)
        attempt = await carrier.send(parcel)
        assert sink.pages == []
    assert attempt.outcome is Outcome.TRY_LATER
    doubt = " (the page may have gone out)" if step == "SEND" else ""
    said = "DATA" if step == "." else step
    assert attempt.text == f"{said}: no answer within 0.4 s{doubt}"


async def test_a_lost_reply_to_send_brings_the_page_twice_and_no_more() -> None:
    """The reply to SEND is lost: the attempt says that it is in doubt, and the next brings the same page again."""
    async with SnppSink(manners=SnppManners(lose_first=1)) as sink:
        first = await pager(sink.port).send(TO)
        assert first.outcome is Outcome.TRY_LATER
        assert first.text.endswith("(the page may have gone out)")
        assert (await pager(sink.port).send(TO)).outcome is Outcome.SENT
        assert [page.text for page in sink.pages] == [TO.body] * 2


async def test_a_silent_goodbye_does_not_undo_a_sent_page() -> None:
    """Once SEND is answered the page is sent, and a server silent at QUIT costs a second at most."""
    async with SnppSink(manners=SnppManners(hang_at="QUIT")) as sink:
        began = time.monotonic()
        attempt = await pager(sink.port).send(TO)
        assert time.monotonic() - began < 2
    assert attempt.outcome is Outcome.SENT


async def test_a_reply_line_has_a_greatest_length() -> None:
    """A line beyond 512 octets is not waited for; one just below is read."""
    for length, text in ((400, "250 Message Sent OK"), (2000, "connect: unreadable reply: line too long")):
        async with gateway("220 " + "x" * length, "250 x", "250 x", "250 Message Sent OK", "221 x") as (
            port,
            _,
        ):
            assert (await pager(port).send(TO)).text == text

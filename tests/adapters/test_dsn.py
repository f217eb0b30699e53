"""Asking for delivery reports (RFC 3461), of real servers that offer them, do not, or say so and refuse."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest

from monitor.adapters import dsn
from monitor.adapters.carriers import Outcome
from monitor.adapters.email import EmailCarrier
from simulators.smtp_sink import SmtpManners, SmtpSink
from tests.adapters.test_email import SENDER, TO, carrier_to


async def test_reports_are_asked_for_where_they_are_offered() -> None:
    """ENVID is our notice's id, failure and delay are to be told, and the header will do (RFC 3461 §4, §5.2)."""
    async with SmtpSink(manners=SmtpManners(reports="offered")) as sink:
        parcel = replace(TO, notice="n+0=1", address="night+watch@ward.example")
        assert (await carrier_to(sink).send(parcel)).outcome is Outcome.SENT
        [mail] = sink.mails
    assert mail.recipients == ("night+watch@ward.example",)
    assert mail.asked == (
        "RET=HDRS", "ENVID=n+2B0+3D1", "NOTIFY=FAILURE,DELAY", "ORCPT=rfc822;night+2Bwatch@ward.example",
    )  # fmt: skip


@pytest.mark.parametrize("reports", [None, "not-taken"])
async def test_a_server_without_reports_gets_the_mail_all_the_same(
    reports: Literal["not-taken"] | None,
) -> None:
    """Nothing is asked of a server that offers none; one that offers and refuses them is not asked again."""
    async with SmtpSink(manners=SmtpManners(reports=reports)) as sink:
        assert (await carrier_to(sink).send(TO)).outcome is Outcome.SENT
        [mail] = sink.mails
    assert (mail.recipients, mail.asked) == (("night@ward.example",), ())


def test_xtext_is_that_of_rfc_3461() -> None:
    """Printable signs but + and = stand as they are, all others as + and two hexadecimal digits (RFC 3461 §4)."""
    assert dsn.xtext("QQ314159") == "QQ314159"  # the ENVID of RFC 3461 §10.1
    assert dsn.xtext("a+b=c d\x7f") == "a+2Bb+3Dc+20d+7F"
    assert dsn.from_xtext(dsn.xtext("a+b=c d\x7f")) == "a+b=c d\x7f"


async def test_mails_come_back_to_another_mailbox() -> None:
    """The envelope's sender is where undeliverable mail goes; From stays."""
    async with SmtpSink() as sink:
        carrier = EmailCarrier(sink.host, sink.port, SENDER, "none", returns_to="returned@ward.example")
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        [mail] = sink.mails
    assert (mail.sender, mail.message["From"]) == ("returned@ward.example", SENDER)

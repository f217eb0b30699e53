"""The mail carrier against a real SMTP server."""

import asyncio
import re
import ssl
import threading
import time
from dataclasses import replace
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.carriers import Outcome, Parcel, without_controls
from monitor.adapters.email import EmailCarrier, Security
from monitor.adapters.mail_text import field, mail_bytes
from simulators.smtp_sink import SmtpManners, SmtpSink, self_made
from tests.adapters.test_carriers_contract import PARCEL, server

SENDER = "Second Bell <bell@ward.example>"
TO = replace(PARCEL, address="night@ward.example")
HEADERS = [
    "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Importance",
    "Content-Type", "Content-Transfer-Encoding", "MIME-Version",
]  # fmt: skip


def carrier_to(
    sink: SmtpSink,
    security: Security = "none",
    tls: ssl.SSLContext | None = None,
    login: tuple[str, str] = ("", ""),
    limit: float = 5.0,
) -> EmailCarrier:
    """A carrier to a sink, logging in if told."""
    name, password = login
    return EmailCarrier(
        sink.host, sink.port, SENDER, security, name or None, password or None, limit, tls_context=tls
    )


async def test_what_a_mail_says() -> None:
    """Each header is there once with the parcel's value, and the body as it was written."""
    async with SmtpSink() as sink:
        attempt = await carrier_to(sink).send(TO)
        assert attempt.outcome is Outcome.SENT
        [mail] = sink.mails
    message = mail.message
    assert (mail.sender, mail.recipients) == ("bell@ward.example", ("night@ward.example",))
    assert sorted(message.keys()) == sorted(HEADERS)
    assert message["From"] == SENDER
    assert message["To"] == TO.address
    assert message["Subject"] == TO.subject
    assert message["Message-ID"] == TO.message_id
    assert parsedate_to_datetime(message["Date"]).timestamp() == TO.date_ms // 1000
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834 §5
    assert message.get_content_type() == "text/plain"
    assert message.get_content_charset() == "utf-8"
    assert message.get_content().splitlines() == [TO.body]


@pytest.mark.parametrize(("urgency", "importance"), [("high", "high"), ("medium", "normal"), ("low", "low")])
def test_importance_has_the_three_values_of_rfc_2156(
    urgency: Literal["high", "medium", "low"], importance: str
) -> None:
    """Importance is high, normal or low (RFC 2156 §5.3.4)."""
    assert _message(replace(TO, urgency=urgency))["Importance"] == importance


def test_a_later_mail_joins_the_thread() -> None:
    """References and In-Reply-To name the first mail, whole even where the id is long (RFC 5322 §3.6.4)."""
    first = f"<{'c' * 60}.1@{'ward' * 10}.example>"
    raw = mail_bytes(replace(TO, thread=first, message_id=f"<{'d' * 60}.2@{'ward' * 10}.example>"), SENDER)
    assert b"=?" not in raw
    read = message_from_bytes(raw, policy=policy.default)
    assert read["References"] == read["In-Reply-To"] == first
    assert read["Message-ID"] == f"<{'d' * 60}.2@{'ward' * 10}.example>"


@pytest.mark.parametrize("thread", [None, PARCEL.message_id, "no id", "<a@b>\r\nBcc: x@y.example"])
def test_a_first_mail_has_no_thread(thread: str | None) -> None:
    """Without an earlier mail, or with something that is no Message-ID, there is no reference."""
    mail = _message(replace(TO, thread=thread))
    assert mail["References"] is None
    assert mail["In-Reply-To"] is None
    assert mail["Bcc"] is None


async def test_no_text_can_add_a_header() -> None:
    """Line ends in the subject, the id and the body stay within their field."""
    nasty = "x\r\nBcc: spy@elsewhere.example\r\n\r\n<b>"
    parcel = replace(
        TO, subject=nasty, message_id=f"<a@b.example>{nasty}", body=f"{nasty}\n.\nMAIL FROM:<a@b>\r\n"
    )
    async with SmtpSink() as sink:
        assert (await carrier_to(sink).send(parcel)).outcome is Outcome.SENT
        [mail] = sink.mails
    assert sorted(mail.message.keys()) == sorted(HEADERS)
    assert mail.recipients == ("night@ward.example",)
    assert mail.message["Subject"] == "x Bcc: spy@elsewhere.example <b>"
    assert mail.message.get_content().splitlines()[-2:] == [".", "MAIL FROM:<a@b>"]


@given(subject=st.text(max_size=400), body=st.text(max_size=2000))
def test_any_text_makes_a_sound_mail(subject: str, body: str) -> None:
    """Whatever the words, the headers are those and no others, and each line keeps to RFC 5322 §2.1.1."""
    raw = mail_bytes(replace(TO, subject=subject, body=body), SENDER)
    assert raw.isascii()
    assert not re.search(rb"\r(?!\n)|(?<!\r)\n", raw)
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    read = message_from_bytes(raw, policy=policy.default)
    assert sorted(read.keys()) == sorted(HEADERS)


@pytest.mark.parametrize("value", ["a\r\nBcc: spy@elsewhere.example", "a\nb", "a\rb"])
def test_a_field_with_a_line_end_in_it_is_refused(value: str) -> None:
    """Whatever else should fail to clean a text, it cannot become another field."""
    with pytest.raises(ValueError, match="linefeed"):
        field("Subject", value)


@given(subject=st.text(max_size=150), body=st.text(max_size=2000))
def test_any_words_are_read_as_they_were_written(subject: str, body: str) -> None:
    """Long or not, ASCII or not: what a mail program shows is what was said, but for signs nobody can see."""
    read = _message(replace(TO, subject=subject, body=body))
    assert " ".join(read["Subject"].split()) == " ".join(without_controls(subject).split())
    lines = [without_controls(line) for line in body.splitlines()]
    assert read.get_content().split("\r\n")[:-1] == (lines or [""])


@given(
    st.text('abc =?_<>"(),:;@.\\-~', max_size=70)
    .map(lambda text: " ".join(text.split()))
    .filter(lambda text: "=?" not in text)
)
def test_a_short_plain_subject_is_sent_as_it_is(subject: str) -> None:
    """What needs neither folding nor encoding gets none, and is read the same."""
    raw = mail_bytes(replace(TO, subject=subject), SENDER)
    if subject and len(subject) <= 78 - len("Subject: "):
        assert f"\r\nSubject: {subject}\r\n".encode() in raw
    assert message_from_bytes(raw, policy=policy.default)["Subject"] == subject


def test_an_umlaut_survives() -> None:
    """Subject and body come back as they were written."""
    read = _message(replace(TO, subject="Körbe – Bett 3" * 8, body="Größe: 5 µL\n.\n  eingerückt"))
    assert read["Subject"] == "Körbe – Bett 3" * 8
    assert read.get_content().splitlines() == ["Größe: 5 µL", ".", "  eingerückt"]


@pytest.mark.parametrize("sender", ["", "nobody", "a@b.example\r\nBcc: c@d.example", "A <a@b.example>\n"])
def test_a_wrong_sender_is_an_error_at_the_start(sender: str) -> None:
    """A site with no usable sender does not start."""
    with pytest.raises(ValueError, match="sender is not a mail address"):
        EmailCarrier("127.0.0.1", 25, sender, "none")


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_mail_travels_encrypted(security: Security, tmp_path: Path) -> None:
    """With a trusted certificate both ways of TLS deliver."""
    ours, trusting = self_made(tmp_path)
    async with _secure_sink(security, ours) as sink:
        attempt = await carrier_to(sink, security, trusting).send(TO)
        assert attempt.outcome is Outcome.SENT
        assert len(sink.mails) == 1


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_an_unknown_certificate_is_not_trusted(security: Security, tmp_path: Path) -> None:
    """Certificates are verified without being asked to; the parcel waits, and the text says why."""
    ours, _ = self_made(tmp_path)
    async with _secure_sink(security, ours) as sink:
        attempt = await carrier_to(sink, security).send(TO)
        assert sink.mails == []
    assert attempt.outcome is Outcome.TRY_LATER
    assert "TLS failure: certificate of 127.0.0.1" in attempt.text
    assert "self-signed certificate" in attempt.text


@pytest.mark.parametrize("security", ["starttls", "tls"])
@pytest.mark.parametrize(
    ("certificate", "why"),
    [({"days": 0}, "certificate has expired"), ({"address": "127.0.0.9"}, "IP address mismatch")],
    ids=["expired", "another name"],
)
async def test_a_certificate_that_does_not_hold_is_not_trusted(
    security: Security, certificate: dict[str, Any], why: str, tmp_path: Path
) -> None:
    """A certificate of a known maker that has expired or names another host: nothing is sent, and it says why."""
    ours, trusting = self_made(tmp_path, **certificate)
    async with _secure_sink(security, ours) as sink:
        attempt = await carrier_to(sink, security, trusting, ("ward", "s3cret")).send(TO)
        assert sink.mails == []
    assert attempt.outcome is Outcome.TRY_LATER
    assert f"TLS failure: certificate of 127.0.0.1:{sink.port} not trusted: {why}" in attempt.text


async def test_tls_to_a_plain_server_fails_by_name() -> None:
    """A server that speaks no TLS where TLS is set is a TLS failure, not a refusal."""
    async with SmtpSink() as sink:
        attempt = await carrier_to(sink, "tls").send(TO)
    assert attempt.outcome is Outcome.TRY_LATER
    assert "TLS failure" in attempt.text


async def test_a_missing_starttls_never_falls_back_to_plain_text() -> None:
    """Where the upgrade is demanded and not offered, neither login nor mail is sent."""
    async with SmtpSink(manners=SmtpManners(login=("ward", "s3cret"))) as sink:
        attempt = await carrier_to(sink, "starttls", login=("ward", "s3cret")).send(TO)
        assert sink.mails == []
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text == "STARTTLS: STARTTLS not offered"


async def test_the_right_login_is_let_in(tmp_path: Path) -> None:
    """Over STARTTLS, the demanded name and password deliver."""
    ours, trusting = self_made(tmp_path)
    async with SmtpSink(starttls=ours, manners=SmtpManners(login=("ward", "s3cret"))) as sink:
        attempt = await carrier_to(sink, "starttls", trusting, ("ward", "s3cret")).send(TO)
        assert attempt.outcome is Outcome.SENT


@pytest.mark.parametrize(
    ("login", "text"),
    [(("ward", "wr0ng"), "login: 535 5.7.8"), (("", ""), "login: 530 5.7.0")],
    ids=["wrong", "none"],
)
async def test_a_login_problem_never_loses_a_notice(login: tuple[str, str], text: str) -> None:
    """A wrong or missing login is tried later, says that it is the login, and does not tell the password."""
    async with SmtpSink(manners=SmtpManners(login=("ward", "s3cret"))) as sink:
        attempt = await carrier_to(sink, login=login).send(TO)
        assert sink.mails == []
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text.startswith(text)
    assert "wr0ng" not in attempt.text


async def test_a_login_that_is_not_offered_is_tried_later() -> None:
    """A server without AUTH is a matter of settings, too."""
    async with SmtpSink() as sink:
        attempt = await carrier_to(sink, login=("ward", "s3cret")).send(TO)
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text.startswith("login: ")


async def test_a_server_that_echoes_the_password_is_not_quoted() -> None:
    """The password is blacked out as it is and as AUTH PLAIN carries it."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 echo\r\n")
        while line := await reader.readline():
            if line.startswith(b"EHLO"):
                writer.write(b"250-echo\r\n250 AUTH PLAIN\r\n")
            else:
                writer.write(b"535 s3cret in " + line)

    async with server(serve) as port:
        carrier = EmailCarrier("127.0.0.1", port, SENDER, "none", "ward", "s3cret", 5.0)
        attempt = await carrier.send(TO)
    assert attempt.text == "login: 535 [hidden] in AUTH PLAIN [hidden]"
    assert "s3cret" not in repr(carrier)


@pytest.mark.parametrize(
    ("reply", "outcome"),
    [
        ("450 4.2.1 Busy", Outcome.TRY_LATER),
        ("452 4.2.2 Full", Outcome.TRY_LATER),
        ("550 5.1.1 Unknown", Outcome.REFUSED),
        ("553 5.1.3 Bad name", Outcome.REFUSED),
        ("552 5.2.2 Full", Outcome.TRY_LATER),  # RFC 5321 §4.5.3.1.10
        ("530 5.7.0 Log in first", Outcome.TRY_LATER),  # RFC 4954 §6
    ],
)
async def test_replies_about_a_recipient(reply: str, outcome: Outcome) -> None:
    """4xx is tried later and 5xx refused, but for the two that are not about the address."""
    async with SmtpSink(manners=SmtpManners(replies={TO.address: reply})) as sink:
        attempt = await carrier_to(sink).send(TO)
    assert attempt.outcome is outcome
    assert reply in attempt.text


@pytest.mark.parametrize(
    ("reply", "outcome"),
    [("554 5.6.0 Not this text", Outcome.REFUSED), ("451 4.3.0 Later", Outcome.TRY_LATER)],
)
async def test_replies_about_a_text(reply: str, outcome: Outcome) -> None:
    """What the server says after the final dot decides."""
    async with SmtpSink(manners=SmtpManners(data_reply=reply)) as sink:
        attempt = await carrier_to(sink).send(TO)
        assert sink.mails == []
    assert (attempt.outcome, attempt.text) == (outcome, reply)


async def test_a_refusal_before_the_recipient_is_not_the_address() -> None:
    """554 as a greeting (RFC 5321 §3.1) or to MAIL refuses us, not the person: tried later."""
    async with SmtpSink(manners=SmtpManners(greeting="554 5.3.2 No service")) as sink:
        attempt = await carrier_to(sink).send(TO)
    assert (attempt.outcome, attempt.text) == (Outcome.TRY_LATER, "connect: 554 5.3.2 No service")

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 strict\r\n")
        while line := await reader.readline():
            writer.write(b"550 5.7.1 Not from you\r\n" if line.startswith(b"MAIL") else b"250 OK\r\n")

    async with server(serve) as port:
        attempt = await EmailCarrier("127.0.0.1", port, SENDER, "none", limit=5).send(TO)
    assert (attempt.outcome, attempt.text) == (Outcome.TRY_LATER, "MAIL: 550 5.7.1 Not from you")


async def test_a_silent_goodbye_does_not_undo_a_sent_mail() -> None:
    """A mail taken is sent at once, and a server that does not answer QUIT holds up the end for a second at most."""
    async with SmtpSink(manners=SmtpManners(hang_at="quit")) as sink:
        carrier = carrier_to(sink, limit=30)
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        async with asyncio.timeout(10):
            await carrier.close()


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_hang_under_tls_ends_at_the_limit(security: Security, tmp_path: Path) -> None:
    """An encrypted connection is dropped as fast as a plain one."""
    ours, trusting = self_made(tmp_path)
    async with _secure_sink(security, ours) as sink:
        sink.manners.hang_at = "rcpt"
        began = time.monotonic()
        attempt = await carrier_to(sink, security, trusting, limit=0.4).send(TO)
        assert time.monotonic() - began < 1
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text == "RCPT: no answer within 0.4 s"


async def test_a_handshake_that_never_ends_is_cut_off() -> None:
    """A server that takes the connection and says nothing does not hold a TLS handshake any longer."""

    async def serve(reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
        while await reader.read(1000):
            pass

    async with server(serve) as port:
        began = time.monotonic()
        attempt = await EmailCarrier("127.0.0.1", port, SENDER, "tls", limit=0.4).send(TO)
        assert time.monotonic() - began < 1
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text == "connect: no answer within 0.4 s"


async def test_an_absurd_date_waits_by_name() -> None:
    """Even a defect of our own raises nothing out of a send."""
    async with SmtpSink() as sink:
        attempt = await carrier_to(sink).send(replace(TO, date_ms=10**18))
    assert attempt.outcome is Outcome.TRY_LATER
    assert "unforeseen" in attempt.text


async def test_the_greeting_needs_no_name_service() -> None:
    """EHLO says our address as a literal (RFC 5321 §4.1.3), or the name that was set; without a thread."""
    said: list[bytes] = []
    threads = threading.active_count()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 x\r\n")
        said.append(await reader.readline())
        writer.write(b"421 x\r\n")

    async with server(serve) as port:
        await EmailCarrier("127.0.0.1", port, SENDER, "none", limit=5).send(TO)
        await EmailCarrier("127.0.0.1", port, SENDER, "none", limit=5, helo="bell.ward.example").send(TO)
    assert said == [b"EHLO [127.0.0.1]\r\n", b"EHLO bell.ward.example\r\n"]
    assert threading.active_count() == threads


def _secure_sink(security: Security, context: ssl.SSLContext) -> SmtpSink:
    """A sink that speaks the one or the other kind of TLS."""
    return SmtpSink(tls=context) if security == "tls" else SmtpSink(starttls=context)


def _message(parcel: Parcel) -> EmailMessage:
    """The mail that a parcel becomes."""
    return message_from_bytes(mail_bytes(parcel, SENDER), policy=policy.default)

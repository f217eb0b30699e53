"""Notices by mail: SMTP (RFC 5321) over aiosmtplib, one connection an attempt."""

import asyncio
import base64
import re
import ssl
from datetime import UTC, datetime
from email.headerregistry import BaseHeader, HeaderRegistry, MessageIDHeader
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime, parseaddr
from typing import Final, Literal, cast

import aiosmtplib

from monitor.adapters.carriers import (
    DEFAULT_LIMIT,
    Attempt,
    Outcome,
    Parcel,
    connection_fault,
    one_line,
    without_controls,
)

Security = Literal["none", "starttls", "tls"]

# RFC 5321 §4.5.3.1: local part 64, domain 255 octets. Plain ASCII only; quoted ones are refused by name.
MAILBOX: Final = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9][A-Za-z0-9.-]{0,253}")
MESSAGE_ID: Final = re.compile(r"<[!-;=?-~]+@[!-;=?-~]+>")

# RFC 2156 §5.3.4, registered for mail by RFC 4021 §2.1.
IMPORTANCE: Final = {"high": "high", "medium": "normal", "low": "low"}

# Both fields hold one Message-ID here; as plain text a long one would be folded into an encoded word.
_HEADERS: Final = HeaderRegistry()
for _field in ("References", "In-Reply-To"):
    _HEADERS.map_to_type(_field, cast("type[BaseHeader]", MessageIDHeader))
POLICY: Final = SMTP_POLICY.clone(cte_type="7bit", header_factory=_HEADERS)

LONGEST_SUBJECT: Final = 150
"""Characters: more than any mail program shows."""

LOGIN_WANTED: Final = frozenset({530, 534, 535, 538})  # RFC 4954 §6

QUIT_WAIT: Final = 1.0
"""Seconds to wait for the reply to QUIT: the outcome is already known."""


class EmailCarrier:
    """Sends each parcel as one plain-text mail; certificates are verified unless another context is given.

    `limit` is in seconds and bounds the whole attempt. `helo` is the name said in EHLO; without it the
    address literal of our end of the connection (RFC 5321 §4.1.4), which needs no name service. Raises
    ValueError for a sender that is no mailbox.
    """

    def __init__(
        self,
        host: str,
        port: int,
        sender: str,
        security: Security = "starttls",
        username: str | None = None,
        password: str | None = None,
        limit: float = DEFAULT_LIMIT,
        tls_context: ssl.SSLContext | None = None,
        *,
        helo: str | None = None,
        name: str = "email",
    ) -> None:
        self.name = name
        self._host = host
        self._port = port
        self._sender = sender
        self._envelope_sender = _mailbox_of(sender)
        self._security = security
        self._username = username
        self._password = password or ""
        self._limit = limit
        self._helo = helo
        self._tls = tls_context
        if tls_context is None and security != "none":
            self._tls = ssl.create_default_context()
        self._secrets = _forms_of(username or "", self._password)

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once; raises nothing but CancelledError."""
        if not MAILBOX.fullmatch(parcel.address):
            return self._attempt(Outcome.REFUSED, f"not a mail address: {parcel.address!a}")
        talk = _Talk(self._client())
        deadline = asyncio.get_running_loop().time() + self._limit
        try:
            attempt = await self._try(talk, parcel, deadline)
            await talk.quit(deadline)
        finally:
            talk.abort()
        return attempt

    async def close(self) -> None:
        """Nothing is kept between attempts."""

    async def _try(self, talk: "_Talk", parcel: Parcel, deadline: float) -> Attempt:
        """One conversation up to its deadline, every failure turned into an attempt."""
        try:
            async with asyncio.timeout_at(deadline):
                return self._attempt(Outcome.SENT, await self._converse(talk, parcel))
        except aiosmtplib.SMTPResponseException as reply:
            return self._judge(talk.step, reply.code, reply.message)
        except TimeoutError:
            fault = f"no answer within {self._limit:g} s"
        except OSError as error:  # TLS failures are among these
            fault = connection_fault(error, self._host, self._port)
        except aiosmtplib.SMTPException as error:
            fault = error.message
        except Exception as error:  # nothing may be raised here (the seam): the unforeseen waits, by its name
            fault = f"unforeseen {type(error).__name__}: {error}"
        return self._attempt(Outcome.TRY_LATER, f"{talk.step}: {fault}{talk.doubt}")

    def message(self, parcel: Parcel) -> EmailMessage:
        """The mail for a parcel; nothing in the parcel's texts can add or break a header."""
        mail = EmailMessage(policy=POLICY)
        mail["From"] = self._sender
        mail["To"] = parcel.address
        mail["Subject"] = without_controls(parcel.subject).strip()[:LONGEST_SUBJECT]
        mail["Date"] = format_datetime(datetime.fromtimestamp(parcel.date_ms / 1000, UTC))
        mail["Message-ID"] = without_controls(parcel.message_id).strip()
        if parcel.thread and parcel.thread != parcel.message_id and MESSAGE_ID.fullmatch(parcel.thread):
            mail["In-Reply-To"] = parcel.thread  # RFC 5322 §3.6.4
            mail["References"] = parcel.thread
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834 §5
        mail["Importance"] = IMPORTANCE[parcel.urgency]
        mail.set_content(
            "\n".join(without_controls(line) for line in parcel.body.splitlines()) + "\n", charset="utf-8"
        )
        return mail

    def _client(self) -> aiosmtplib.SMTP:
        """A client that does nothing by itself: every step is taken below, the time limit is outside."""
        return aiosmtplib.SMTP(
            hostname=self._host,
            port=self._port,
            local_hostname=self._helo or "localhost",
            timeout=None,
            use_tls=self._security == "tls",
            start_tls=False,
            tls_context=self._tls,
        )

    async def _converse(self, talk: "_Talk", parcel: Parcel) -> str:
        """Hand one mail over and return the server's last reply; raises as the client and the network do."""
        client = talk.client
        mail = self.message(parcel).as_bytes()
        await client.connect()
        if self._helo is None:
            client.local_hostname = _literal(client.get_transport_info("sockname"))
        talk.step = "EHLO"
        await client.ehlo()
        if self._security == "starttls":
            talk.step = "STARTTLS"
            if not client.supports_extension("starttls"):
                # Never in plain text instead: that is what somebody in between would want (RFC 3207 §6).
                raise aiosmtplib.SMTPNotSupported("STARTTLS not offered")
            await client.starttls()
            talk.step = "EHLO"
            await client.ehlo()
        if self._username is not None:
            talk.step = "login"
            await client.login(self._username, self._password)
        talk.step = "MAIL"
        await client.mail(self._envelope_sender)
        talk.step = "RCPT"
        await client.rcpt(parcel.address)
        talk.step = "DATA"
        reply = await client.data(mail)
        talk.step = "QUIT"
        return f"{reply.code} {reply.message}"

    def _judge(self, step: str, code: int, message: str) -> Attempt:
        """The outcome of a reply that was not the one hoped for."""
        text = f"{code} {message}" if code > 0 else f"unreadable reply: {message}"
        if step == "login" or code in LOGIN_WANTED:
            # Wrong in the site's settings, not at this address: it must not lose a notice for good.
            return self._attempt(Outcome.TRY_LATER, f"login: {text}")
        if step not in ("RCPT", "DATA"):
            # Before the recipient is named, a refusal says nothing about this address.
            return self._attempt(Outcome.TRY_LATER, f"{step}: {text}")
        # RFC 5321 §4.5.3.1.10: 552 to RCPT is to be treated as temporary.
        permanent = 500 <= code <= 599 and (step, code) != ("RCPT", 552)
        return self._attempt(Outcome.REFUSED if permanent else Outcome.TRY_LATER, text)

    def _attempt(self, outcome: Outcome, text: str) -> Attempt:
        """An attempt with its text made one safe line."""
        return Attempt(outcome=outcome, text=one_line(text, self._secrets))


class _Talk:
    """One conversation with a server, and how far it has come."""

    def __init__(self, client: aiosmtplib.SMTP) -> None:
        self.client = client
        self.step = "connect"

    @property
    def doubt(self) -> str:
        """A warning when the mail may have arrived although no reply did (RFC 5321 §4.5.3.2.6)."""
        return " (the mail may have arrived)" if self.step == "DATA" else ""

    async def quit(self, deadline: float) -> None:
        """Say goodbye if somebody still listens; the outcome no longer depends on it."""
        loop = asyncio.get_running_loop()
        if not self.client.is_connected or loop.time() >= deadline:
            return
        try:
            async with asyncio.timeout_at(min(deadline, loop.time() + QUIT_WAIT)):
                await self.client.quit()
        except (aiosmtplib.SMTPException, OSError):
            return

    def abort(self) -> None:
        """Drop the connection without waiting for the other end."""
        transport = self.client.transport
        self.client.close()
        if isinstance(transport, asyncio.WriteTransport):
            transport.abort()


def _mailbox_of(sender: str) -> str:
    """The bare address of a sender such as `Night watch <watch@ward.example>`; raises ValueError if none."""
    address = parseaddr(sender)[1]
    if without_controls(sender) != sender or not MAILBOX.fullmatch(address):
        raise ValueError(f"sender is not a mail address: {sender!a}")
    return address


def _literal(sockname: tuple[str, ...]) -> str:
    """An address literal for EHLO (RFC 5321 §4.1.3)."""
    address = sockname[0].partition("%")[0]
    return f"[IPv6:{address}]" if ":" in address else f"[{address}]"


def _forms_of(username: str, password: str) -> tuple[str, ...]:
    """The forms in which a server could echo the password: as it is, and as AUTH LOGIN and PLAIN carry it."""
    if not password:
        return ()
    plain = f"\0{username}\0{password}".encode()
    return (base64.b64encode(plain).decode(), base64.b64encode(password.encode()).decode(), password)

"""Notices by mail: SMTP (RFC 5321) over aiosmtplib, one mail an attempt, its connection kept for the next."""

import asyncio
import base64
import re
import ssl
from email.utils import parseaddr
from typing import Final

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
from monitor.adapters.dialling import Dialler
from monitor.adapters.mail_text import mail_bytes
from monitor.adapters.smtp_line import MailServer, Security, SmtpLine, Stale
from monitor.adapters.smtp_pool import IDLE, MOST_MAILS, SmtpPool

__all__ = ["EmailCarrier", "Security"]

# RFC 5321 §4.5.3.1: local part 64, domain 255 octets. Plain ASCII only; quoted ones are refused by name.
MAILBOX: Final = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9][A-Za-z0-9.-]{0,253}")
LOGIN_WANTED: Final = frozenset({530, 534, 535, 538})  # RFC 4954 §6

FIRST_ANSWER: Final = 2.0
"""Seconds for a kept connection to answer first, at most a quarter of the limit: else a new one is tried."""


class EmailCarrier:
    """Sends each parcel as one plain-text mail; certificates are verified unless another context is given.

    `limit` is in seconds and bounds the whole attempt. `helo` is the name said in EHLO; without it the
    address literal of our end of the connection (RFC 5321 §4.1.4), which needs no name service. A connection is kept
    for `idle` seconds and carries at most `most_mails`; one that turns out to be stale costs no attempt.
    `returns_to` is the envelope's sender, where undeliverable mail comes back to, by default the sender's mailbox.
    Raises ValueError for a sender that is no mailbox.
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
        idle: float = IDLE,
        most_mails: int = MOST_MAILS,
        returns_to: str | None = None,
    ) -> None:
        self.name = name
        self._host = host
        self._port = port
        self._sender = sender
        self._envelope_sender = _mailbox_of(sender if returns_to is None else returns_to)
        _mailbox_of(sender)
        self._limit = limit
        if tls_context is None and security != "none":
            tls_context = ssl.create_default_context()
        self._dialler = Dialler(host, port)
        server = MailServer(
            host=host,
            dialler=self._dialler,
            security=security,
            username=username,
            password=password or "",
            tls=tls_context,
            helo=helo,
        )
        self._pool = SmtpPool(server, idle=idle, most_mails=most_mails)
        self._secrets = _forms_of(username or "", password or "")

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once; raises nothing but CancelledError."""
        if not MAILBOX.fullmatch(parcel.address):
            return self._attempt(Outcome.REFUSED, f"not a mail address: {parcel.address!a}")
        deadline = asyncio.get_running_loop().time() + self._limit
        if (line := self._pool.kept()) is not None:
            try:
                return await self._try(line, parcel, deadline)
            except Stale:
                pass  # nothing of the mail was given away: one new connection, at once, in the same attempt
            finally:
                self._pool.give_back(line)
        line = self._pool.new()
        try:
            return await self._try(line, parcel, deadline)
        finally:
            self._pool.give_back(line)

    async def close(self) -> None:
        """Let go of the connections that are kept."""
        await self._pool.close()
        self._dialler.close()

    async def _try(self, line: SmtpLine, parcel: Parcel, deadline: float) -> Attempt:
        """One conversation up to its deadline, every failure turned into an attempt; raises Stale."""
        try:
            async with asyncio.timeout_at(deadline):
                mail = mail_bytes(parcel, self._sender)
                if line.mails == 0:
                    await line.open()
                patience = min(FIRST_ANSWER, self._limit / 4)
                answer = await line.deliver(
                    self._envelope_sender, parcel.address, mail, notice=parcel.notice, first_within=patience
                )
                return self._attempt(Outcome.SENT, answer)
        except Stale:
            raise
        except aiosmtplib.SMTPResponseException as reply:
            return self._judge(line.step, reply.code, reply.message)
        except TimeoutError:
            fault = f"no answer within {self._limit:g} s"
        except OSError as error:  # TLS failures are among these
            fault = connection_fault(error, self._host, self._port)
        except aiosmtplib.SMTPException as error:
            fault = error.message
        except Exception as error:  # nothing may be raised here (the seam): the unforeseen waits, by its name
            fault = f"unforeseen {type(error).__name__}: {error}"
        doubt = " (the mail may have arrived)" if line.written else ""
        return self._attempt(Outcome.TRY_LATER, f"{line.step}: {fault}{doubt}")

    def _judge(self, step: str, code: int, message: str) -> Attempt:
        """The outcome of a reply that was not the one hoped for."""
        text = f"{code} {message}" if code > 0 else f"unreadable reply: {message}"
        if step == "login" or code in LOGIN_WANTED:
            # Wrong in the site's settings, not at this address: it must not lose a notice for good.
            return self._attempt(Outcome.TRY_LATER, f"login: {text}")
        if step not in ("RCPT", "DATA", "final dot"):
            # Before the recipient is named, a refusal says nothing about this address.
            return self._attempt(Outcome.TRY_LATER, f"{step}: {text}")
        # RFC 5321 §4.5.3.1.10: 552 to RCPT is to be treated as temporary.
        permanent = 500 <= code <= 599 and (step, code) != ("RCPT", 552)
        return self._attempt(Outcome.REFUSED if permanent else Outcome.TRY_LATER, text)

    def _attempt(self, outcome: Outcome, text: str) -> Attempt:
        """An attempt with its text made one safe line."""
        return Attempt(outcome=outcome, text=one_line(text, self._secrets))


def _mailbox_of(sender: str) -> str:
    """The bare address of a sender such as `Night watch <watch@ward.example>`; raises ValueError if none."""
    address = parseaddr(sender)[1]
    if without_controls(sender) != sender or not MAILBOX.fullmatch(address):
        raise ValueError(f"sender is not a mail address: {sender!a}")
    return address


def _forms_of(username: str, password: str) -> tuple[str, ...]:
    """The forms in which a server could echo the password: as it is, and as AUTH LOGIN and PLAIN carry it."""
    if not password:
        return ()
    plain = f"\0{username}\0{password}".encode()
    return (base64.b64encode(plain).decode(), base64.b64encode(password.encode()).decode(), password)

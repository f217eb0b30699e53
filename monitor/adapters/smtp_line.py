"""One connection to a mail server (RFC 5321), for several mails one after the other.

Editing rules: once the mail itself has been written it may have been accepted, so from there on nothing here may begin
it anew: only whoever records the attempt may. Before that a kept connection that fails has cost nothing.
"""

from __future__ import annotations

import asyncio
import re
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final, Literal

import aiosmtplib

from monitor.adapters import dsn
from monitor.adapters.dialling import Dialler

Security = Literal["none", "starttls", "tls"]

CLOSING: Final = 421  # RFC 5321 §3.8: said at any time by a server that closes
GO_AHEAD: Final = 354  # RFC 5321 §4.1.1.4

_DOT: Final = re.compile(rb"(?m)^\.")  # RFC 5321 §4.5.2


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """Where the server is and how to be let in; without `helo` EHLO says the address of our end."""

    host: str  # what its certificate must name
    dialler: Dialler
    security: Security
    username: str | None = None
    password: str = field(default="", repr=False)
    tls: ssl.SSLContext | None = None
    helo: str | None = None


class Stale(Exception):
    """A kept connection has gone or takes no more mail; nothing of the mail was given away."""


class SmtpLine:
    """A connection; `step` tells how far its conversation has come, `mails` how many were begun on it."""

    def __init__(self, server: MailServer) -> None:
        self._server = server
        # The client does nothing by itself: every step is taken below, the time limit is outside.
        self._client = aiosmtplib.SMTP(
            hostname=server.host,
            local_hostname=server.helo or "localhost",
            timeout=None,
            use_tls=server.security == "tls",
            start_tls=False,
            tls_context=server.tls,
        )
        self.step = "connect"
        self.mails = 0
        self._sound = False  # the last conversation ended where the next may begin
        self._half = False  # with an envelope that the server still holds

    @property
    def usable(self) -> bool:
        """Whether another mail may be begun on it."""
        return self._sound and self._client.is_connected

    @property
    def written(self) -> bool:
        """Whether the mail is out of our hands, so that it may arrive although no reply does (RFC 5321 §4.5.3.2.6)."""
        return self.step == "final dot"

    async def open(self) -> None:
        """Connect, be let in; raises as the client and the network do."""
        client, server = self._client, self._server
        await client.connect(sock=await server.dialler.connect())
        if server.helo is None:
            # An address literal (RFC 5321 §4.1.4) needs no name service.
            client.local_hostname = _literal(client.get_transport_info("sockname"))
        self.step = "EHLO"
        await client.ehlo()
        if server.security == "starttls":
            self.step = "STARTTLS"
            if not client.supports_extension("starttls"):
                # Never in plain text instead: that is what somebody in between would want (RFC 3207 §6).
                raise aiosmtplib.SMTPNotSupported("STARTTLS not offered")
            await client.starttls()
            self.step = "EHLO"
            await client.ehlo()
        if server.username is not None:
            self.step = "login"
            await client.login(server.username, server.password)

    async def deliver(
        self, sender: str, recipient: str, mail: bytes, *, notice: str, first_within: float
    ) -> str:
        """Hand one mail over; gives the server's last reply, raises as the client and the network do.

        Reports of its delivery are asked for where the server offers them; they name the `notice`.
        On a connection that was kept, the first answer has `first_within` seconds, and Stale is raised for whatever
        says nothing about this mail.
        """
        kept, self._sound = self.mails > 0, False
        self.mails += 1
        try:
            await self._hand_over(sender, recipient, mail, notice, first_within if kept else None)
        except aiosmtplib.SMTPResponseException as reply:
            if kept and (reply.code == CLOSING or self.step in ("RSET", "MAIL")):
                raise Stale(f"{self.step}: {reply.code} {reply.message}") from reply
            self._sound, self._half = 400 <= reply.code <= 599 and reply.code != CLOSING, True
            raise
        except (aiosmtplib.SMTPServerDisconnected, OSError) as error:  # of `first_within` too
            if kept:
                raise Stale(f"{self.step}: {error}") from error
            raise
        self.step = "final dot"
        assert self._client.protocol is not None
        answer = await self._client.protocol.read_response()
        # Whatever the answer, the server has let go of the envelope (RFC 5321 §4.1.1.4).
        self._sound, self._half = 200 <= answer.code <= 599 and answer.code != CLOSING, False
        if not 200 <= answer.code <= 299:
            raise aiosmtplib.SMTPDataError(answer.code, answer.message)
        return f"{answer.code} {answer.message}"

    async def _hand_over(
        self, sender: str, recipient: str, mail: bytes, notice: str, first_within: float | None
    ) -> None:
        """The envelope, and the mail itself as soon as the server wants it."""
        client = self._client
        reports = client.supports_extension(dsn.EXTENSION)
        async with asyncio.timeout(first_within):
            if self._half:
                self.step = "RSET"
                await client.rset()
                self._half = False
            self.step = "MAIL"
            await self._with(client.mail, sender, dsn.of_mail(notice) if reports else [])
        self.step = "RCPT"
        await self._with(client.rcpt, recipient, dsn.of_recipient(recipient) if reports else [])
        self.step = "DATA"
        answer = await client.execute_command(b"DATA")
        if answer.code != GO_AHEAD:
            raise aiosmtplib.SMTPDataError(answer.code, answer.message)
        if client.protocol is None:
            raise aiosmtplib.SMTPServerDisconnected("Connection lost")
        client.protocol.write(_DOT.sub(b"..", mail) + b".\r\n")

    async def _with(
        self, command: Callable[..., Awaitable[object]], address: str, options: list[str]
    ) -> None:
        """One command with options, without them if the server does not take them after all."""
        try:
            await command(address, options=options)
        except aiosmtplib.SMTPResponseException as reply:
            if not options or reply.code not in dsn.NOT_TAKEN:
                raise
            await command(address)

    async def quit(self, limit: float) -> None:
        """Say goodbye if somebody still listens, for `limit` seconds at most, and drop the connection."""
        try:
            if self.usable:
                async with asyncio.timeout(limit):
                    await self._client.quit()
        except (aiosmtplib.SMTPException, OSError):
            pass
        finally:
            self.abort()

    def abort(self) -> None:
        """Drop the connection without waiting for the other end."""
        self._sound = False
        transport = self._client.transport
        self._client.close()
        if isinstance(transport, asyncio.WriteTransport):
            transport.abort()


def _literal(sockname: tuple[str, ...]) -> str:
    """An address literal for EHLO (RFC 5321 §4.1.3)."""
    address = sockname[0].partition("%")[0]
    return f"[IPv6:{address}]" if ":" in address else f"[{address}]"

"""A real SMTP server on a free loopback port that keeps every mail, and misbehaves as it is told."""

import asyncio
import ipaddress
import re
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Literal

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

_REPORTS = re.compile(r"\b(?:RET|ENVID|NOTIFY|ORCPT)=\S+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """One mail received; `at` is in milliseconds since 1970-01-01 UTC, `raw` as it came after the dots.

    `asked` are the parameters of RFC 3461 that came with it.
    """

    at: int
    sender: str
    recipients: tuple[str, ...]
    raw: bytes
    asked: tuple[str, ...] = ()

    @property
    def message(self) -> EmailMessage:
        """The mail read, when somebody asks for it: reading takes longer than taking it."""
        message = message_from_bytes(self.raw, policy=policy.default)
        assert isinstance(message, EmailMessage)
        return message


@dataclass(slots=True, kw_only=True)
class SmtpManners:
    """How the sink behaves; all of it may be changed while it runs.

    - `greeting`: a reply such as `421 4.3.2 Going down` instead of a service.
    - `replies`: the reply to RCPT by recipient.
    - `greylist_first`: so many RCPTs get 451 before any is taken.
    - `data_reply`: the reply after the final dot; only with a 2xx is the mail kept.
    - `hang_at`: say nothing from there on; `data` is at the command, `dot` after the mail itself.
    - `drop_after_data`: keep the mail, then close without the reply.
    - `lose_first`: the same for so many mails.
    - `mails_a_connection`: so many mails on one connection, then 421 to MAIL.
    - `login`: the name and password demanded.
    - `reports`: whether delivery reports (RFC 3461) are offered; `not-taken` offers them and refuses their parameters.
    """

    greeting: str | None = None
    replies: dict[str, str] = field(default_factory=dict)
    greylist_first: int = 0
    data_reply: str = "250 2.0.0 Kept"
    hang_at: Literal["connect", "ehlo", "mail", "rcpt", "data", "dot", "quit"] | None = None
    drop_after_data: bool = False
    lose_first: int = 0
    mails_a_connection: int | None = None
    login: tuple[str, str] | None = None
    reports: Literal["offered", "not-taken"] | None = None


class SmtpSink:
    """Use `await start()` and `await stop()`, or `async with`; runs in the loop that calls, without a thread.

    `starttls` offers the upgrade with that context, `tls` speaks TLS from the first byte. With a `folder`
    each mail is also written there as 0001.eml and so on. `now_ms` gives the time of arrival. `connections` counts
    those ever made, `silent` those that were told to hang.
    """

    def __init__(
        self,
        *,
        manners: SmtpManners | None = None,
        folder: Path | None = None,
        on_mail: Callable[[Mail], None] | None = None,
        starttls: ssl.SSLContext | None = None,
        tls: ssl.SSLContext | None = None,
        port: int = 0,
        now_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
    ) -> None:
        self.host = "127.0.0.1"
        self.port = port
        self.mails: list[Mail] = []
        self.connections = 0
        self.silent = 0
        self.manners = manners or SmtpManners()
        self._folder = folder
        self._on_mail = on_mail
        self._starttls = starttls
        self._tls = tls
        self._now_ms = now_ms
        self._server: asyncio.Server | None = None
        self._sessions: set[_Session | _Refusal] = set()

    async def start(self) -> None:
        """Listen; `port` then tells where."""
        if self._folder is not None:
            self._folder.mkdir(parents=True, exist_ok=True)
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(self._session, self.host, self.port, ssl=self._tls)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Close the port and every connection, and wait until all of it is gone."""
        if self._server is None:
            return
        self._server.close()
        await self.hang_up()
        await self._server.wait_closed()
        self._server = None

    async def __aenter__(self) -> "SmtpSink":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def keep(self, sender: str, recipients: list[str], raw: bytes, asked: tuple[str, ...] = ()) -> None:
        """Record one mail, write it to the folder, and tell whoever listens."""
        mail = Mail(at=self._now_ms(), sender=sender, recipients=tuple(recipients), raw=raw, asked=asked)
        self.mails.append(mail)
        if self._folder is not None:
            (self._folder / f"{len(self.mails):04d}.eml").write_bytes(raw)
        if self._on_mail is not None:
            self._on_mail(mail)

    async def hang_if(self, hanging: bool) -> None:
        """Wait until the connection ends, if so told."""
        if hanging:
            self.silent += 1
            await asyncio.get_running_loop().create_future()

    async def hang_up(self) -> None:
        """Drop every connection, as a server does that is started anew; the port goes on listening."""
        sessions, self._sessions = self._sessions, set()
        for session in sessions:
            await session.end()

    def _session(self) -> asyncio.BaseProtocol:
        self.connections += 1
        session: _Session | _Refusal
        if self.manners.greeting is not None or self.manners.hang_at == "connect":
            session = _Refusal(self.manners.greeting)
            self.silent += self.manners.greeting is None
        else:
            session = _Session(self, self._starttls)
        self._sessions.add(session)
        return session


class _Refusal(asyncio.Protocol):
    """A connection that is told one line and closed, or never told anything."""

    def __init__(self, line: str | None) -> None:
        self._line = line
        self._gone = asyncio.get_running_loop().create_future()
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        if self._line is not None:
            transport.write(self._line.encode("ascii") + b"\r\n")
            transport.close()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        if not self._gone.done():
            self._gone.set_result(None)

    async def end(self) -> None:
        """Drop the connection and wait until it is gone."""
        if self._transport is not None:
            self._transport.abort()
            await self._gone


class _Session(SMTP):
    """One SMTP connection that can be ended from outside."""

    def __init__(self, sink: SmtpSink, starttls: ssl.SSLContext | None) -> None:
        super().__init__(
            _Handler(sink),
            hostname="sink.invalid",  # given, because the library would ask the name service
            ident="SMTP sink",
            tls_context=starttls,
            loop=asyncio.get_running_loop(),
            authenticator=lambda *details: _authenticate(sink.manners.login, details[-1]),
            auth_require_tls=sink.manners.login is None,
        )
        self._sink = sink
        self.asked: list[str] = []

    async def smtp_MAIL(self, arg: str) -> None:
        """Take the sender, with the parameters of reports where they are offered."""
        self.asked = []
        await super().smtp_MAIL(self._without_reports(arg))

    async def smtp_RCPT(self, arg: str) -> None:
        """The same for the recipient."""
        await super().smtp_RCPT(self._without_reports(arg))

    def _without_reports(self, arg: str) -> str:
        """What the library knows; it refuses all parameters of RFC 3461."""
        if self._sink.manners.reports != "offered":
            return arg
        self.asked += _REPORTS.findall(arg or "")
        return _REPORTS.sub("", arg or "").strip()

    async def smtp_EHLO(self, hostname: str) -> None:
        """Answer EHLO, or keep silent."""
        await self._sink.hang_if(self._sink.manners.hang_at == "ehlo")
        await super().smtp_EHLO(hostname)

    async def smtp_DATA(self, arg: str) -> None:
        """Answer DATA, or keep silent."""
        await self._sink.hang_if(self._sink.manners.hang_at == "data")
        await super().smtp_DATA(arg)

    async def end(self) -> None:
        """Drop the connection and wait until its task has ended."""
        # After STARTTLS there are two transports, and a failed handshake leaves the outer one open.
        for transport in (self.transport, self._original_transport):
            if isinstance(transport, asyncio.WriteTransport):
                transport.abort()
        if self._handler_coroutine is not None:
            self._handler_coroutine.cancel()
            await asyncio.gather(self._handler_coroutine, return_exceptions=True)
        await asyncio.sleep(0)  # the loop tells the lost connection in its next turn


def _authenticate(login: tuple[str, str] | None, given: Any) -> AuthResult:
    """Whether the login given is the one demanded."""
    right = (
        login is not None
        and isinstance(given, LoginPassword)
        and (given.login, given.password) == (login[0].encode(), login[1].encode())
    )
    return AuthResult(success=right, handled=False)


class _Handler:
    """The library's hooks, one a command; their names are the library's."""

    def __init__(self, sink: SmtpSink) -> None:
        self._sink = sink
        self._mails = 0

    async def handle_EHLO(
        self, _server: SMTP, session: Session, _envelope: Envelope, hostname: str, offered: list[str]
    ) -> list[str]:
        """Offer reports too, if so told."""
        session.host_name = hostname
        more = ["250-DSN"] if self._sink.manners.reports is not None else []
        return [*offered[:-1], *more, offered[-1]]

    async def handle_MAIL(
        self, _server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take the sender, after the login where one is demanded (RFC 4954 §6)."""
        manners = self._sink.manners
        await self._sink.hang_if(manners.hang_at == "mail")
        if manners.login is not None and not session.authenticated:
            return "530 5.7.0 Authentication required"
        if manners.mails_a_connection is not None and self._mails >= manners.mails_a_connection:
            return "421 4.7.0 Enough mails on this connection"
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 2.1.0 OK"

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take the recipient, or answer as told."""
        manners = self._sink.manners
        await self._sink.hang_if(manners.hang_at == "rcpt")
        if manners.greylist_first > 0:
            manners.greylist_first -= 1
            return "451 4.7.1 Greylisted, try again later"
        reply = manners.replies.get(address, "250 2.1.5 OK")
        if reply.startswith("2"):
            envelope.rcpt_tos.append(address)
            envelope.rcpt_options.extend(options)
        return reply

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        """Keep the mail, and answer as told."""
        manners = self._sink.manners
        await self._sink.hang_if(manners.hang_at == "dot")
        self._mails += 1
        if manners.data_reply.startswith("2"):
            asked = tuple(server.asked) if isinstance(server, _Session) else ()
            raw = envelope.original_content or b""
            self._sink.keep(envelope.mail_from or "", envelope.rcpt_tos, raw, asked)
        lost = manners.lose_first > 0
        manners.lose_first -= lost
        if manners.drop_after_data or lost:
            assert isinstance(server.transport, asyncio.WriteTransport)
            server.transport.abort()
            await self._sink.hang_if(True)  # until the lost connection ends this task
        return manners.data_reply

    async def handle_QUIT(self, _server: SMTP, _session: Session, _envelope: Envelope) -> str:
        """Say goodbye, or keep silent."""
        await self._sink.hang_if(self._sink.manners.hang_at == "quit")
        return "221 2.0.0 Bye"


def self_made(
    folder: Path, *, address: str = "127.0.0.1", days: int = 1
) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """A server's context with a certificate for an address that ends in so many days, and a client's that trusts it.

    With `days` 0 or less it has expired. Needs the package `cryptography`; writes cert.pem and key.pem to the folder.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "mail sink")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=30))
        .not_valid_after(now + timedelta(days=days) - timedelta(seconds=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), True)
        .sign(key, hashes.SHA256())
    )
    cert_file, key_file = folder / "cert.pem", folder / "key.pem"
    cert_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(cert_file, key_file)
    return server, ssl.create_default_context(cafile=str(cert_file))

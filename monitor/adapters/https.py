"""Notices by HTTPS: a signed POST (RFC 9421) of one CloudEvent to whatever a site already has, one connection each."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import ssl
import time
from collections.abc import Callable
from http import HTTPStatus
from typing import Final, Literal, NamedTuple
from urllib.parse import urlsplit

import httpcore

from monitor.adapters import http_signature
from monitor.adapters.carriers import DEFAULT_LIMIT, Attempt, Outcome, Parcel, connection_fault, one_line
from monitor.adapters.dialling import Dialler
from monitor.adapters.http_line import Lines
from monitor.adapters.post import MEDIA_TYPE, post_of

RECIPIENT: Final = re.compile(r"[!-~]{1,320}")
"""Whatever the other side knows a person by; our own limit."""

MOST_READ: Final = 2_000
"""Octets of an answer's body that are read: it is no more than evidence."""

SHORTEST_SECRET: Final = 16
"""Octets; RFC 2104 §3 discourages keys shorter than the hash's output (32), and guessing 16 is out of reach."""

LATER: Final = frozenset({401, 403, 407, 408, 421, 425, 429})
"""4xx that say nothing about this person: the settings here or there are wrong, or it is too soon (RFC 9110 §15.5,
RFC 8470 §5.2, RFC 6585 §4)."""

WANTED: Final = (
    "an address such as https://messages.example.invalid/notices; http:// only for this machine (127.0.0.1)"
)


class Target(NamedTuple):
    """Where notices are posted to."""

    url: str
    tls: bool
    host: str
    port: int

    @classmethod
    def parse(cls, url: str) -> Target:
        """Take it apart; ValueError says what was expected."""
        try:
            parts = urlsplit(url)
            host, port = parts.hostname or "", parts.port
        except ValueError:
            raise ValueError(WANTED) from None
        tls = parts.scheme == "https"
        sound = re.fullmatch(r"[!-~]{1,2000}", url) and not parts.fragment and "@" not in parts.netloc
        if not sound or not host or port == 0 or not (tls or (parts.scheme == "http" and _is_here(host))):
            raise ValueError(WANTED)
        return cls(url, tls, host, port or (443 if tls else 80))


class HttpsCarrier:
    """Posts each parcel; certificates are verified unless another context is given.

    `source` is the `source` of the events, `form` the text's. `limit` is in seconds and bounds the whole attempt; `now`
    tells the seconds since 1970-01-01 UTC. No redirect is followed, no proxy used. Raises ValueError for a URL or a
    secret that will not do.
    """

    def __init__(
        self,
        url: str,
        secret: str,
        *,
        source: str,
        form: Literal["mail", "page"] = "page",
        key_id: str = "secondbell",
        limit: float = DEFAULT_LIMIT,
        tls_context: ssl.SSLContext | None = None,
        name: str = "https",
        now: Callable[[], float] = time.time,
    ) -> None:
        if len(secret.encode()) < SHORTEST_SECRET:
            raise ValueError(f"the secret is too short: at least {SHORTEST_SECRET} characters, better 32")
        self.name = name
        self._target = Target.parse(url)
        self._secret, self._key_id = secret, key_id
        self._source, self._form, self._limit, self._now = source, form, limit, now
        if tls_context is None and self._target.tls:
            tls_context = ssl.create_default_context()
        self._tls = tls_context
        self._dialler = Dialler(self._target.host, self._target.port)

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once; raises nothing but CancelledError."""
        if not RECIPIENT.fullmatch(parcel.address):
            return self._attempt(Outcome.REFUSED, f"not an address: {parcel.address!a}")
        lines = Lines(self._dialler)
        try:
            async with asyncio.timeout(self._limit):
                return await self._post(parcel, lines)
        except TimeoutError:
            fault = f"no answer within {self._limit:g} s"
        except OSError as error:  # TLS failures are among these
            fault = connection_fault(error, self._target.host, self._target.port)
        except httpcore.ProtocolError as error:
            fault = f"unreadable answer: {error}"
        except Exception as error:  # nothing may be raised here (the seam): the unforeseen waits, by its name
            fault = f"unforeseen {type(error).__name__}: {error}"
        finally:
            if lines.line is not None:
                await lines.line.aclose()
        written = lines.line is not None and lines.line.written
        doubt = " (the notice may have arrived)" if written else ""
        return self._attempt(Outcome.TRY_LATER, f"{'POST' if written else 'connect'}: {fault}{doubt}")

    async def close(self) -> None:
        """No connection is kept between attempts."""
        self._dialler.close()

    async def _post(self, parcel: Parcel, lines: Lines) -> Attempt:
        body = post_of(parcel, source=self._source, form=self._form)
        async with (
            httpcore.AsyncConnectionPool(
                ssl_context=self._tls, max_keepalive_connections=0, network_backend=lines
            ) as pool,
            pool.stream("POST", self._target.url, headers=self._headers(body), content=body) as answer,
        ):
            said = b""
            async for piece in answer.aiter_stream():
                said += piece
                if len(said) >= MOST_READ:
                    break
            return self._judge(answer.status, said[:MOST_READ].decode("ascii", "replace"))

    def _headers(self, body: bytes) -> list[tuple[str, str]]:
        """The fields of the request; the signature covers what, where to and by which method (RFC 9421 §7.2.1)."""
        fields = {"content-type": MEDIA_TYPE, "content-digest": http_signature.content_digest(body)}
        signed = {"@method": "POST", "@target-uri": self._target.url, **fields}
        said = http_signature.parameters(
            signed, created=int(self._now()), key_id=self._key_id, algorithm="hmac-sha256"
        )
        made = http_signature.signature(self._secret.encode(), http_signature.base(signed, said))
        host = self._target.url.partition("//")[2].partition("/")[0].partition("?")[0]
        return [
            ("host", host),
            *fields.items(),
            ("content-length", str(len(body))),
            ("signature-input", f"secondbell={said}"),
            ("signature", f"secondbell={made}"),
            ("user-agent", "secondbell"),
            ("connection", "close"),
        ]

    def _judge(self, status: int, said: str) -> Attempt:
        """What an answer means."""
        try:
            phrase = HTTPStatus(status).phrase
        except ValueError:
            phrase = ""
        text = f"{status} {said.strip() or phrase}"
        if 200 <= status <= 299:
            return self._attempt(Outcome.SENT, text)
        if 300 <= status <= 399:
            return self._attempt(
                Outcome.TRY_LATER, f"{status} {phrase}: sent elsewhere, which is not followed"
            )
        if 400 <= status <= 499 and status not in LATER:
            return self._attempt(Outcome.REFUSED, text)
        return self._attempt(Outcome.TRY_LATER, text)

    def _attempt(self, outcome: Outcome, text: str) -> Attempt:
        """An attempt with its text made one safe line."""
        return Attempt(outcome=outcome, text=one_line(text, [self._secret]))


def _is_here(host: str) -> bool:
    """Whether a host is this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"

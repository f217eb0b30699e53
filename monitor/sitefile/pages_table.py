"""The table [pages] of a site file: the page on which a person answers by phone."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field

from monitor.core.problems import Problem
from monitor.sitefile.problems import show_value
from monitor.sitefile.tables import Path_, Table
from monitor.sitefile.values import duration, host

if TYPE_CHECKING:
    from monitor.sitefile.reading import SiteFile

LONGEST_URL: Final = 120  # a link has to stay one line of a mail


class Listen(NamedTuple):
    """Where something listens."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return _is_loopback(self.host)


def listen(value: str) -> str:
    """An address to listen at, checked and left as it is."""
    listen_at(value)
    return value


def listen_at(value: str) -> Listen:
    """Take `host:port` apart; ValueError says what was expected."""
    name, colon, port = value.rpartition(":")
    name = name.removeprefix("[").removesuffix("]")
    if not colon or not name or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65_535:
        raise ValueError('an address of this machine and a port, such as "127.0.0.1:8780"')
    return Listen(host(name), int(port))


def base_url(value: str) -> str:
    """What links begin with, without a / at its end."""
    wanted = 'the address that a phone opens, such as "https://bell.example", at most 120 characters'
    try:
        url = urlsplit(value)
        _ = url.port
    except ValueError:
        raise ValueError(wanted) from None
    plain = value.isascii() and value.isprintable() and not set(value) & set(" \"<>\\^`{|}'")
    if (
        not plain
        or not url.hostname
        or "@" in url.netloc
        or url.query
        or url.fragment
        or "?" in value
        or "#" in value
    ):
        raise ValueError(wanted)
    if len(value) > LONGEST_URL or url.scheme not in ("http", "https"):
        raise ValueError(wanted)
    if url.scheme == "http" and not _is_loopback(url.hostname):
        raise ValueError("https: a link must not cross a network where it can be read")
    return value.rstrip("/")


def _is_loopback(name: str) -> bool:
    try:
        return name == "localhost" or ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


At = Annotated[str, AfterValidator(listen)]
BaseUrl = Annotated[str, AfterValidator(base_url)]
Life = Annotated[int, BeforeValidator(duration("15 min", "48 h"))]


class PagesTable(Table):
    """[pages]"""

    listen: At = Field(
        description="address and port at which the page is served", examples=["127.0.0.1:8780"]
    )
    base_url: BaseUrl = Field(
        description="what the links in notices begin with: where phones reach the page; https, but for loopback",
        examples=["https://bell.example.invalid"],
    )
    link_life: Life = Field(
        43_200_000,
        description="how long a link opens, from its notice on, 15 min to 48 h; by default 12 h",
        examples=["12 h"],
    )
    codes: bool = Field(
        False,
        description="true if the code of a page can be typed there: pagers can be overheard, and ids guessed",
        examples=[False],
    )
    cert_file: Path_ | None = Field(
        None,
        description="certificate chain (PEM), where the page does TLS by itself and no proxy before it",
        examples=["page-cert.pem"],
    )
    key_file: Path_ | None = Field(
        None, description="private key of the certificate (PEM)", examples=["page-key.pem"]
    )
    proxies: Annotated[int, Field(ge=0, le=5)] = Field(
        0,
        description="how many reverse proxies of yours stand before it; each must append to X-Forwarded-For",
        examples=[1],
    )


def pages_errors(found: SiteFile) -> Iterator[Problem]:
    """What does not go together in [pages]."""
    if (pages := found.pages) is None:
        return
    for mine, other, value in (
        ("cert_file", "key_file", pages.cert_file),
        ("key_file", "cert_file", pages.key_file),
    ):
        if value is not None and getattr(pages, other) is None:
            yield Problem(found.file, f"pages.{other}", "", f"is missing: it goes with {mine}")
        if value is not None and not found.beside(value).is_file():
            wanted = f"a file; there is none at {found.beside(value)}"
            yield Problem(found.file, f"pages.{mine}", show_value(value), wanted)
    if pages.cert_file is None and not listen_at(pages.listen).loopback and pages.proxies == 0:
        wanted = "loopback, or cert_file and key_file, or proxies: links must not cross a network unencrypted"
        yield Problem(found.file, "pages.listen", show_value(pages.listen), wanted)
    at = listen_at(pages.listen)
    if found.health is not None and at.port != 0 and listen_at(found.health.listen) == at:
        yield Problem(
            found.file, "health.listen", show_value(found.health.listen), "another port than pages.listen"
        )

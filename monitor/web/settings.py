"""How the page on a phone is served, as a site file says; and whether it can be, before anything depends on it."""

from __future__ import annotations

import os
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

from monitor.core.problems import Problem
from monitor.web.health_settings import HealthSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class PagesSettings:
    """Where it listens; `proxies` of ours stand before it, whose word for a client's address is taken.

    `codes`: whether a page's code and a person's id open what a link does.
    """

    host: str
    port: int
    cert_file: Path | None = None
    key_file: Path | None = None
    proxies: int = 0
    codes: bool = False

    def tls_context(self) -> ssl.SSLContext | None:
        """The context to serve with, None for plain HTTP; OSError (ssl.SSLError too) if the files do not do."""
        if self.cert_file is None:
            return None
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self.cert_file, self.key_file)
        return context

    def bad_certificate(self, file: str, error: OSError) -> Problem:
        """What is wrong with the certificate that a site file names."""
        wanted = f"a certificate and its private key, both PEM: {error.strerror or error}"
        return Problem(file, "pages.cert_file", repr(str(self.cert_file)), wanted)

    def not_to_be_had(self, file: str, error: OSError) -> Problem:
        """What is wrong with the address that a site file names."""
        return not_to_be_had(file, "pages.listen", self.host, self.port, error)


def not_to_be_had(file: str, key: str, host: str, port: int, error: OSError) -> Problem:
    """What is wrong with an address to listen at."""
    found = error.errno is not None and error.errno > 0  # else the name of a host is not known
    why = os.strerror(error.errno or 0) if found else error.strerror
    return Problem(
        file, key, repr(f"{host}:{port}"), f"an address of this machine that nothing else uses: {why}"
    )


def unservable(pages: PagesSettings | None, running: PagesSettings | None, file: str) -> list[Problem]:
    """Why pages could not be served in place of those that are `running`: found out before those are given up."""
    if pages is None:
        return []
    try:
        pages.tls_context()
    except OSError as error:
        return [pages.bad_certificate(file, error)]
    here = None if running is None else (running.host, running.port)
    return _occupied(file, "pages.listen", (pages.host, pages.port), here)


def unaskable(health: HealthSettings | None, running: HealthSettings | None, file: str) -> list[Problem]:
    """Why nobody could ask how the service is, where those who ask are `running` now."""
    if health is None:
        return []
    here = None if running is None else (running.host, running.port)
    return _occupied(file, "health.listen", (health.host, health.port), here)


def _occupied(file: str, key: str, wanted: tuple[str, int], ours: tuple[str, int] | None) -> list[Problem]:
    """An address that cannot be listened at, unless it is `ours` already."""
    if wanted == ours:
        return []
    try:
        family = socket.AF_INET6 if ":" in wanted[0] else socket.AF_INET
        socket.create_server(wanted, family=family).close()
    except OSError as error:
        return [not_to_be_had(file, key, *wanted, error)]
    return []

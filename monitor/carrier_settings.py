"""The settings of carriers: from the tables of a site file to what opens them."""

from __future__ import annotations

import ssl
from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import BaseModel

from monitor.adapters.apart import CarrierApart
from monitor.adapters.carriers import Carrier
from monitor.adapters.email import EmailCarrier, Security
from monitor.adapters.https import HttpsCarrier
from monitor.adapters.plugins import CarrierPlugin
from monitor.adapters.snpp import SnppCarrier
from monitor.sitefile.carrier_checks import password_source
from monitor.sitefile.carrier_tables import EmailTable, Form, HttpsTable, PluginTable, SnppTable
from monitor.sitefile.password import PasswordSource, read_secret
from monitor.sitefile.reading import SiteFile

# RFC 6409 §3.1 (587), RFC 8314 §7.3 (465), RFC 5321 §4.5.4.2 (25)
MAIL_PORT: dict[str, int] = {"starttls": 587, "tls": 465, "none": 25}


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierSettings(ABC):
    """A carrier; `form` is that of its texts, `limit` is in ms and bounds one attempt."""

    name: str
    kind: str
    form: Form
    limit: int

    @abstractmethod
    def carrier(self) -> Carrier:
        """The carrier, its secret read now; PasswordMissing, OSError for a wrong certificate file, or ValueError."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmailSettings(CarrierSettings):
    """A carrier of mail; `returns_to` None: to the sender's mailbox."""

    kind: str = "email"
    form: Form = "mail"
    host: str
    port: int
    security: Security
    sender: str
    returns_to: str | None = None
    username: str | None
    password: PasswordSource | None
    ca_file: Path | None

    def carrier(self) -> Carrier:
        """The carrier."""
        return EmailCarrier(
            self.host,
            self.port,
            self.sender,
            self.security,
            self.username,
            _read(self.password),
            self.limit / 1000,
            None if self.ca_file is None else ssl.create_default_context(cafile=self.ca_file),
            name=self.name,
            returns_to=self.returns_to,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SnppSettings(CarrierSettings):
    """A carrier of pages."""

    kind: str = "snpp"
    form: Form = "page"
    host: str
    port: int
    level: Literal[1, 2]
    login: str | None
    password: PasswordSource | None

    def carrier(self) -> Carrier:
        """The carrier; ValueError for a password with blanks in it."""
        return SnppCarrier(
            self.host,
            self.port,
            self.level,
            self.login,
            _read(self.password),
            self.limit / 1000,
            name=self.name,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpsSettings(CarrierSettings):
    """A carrier that posts; `source` is its events'."""

    kind: str = "https"
    url: str
    source: str
    key_id: str
    secret: PasswordSource
    ca_file: Path | None
    client_cert_file: Path | None
    client_key_file: Path | None

    def carrier(self) -> Carrier:
        """The carrier; ValueError for a secret that is too short."""
        tls = None
        if self.url.startswith("https:"):
            tls = ssl.create_default_context(cafile=self.ca_file)
            if self.client_cert_file is not None:
                # An encrypted key is an error: without a password given here, it would be asked for at the terminal.
                tls.load_cert_chain(self.client_cert_file, self.client_key_file, password="")
        return HttpsCarrier(
            self.url,
            read_secret(self.secret),
            source=self.source,
            form=self.form,
            key_id=self.key_id,
            limit=self.limit / 1000,
            tls_context=tls,
            name=self.name,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PluginSettings(CarrierSettings):
    """A carrier of a plug-in."""

    plugin: CarrierPlugin
    options: BaseModel
    secret: PasswordSource | None

    def carrier(self) -> Carrier:
        """The carrier, in a thread of its own; that it cannot be opened keeps nothing else from starting."""
        secret = _read(self.secret)
        return CarrierApart(
            self.name,
            partial(self.plugin.open, self.name, self.options, secret),
            limit=self.limit / 1000,
            secrets=() if secret is None else (secret,),
        )


def carrier_settings(found: SiteFile, name: str) -> CarrierSettings:
    """The settings of one carrier of a site file that is right."""
    table = found.carriers[name]
    secret = password_source(found, table)
    if isinstance(table, EmailTable):
        return EmailSettings(
            name=name,
            host=table.host,
            port=table.port or MAIL_PORT[table.security],
            security=table.security,
            sender=table.sender,
            returns_to=table.returns_to,
            username=table.username,
            password=secret,
            ca_file=_beside(found, table.ca_file),
            limit=table.limit,
        )
    if isinstance(table, SnppTable):
        return SnppSettings(
            name=name,
            host=table.host,
            port=table.port,
            level=table.level,
            login=table.login,
            password=secret,
            limit=table.limit,
        )
    if isinstance(table, HttpsTable):
        assert found.site is not None
        assert secret is not None
        return HttpsSettings(
            name=name,
            form=table.form,
            url=table.url,
            source=f"urn:monitor:{found.site.name}",
            key_id=table.key_id,
            secret=secret,
            ca_file=_beside(found, table.ca_file),
            client_cert_file=_beside(found, table.client_cert_file),
            client_key_file=_beside(found, table.client_key_file),
            limit=table.limit,
        )
    assert isinstance(table, PluginTable)
    return PluginSettings(
        name=name,
        kind=table.kind,
        form=table.form,
        plugin=table.plugin,
        options=table.options,
        secret=secret,
        limit=table.limit,
    )


def _read(source: PasswordSource | None) -> str | None:
    return None if source is None else read_secret(source)


def _beside(found: SiteFile, name: str | None) -> Path | None:
    return None if name is None else found.beside(name)

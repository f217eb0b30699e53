"""What must be right between a table of the broker or a carrier and the rest: files, login or secret, addresses."""

from __future__ import annotations

import ssl
from collections.abc import Iterator

from monitor.adapters.https import SHORTEST_SECRET
from monitor.adapters.snpp import SnppCarrier
from monitor.core.problems import Problem
from monitor.sitefile.carrier_tables import CarrierTable, EmailTable, HttpsTable, SnppTable
from monitor.sitefile.password import PasswordMissing, PasswordSource, read_secret
from monitor.sitefile.problems import show_value
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.tables import Hidden, Login
from monitor.sitefile.values import broker_url


def password_source(found: SiteFile, table: Hidden) -> PasswordSource | None:
    """Where a table's password or secret lies, if it has one."""
    _, file, variable = table.hidden
    if file is not None:
        return PasswordSource(file=found.beside(file))
    return PasswordSource(env=variable) if variable is not None else None


def has_mail(found: SiteFile, person: str) -> bool:
    """Whether somebody of the file has a way of mail."""
    return any(isinstance(found.carriers.get(way.carrier), EmailTable) for way in found.people[person].reach)


def carriers(found: SiteFile) -> Iterator[Problem]:
    """Every mistake of carriers."""
    if not found.written["carriers"]:
        yield Problem(found.file, "carriers", "", "is missing: at least one, or nobody can be told")
    for name, carrier in found.carriers.items():
        key = f"carriers.{name}"
        if isinstance(carrier, EmailTable):
            yield from _email(found, key, carrier)
        elif isinstance(carrier, SnppTable):
            yield from password(found, key, carrier, "login", carrier.login is not None)
            try:
                SnppCarrier(carrier.host, carrier.port, carrier.level, carrier.login)
            except ValueError as error:
                yield Problem(found.file, f"{key}.login", show_value(carrier.login), str(error))
        elif isinstance(carrier, HttpsTable):
            yield from _https(found, key, carrier)
        else:
            yield from hidden(found, key, carrier)


def address(found: SiteFile, carrier: CarrierTable | None, key: str, value: str) -> Iterator[Problem]:
    """A person's address that is none there."""
    if carrier is not None and (wanted := carrier.address_wanted(value)) is not None:
        yield Problem(found.file, key, show_value(value), wanted)


def broker(found: SiteFile) -> Iterator[Problem]:
    """Every mistake of the broker, in a site file or that of a watch."""
    table = found.broker
    if table is None:
        return
    urls = [broker_url(address) for address in table.addresses]
    if len({url.tls for url in urls}) > 1:
        yield Problem(found.file, "broker.addresses", "", "all mqtt:// or all mqtts://, not both")
    if table.ca_file is not None and not any(url.tls for url in urls):
        yield Problem(
            found.file, "broker.ca_file", show_value(table.ca_file), "mqtts:// in addresses to use it for"
        )
    yield from certificates(found, "broker.ca_file", table.ca_file)
    yield from password(found, "broker", table, "username", table.username is not None)


def file(found: SiteFile, key: str, name: str | None) -> Iterator[Problem]:
    """A file that is not there."""
    if name is not None and not found.beside(name).is_file():
        yield Problem(found.file, key, show_value(name), f"a file; there is none at {found.beside(name)}")


def certificates(found: SiteFile, key: str, name: str | None) -> Iterator[Problem]:
    """A file of certificates to trust that is not there, or has none: found out before anything depends on it."""
    if name is None:
        return
    lacking = list(file(found, key, name))
    yield from lacking
    if not lacking:
        try:
            ssl.create_default_context(cafile=found.beside(name))
        except OSError as error:
            yield Problem(found.file, key, show_value(name), f"certificates to trust (PEM): {_why(error)}")


def _why(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        return (error.reason or "unreadable").lower().replace("_", " ")
    return error.strerror or str(error)


def password(found: SiteFile, key: str, login: Login, user: str, has_user: bool) -> Iterator[Problem]:
    """What is wrong with a login's password."""
    source = password_source(found, login)
    if source is not None and not has_user:
        which = "password_file" if source.file is not None else "password_env"
        yield Problem(
            found.file, f"{key}.{which}", "", f"{user} beside it: a password without one is never used"
        )
    yield from hidden(found, key, login)


def hidden(found: SiteFile, key: str, table: Hidden) -> Iterator[Problem]:
    """A password or secret said twice, or not where the table says."""
    word, in_file, in_variable = table.hidden
    if in_file is not None and in_variable is not None:
        yield Problem(found.file, f"{key}.{word}_env", "", f"only one of {word}_file, {word}_env")
    if in_file is not None:
        try:
            read_secret(PasswordSource(file=found.beside(in_file)))
        except PasswordMissing as error:
            yield Problem(found.file, f"{key}.{word}_file", "", f"a file with the {word} alone: {error}")


def _email(found: SiteFile, key: str, carrier: EmailTable) -> Iterator[Problem]:
    yield from password(found, key, carrier, "username", carrier.username is not None)
    yield from certificates(found, f"{key}.ca_file", carrier.ca_file)
    if carrier.username is not None and password_source(found, carrier) is None:
        wanted = "password_file or password_env beside it"
        yield Problem(found.file, f"{key}.username", show_value(carrier.username), wanted)
    if carrier.ca_file is not None and carrier.security == "none":
        wanted = "security starttls or tls to use it for"
        yield Problem(found.file, f"{key}.ca_file", show_value(carrier.ca_file), wanted)


def _https(found: SiteFile, key: str, carrier: HttpsTable) -> Iterator[Problem]:
    yield from hidden(found, key, carrier)
    source = password_source(found, carrier)
    if source is None:
        yield Problem(
            found.file, f"{key}.secret_file", "", "secret_file or secret_env: notices are signed with it"
        )
    elif source.file is not None:
        try:
            short = len(read_secret(source).encode()) < SHORTEST_SECRET
        except PasswordMissing:
            short = False  # said already
        if short:
            wanted = f"a secret of at least {SHORTEST_SECRET} characters, better 32, made at random"
            yield Problem(found.file, f"{key}.secret_file", "", wanted)
    names = {"ca_file": carrier.ca_file, "client_cert_file": carrier.client_cert_file}
    names["client_key_file"] = carrier.client_key_file
    for name, value in names.items():
        yield from (certificates if name == "ca_file" else file)(found, f"{key}.{name}", value)
        if value is not None and carrier.url.startswith("http:"):
            yield Problem(found.file, f"{key}.{name}", show_value(value), "https:// in url to use it for")
    if carrier.client_key_file is not None and carrier.client_cert_file is None:
        wanted = "client_cert_file beside it"
        yield Problem(found.file, f"{key}.client_key_file", show_value(carrier.client_key_file), wanted)
    elif carrier.client_cert_file is not None:
        yield from _own_certificate(found, key, carrier.client_cert_file, carrier.client_key_file)


def _own_certificate(found: SiteFile, key: str, certificate: str, private: str | None) -> Iterator[Problem]:
    """A client certificate that cannot be used with its key."""
    chain, key_file = found.beside(certificate), None if private is None else found.beside(private)
    if not all(path.is_file() for path in (chain, key_file) if path is not None):
        return  # said already
    try:
        # An encrypted key is an error: without a password given here, it would be asked for at the terminal.
        ssl.create_default_context().load_cert_chain(chain, key_file, password="")
    except OSError as error:
        wanted = f"a certificate and its private key, both PEM and not encrypted: {_why(error)}"
        yield Problem(found.file, f"{key}.client_cert_file", show_value(certificate), wanted)

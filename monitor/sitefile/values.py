"""How the values of a site file are read: each reader gives what the core works with, or says what it expected."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from pydantic_core import PydanticCustomError

from monitor.adapters.email import EmailCarrier
from monitor.core.instants import parse, parse_duration
from monitor.core.messages import FROM_FORM, PERSON_FORM, TO_FORM
from monitor.core.topics import is_level

HIDDEN: Final = "hidden"
"""The type of an error whose value may hold a password and is never shown."""

MQTT_PORT: Final = {"mqtt": 1883, "mqtts": 8883}  # registered with IANA for MQTT, plain and over TLS
LONGEST_PLACE: Final = 60  # what a notice shows of it
LONGEST_PAGER_PLACE: Final = 24
LEVEL_WANTED: Final = "1 to 64 letters, digits, - or _"
PERSON_WANTED: Final = "1 to 64 letters, digits, or any of . _ @ -"
_HOST: Final = re.compile(r"[A-Za-z0-9._:-]{1,253}", re.ASCII)
_VARIABLE: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,127}", re.ASCII)


def duration(least: str, most: str) -> Callable[[object], int]:
    """A reader of durations within bounds, both included, in ms."""
    low, high = parse_duration(least), parse_duration(most)

    def read(value: object) -> int:
        try:
            found = parse_duration(value) if isinstance(value, str) else -1
        except ValueError:
            found = -1
        if not low <= found <= high:
            raise ValueError(f'a duration from "{least}" to "{most}"')
        return found

    return read


def instant(value: object) -> int:
    """An RFC 3339 time, in quotation marks or as TOML's own, in ms UTC."""
    try:
        if isinstance(value, str):
            return parse(value)
    except ValueError:
        pass
    raise ValueError("a time with its zone (RFC 3339), such as 2026-03-14T21:00:00Z")


def minute(*, end: bool) -> Callable[[object], int]:
    """A reader of a time of the local day, in minutes since midnight; only an end may be 24:00."""

    def read(value: object) -> int:
        if isinstance(value, str) and re.fullmatch(TO_FORM if end else FROM_FORM, value, re.ASCII):
            return int(value[:2]) * 60 + int(value[3:])
        raise ValueError(
            f'a time of the local day in quotation marks, "00:00" to "{"24:00" if end else "23:59"}"'
        )

    return read


def label(most: int, least: int = 1) -> Callable[[str], str]:
    """A reader of one line of text for a person to read."""

    def read(value: str) -> str:
        if not value.isprintable() and any(
            unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp", "Cs") for sign in value
        ):
            raise ValueError("one line of text without control characters")
        if not least <= len(value.strip()) <= most:
            raise ValueError(f"{least} to {most} characters")
        return value.strip()

    return read


def level(value: str) -> str:
    """A name that can stand in a topic."""
    if is_level(value) is None:
        raise ValueError(LEVEL_WANTED)
    return value


def is_person(value: str) -> bool:
    """Whether this can be a person's id (it comes back in answers)."""
    return re.fullmatch(PERSON_FORM, value, re.ASCII) is not None


def prefix(value: str) -> str:
    """The first levels of all topics."""
    if not all(is_level(part) for part in value.split("/")):
        raise ValueError(f"levels of a topic, each {LEVEL_WANTED}, with / between")
    return value


def host(value: str) -> str:
    """A host name or IP address."""
    if _HOST.fullmatch(value) is None:
        raise ValueError("a host name or an IP address")
    return value


def variable(value: str) -> str:
    """The name of an environment variable; what stands there may be the password itself, so it is not shown."""
    if _VARIABLE.fullmatch(value) is None:
        raise PydanticCustomError(HIDDEN, "the name of an environment variable that holds the password")
    return value


def sender(value: str) -> str:
    """What stands in the From of a mail, as the carrier takes it."""
    try:
        EmailCarrier("", 0, value, "none")
    except ValueError:
        raise ValueError(
            'a mail address, such as "Second Bell <secondbell@ward.example>", in plain ASCII'
        ) from None
    return value


class BrokerUrl(NamedTuple):
    """Where a broker listens, and whether by TLS."""

    host: str
    port: int
    tls: bool


def broker_url(value: str) -> BrokerUrl:
    """Take `mqtt://host:port` or `mqtts://host:port` apart; ValueError says what was expected."""
    wanted = 'a broker, such as "mqtt://broker.example:1883" or "mqtts://broker.example:8883"'
    try:
        url = urlsplit(value)
        port = url.port
    except ValueError:
        raise ValueError(wanted) from None
    if "@" in url.netloc:
        raise PydanticCustomError(
            HIDDEN, "no name or password here: use username and password_file or password_env"
        )
    rest = url.path.strip("/") or url.query or url.fragment
    if url.scheme not in MQTT_PORT or not url.hostname or rest or _HOST.fullmatch(url.hostname) is None:
        raise ValueError(wanted)
    if port == 0:
        raise ValueError(wanted)
    return BrokerUrl(url.hostname, port or MQTT_PORT[url.scheme], url.scheme == "mqtts")


def broker_text(value: str) -> str:
    """A broker's address, checked and left as it is."""
    broker_url(value)
    return value

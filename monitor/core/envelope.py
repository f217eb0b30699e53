"""What every message has around its data: UTF-8, JSON, one object, the CloudEvents attributes."""

import json
import re
from typing import Final, NamedTuple

from monitor.core.instants import parse
from monitor.core.messages import ID_FORM, SOURCE_FORM, Reason

_EARLIEST: Final = parse("2000-01-01T00:00:00Z")  # a clock that was never set says 1970 or 1980
_TOO_LATE: Final = parse("2101-01-01T00:00:00Z")

_is_id = re.compile(ID_FORM).fullmatch
_is_source = re.compile(SOURCE_FORM, re.ASCII).fullmatch
_INT_DIGITS: Final = 20  # more than any number of the contract has; Python refuses to read 4,301 of them


class Unreadable(Exception):
    """This message goes to quarantine, for this reason. Never leaves `decode`."""

    def __init__(self, reason: Reason, detail: str) -> None:
        """Name the reason, and say in a few words what was found."""
        super().__init__(reason, detail)
        self.reason = reason
        self.detail = detail


class Attributes(NamedTuple):
    """The CloudEvents attributes that the monitor uses."""

    source: str
    id: str
    bridge: str
    time: int


def plausible(text: str) -> int:
    """Read an instant between the years 2000 and 2100; ValueError if it is none or lies elsewhere."""
    at = parse(text)
    if not _EARLIEST <= at < _TOO_LATE:
        raise ValueError(f"{text[:40]!a} lies outside the years 2000 to 2100")
    return at


def shown(value: object) -> str:
    """Write any JSON value so short and plain that it can stand in a log line."""
    if isinstance(value, dict):
        return "{…}"
    if isinstance(value, list):
        return "[…]"
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 40 else value[:40] + "...")
    return json.dumps(value)


def read_object(payload: bytes) -> dict[str, object]:
    """Read a payload as one JSON object; NaN and double names pass here: fields are judged later."""
    try:
        value = json.loads(payload.decode("utf-8-sig"), parse_int=_read_int)
    except UnicodeDecodeError as error:
        raise Unreadable(Reason.NOT_UTF8, f"byte {error.start} is not UTF-8") from None
    except RecursionError:
        raise Unreadable(Reason.NOT_JSON, "nested too deeply") from None
    except ValueError as error:
        raise Unreadable(Reason.NOT_JSON, str(error)) from None
    if not isinstance(value, dict):
        raise Unreadable(Reason.NOT_AN_OBJECT, f"found {shown(value)}")
    return value


def read_attributes(event: dict[str, object], kind: str, device: str) -> Attributes:
    """Read the attributes of an event of this type that must be about this device."""
    source, identifier = event.get("source"), event.get("id")
    if event.get("specversion") != "1.0":
        raise Unreadable(Reason.WRONG_ENVELOPE, f"specversion is {_found(event, 'specversion')}, not 1.0")
    if event.get("type") != kind:
        raise Unreadable(Reason.WRONG_ENVELOPE, f"type is {_found(event, 'type')}, not {kind}")
    if not isinstance(source, str) or _is_source(source) is None:
        raise Unreadable(Reason.WRONG_ENVELOPE, f"source is {_found(event, 'source')}, not urn:bridge:NAME")
    if not isinstance(identifier, str) or _is_id(identifier) is None or not _is_text(identifier):
        raise Unreadable(
            Reason.WRONG_ENVELOPE, f"id is {_found(event, 'id')}, not 1 to 200 printable characters"
        )
    if event.get("subject") != device:
        raise Unreadable(
            Reason.SUBJECT_DIFFERS, f"subject is {_found(event, 'subject')}, the topic says {device}"
        )
    time = event.get("time")
    if not isinstance(time, str):
        raise Unreadable(Reason.NO_USABLE_TIME, f"time is {_found(event, 'time')}")
    try:
        at = plausible(time)
    except ValueError as error:
        raise Unreadable(Reason.NO_USABLE_TIME, str(error)) from None
    return Attributes(source, identifier, source.removeprefix("urn:bridge:"), at)


def read_data(event: dict[str, object], reason: Reason) -> dict[str, object]:
    """Give the data of an event; it must be an object."""
    data = event.get("data")
    if not isinstance(data, dict):
        raise Unreadable(reason, f"data is {_found(event, 'data')}, not an object")
    return data


def _read_int(digits: str) -> int | float:
    """Read a JSON integer; one of absurd length becomes a float, perhaps infinite, and is judged as such."""
    return int(digits) if len(digits) <= _INT_DIGITS else float(digits)


def _is_text(text: str) -> bool:
    """Say whether a string can be written as UTF-8: JSON can escape half a surrogate pair, which cannot."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _found(event: dict[str, object], name: str) -> str:
    """Say what was found under this name."""
    return shown(event[name]) if name in event else "missing"

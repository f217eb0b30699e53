"""What a recording holds, line by line: every input that the engine had, in the order in which it had them.

A line is one JSON object with `received` (RFC 3339, UTC, ms). A message has `topic` and `message`, or `base64` where
its bytes are not one line of JSON (the first 64 KiB of a message that is too long, with its `length`). Any other input
has `input`, the name of its kind, and what it says. The files of a folder are named by the hour of receipt, so that
their names sort as their lines do.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
import zlib
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Final, NamedTuple

from monitor.core.effects import (
    Asked,
    Attempted,
    DrillAsked,
    DrillStopped,
    LinkDown,
    LinkRefused,
    LinkUp,
    MarkerBack,
    Returned,
    RotaRead,
    StoreRefused,
    StoreWorks,
    TroubleOver,
    TroubleSeen,
)
from monitor.core.envelope import plausible
from monitor.core.instants import show
from monitor.core.messages import PAYLOAD_MAX
from monitor.core.problems import Problem

EVENTS: Final[dict[str, type]] = {
    "link-up": LinkUp,
    "link-down": LinkDown,
    "marker-back": MarkerBack,
    "asked": Asked,
    "link-refused": LinkRefused,
    "attempted": Attempted,
    "returned": Returned,
    "drill-asked": DrillAsked,
    "drill-stopped": DrillStopped,
    "store-refused": StoreRefused,
    "store-works": StoreWorks,
    "trouble-seen": TroubleSeen,
    "trouble-over": TroubleOver,
    "rota-read": RotaRead,
}
"""The inputs that are events of the core, by the name of their kind."""

NAMES: Final[dict[type, str]] = {event: name for name, event in EVENTS.items()}
FURTHER: Final = frozenset({"start", "state", "note", "resume", "advance", "not-recorded"})
"""The other kinds: a start and the rows that it found, calls of the engine, and inputs that are missing here."""

HOUR_FILE: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d\.jsonl(\.gz)?", re.ASCII).fullmatch

# RFC 1952 §2.3.1: deflate, with a comment; no time, unknown system. The comment tells where the next member begins,
# whatever a process that was killed has left before it.
MEMBER: Final = b"\x1f\x8b\x08\x10\x00\x00\x00\x00\x00\xff" + b"a recording of Second Bell\x00"
_GZIP: Final = b"\x1f\x8b"
_CHUNK: Final = 1 << 18
_OWN: Final = re.compile(
    rb'\{"received":"([^"]+)","topic":"([^"\\]*)",("retain":true,)?"message":(\{.*\})\}'
).fullmatch


class Line(NamedTuple):
    """One message: when it was received (ms UTC), its topic ("" if not said), its bytes, its retain flag."""

    received: int
    topic: str
    payload: bytes
    retain: bool = False


class Input(NamedTuple):
    """Any other input of the engine: when (ms UTC), of which kind, and what it says."""

    received: int
    kind: str
    said: dict[str, Any]


Recorded = Line | Input


# ---- writing -----------------------------------------------------------------------------------------------------


def message_line(line: Line) -> bytes:
    """A message as a line; its bytes are kept as they are, so that they are decoded again as they were."""
    retain = b'"retain":true,' if line.retain else b""
    head = b'{"received":"%s","topic":%s,%s' % (show(line.received).encode(), _json(line.topic), retain)
    payload = line.payload
    if is_plain(payload):
        return head + b'"message":%s}\n' % payload
    if not payload:
        return head + b'"message":null}\n'
    kept = payload[: PAYLOAD_MAX + 1]  # enough to be found too long again
    length = b"" if len(kept) == len(payload) else b',"length":%d' % len(payload)
    return head + b'"base64":"%s"%s}\n' % (base64.b64encode(kept), length)


def is_plain(payload: bytes) -> bool:
    """Whether these bytes can stand in a line as they are: one object of strict JSON, in one line."""
    if len(payload) > PAYLOAD_MAX or payload[:1] + payload[-1:] != b"{}":
        return False
    if b"\n" in payload or b"\r" in payload:
        return False
    try:
        json.loads(payload.decode(), parse_constant=_refuse, parse_int=_short, parse_float=_short)
    except (ValueError, RecursionError):
        return False
    return True


def input_line(entry: Input) -> bytes:
    """Any other input as a line."""
    said = {"received": show(entry.received), "input": entry.kind, **entry.said}
    return _json(said) + b"\n"


def _refuse(name: str) -> None:
    raise ValueError(f"{name} is no JSON")  # RFC 8259 §6


def _short(number: str) -> None:
    if (
        len(number) > 25 or "e" in number.lower()
    ):  # not every reader takes it, or as the same number (RFC 8259 §6)
        raise ValueError(f"{number[:25]} is no common number")


def _json(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=True).encode()


# ---- reading -----------------------------------------------------------------------------------------------------


def read_line(text: bytes) -> Recorded:
    """A line of a recording or trace, by whomever it was written; raises Unusable."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise Unusable("", "", "one JSON object a line")
    recorded = "received" in found
    when = found.pop("received", None) if recorded else found.get("time")
    try:
        received = plausible(when if isinstance(when, str) else "")
    except ValueError:
        wanted = "an instant as in RFC 3339, with its offset, of the years 2000 to 2100"
        raise Unusable("received" if recorded else "time", repr(when), wanted) from None
    if not recorded:
        return Line(received, "", text.strip())
    if "input" in found:
        return _read_input(received, found)
    topic = found.get("topic", "")
    if not isinstance(topic, str):
        raise Unusable("topic", repr(topic), "text")
    return Line(received, topic, _payload(found), found.get("retain") is True)


def _read_input(received: int, found: dict[str, Any]) -> Input:
    kind = found.pop("input")
    if kind not in EVENTS and kind not in FURTHER:
        raise Unusable("input", repr(kind), f"one of {', '.join(sorted([*EVENTS, *FURTHER]))}")
    return Input(received, kind, found)


def _payload(found: dict[str, Any]) -> bytes:
    if isinstance(text := found.get("base64"), str):
        try:
            payload = base64.b64decode(text, validate=True)
        except (binascii.Error, ValueError):
            raise Unusable("base64", repr(text[:40]), "base64 as in RFC 4648 §4") from None
        return payload
    message = found.get("message")  # null: an empty payload, as when a plan is withdrawn
    if message is None:
        return b""
    return json.dumps(message, ensure_ascii=False).encode(
        errors="backslashreplace"
    )  # half a surrogate stays escaped


class Unusable(ValueError):
    """A line that cannot be used: which key, what was found, what was expected."""

    def __init__(self, key: str, value: str, expected: str) -> None:
        super().__init__(key, value, expected)
        self.key, self.value, self.expected = key, value, expected

    def problem(self, path: Path, number: int) -> Problem:
        """The same, with its place."""
        return Problem(
            str(path),
            f"line {number}: {self.key}" if self.key else f"line {number}",
            self.value,
            self.expected,
        )


def read_file(path: Path, problems: list[Problem], torn: Callable[[str], None]) -> Iterator[Recorded]:
    """What a file holds, plain or compressed; lines that cannot be used go to `problems`, each tear to `torn`.

    Raises OSError.
    """
    for number, text, read in texts(path, torn):
        if not text.strip():
            continue
        try:
            yield read(text)
        except Unusable as unusable:
            problems.append(unusable.problem(path, number))


def texts(
    path: Path, torn: Callable[[str], None]
) -> Iterator[tuple[int, bytes, Callable[[bytes], Recorded]]]:
    """The lines of a file, plain or compressed, with their numbers, and what reads them; raises OSError."""
    with path.open("rb") as file:
        start = file.peek(len(MEMBER))
        chunks = _inflated(file) if start.startswith(_GZIP) else iter(lambda: file.read(_CHUNK), b"")
        read = read_own if start.startswith(MEMBER) else read_line
        for number, text in _lines(
            chunks, lambda n: torn(f"{path}: torn after line {n}; what came after it, if anything, is lost")
        ):
            yield number, text, read


def read_own(text: bytes) -> Recorded:
    """A line that `message_line` or `input_line` wrote: the bytes of a message are taken out as they are."""
    if (found := _OWN(text)) is not None:
        received, topic, retain, payload = found.groups()
        try:
            return Line(_received(received), _topic(topic), payload, retain is not None)
        except ValueError:
            pass  # spoilt: said in full below
    return read_line(text)


@lru_cache(maxsize=4096)  # many messages come within one millisecond
def _received(text: bytes) -> int:
    return plausible(text.decode())


@lru_cache(maxsize=16_384)  # the same few thousand topics over and over
def _topic(text: bytes) -> str:
    return text.decode("ascii")


def _lines(chunks: Iterable[bytes | None], torn: Callable[[int], None]) -> Iterator[tuple[int, bytes]]:
    """The lines of a text that comes in pieces, with their numbers; `torn` after the last whole one."""
    number, rest = 0, b""
    for chunk in chunks:
        if chunk is None:
            torn(number)
            rest = b""
            continue
        lines = (rest + chunk).split(b"\n")
        rest = lines.pop()
        for text in lines:
            number += 1
            yield number, text
    if rest:
        yield number + 1, rest


def _inflated(file: IO[bytes]) -> Iterator[bytes | None]:
    """The text of a compressed file, in pieces; None where a member ends before its end."""
    inflater: Any = None  # zlib's class has no name
    broken = False
    for piece, begins in _members(file):
        if begins:
            if inflater is not None and not inflater.eof and not broken:
                yield from _end_torn(inflater)
            inflater, broken = zlib.decompressobj(31), False
        left = piece
        while left and not broken:
            if inflater.eof:  # members that were put together by another program
                inflater = zlib.decompressobj(31)
            try:
                yield inflater.decompress(left)
                left = inflater.unused_data
            except zlib.error:
                broken = True
                yield None
    if inflater is not None and not inflater.eof and not broken:
        yield from _end_torn(inflater)


def _end_torn(inflater: Any) -> Iterator[bytes | None]:
    yield inflater.flush()
    yield None


def _members(file: IO[bytes]) -> Iterator[tuple[bytes, bool]]:
    """The bytes of a file, in pieces; True with each piece that begins a member of ours, or the file."""
    held, begins = b"", True
    while chunk := file.read(_CHUNK):
        held += chunk
        while (place := held.find(MEMBER, int(begins))) >= 0:
            if place:
                yield held[:place], begins
            held, begins = held[place:], True
        if len(held) > len(MEMBER):  # the next may begin in what is not yet read
            cut = len(held) - len(MEMBER)
            yield held[:cut], begins
            held, begins = held[cut:], False
    if held:
        yield held, begins

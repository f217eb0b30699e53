"""From recorded lines to what the engine takes, quickly where a device says the same again.

A pump that has nothing new to say sends the same bytes but for its id, its time, its sequence and the volume
delivered. Where all other bytes of a line are those of a line of the same topic that was decoded in full, what is new
are these four, and they are read by themselves; what that gives is what decoding in full gives (tests compare them).
Every other line is decoded as it is by the service.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache, partial
from typing import Final, NamedTuple

from monitor.core.decode import decode
from monitor.core.envelope import plausible
from monitor.core.messages import PAYLOAD_MAX, Rejection, Snapshot
from monitor.core.parts import Rejected
from monitor.core.site import Site
from monitor.core.topics import DEFAULT_PREFIX, is_level, parse_topic
from monitor.recorded import Line, Recorded

TRACE_UNIT: Final = "trace"
_MOST_KNOWN: Final = 100_000  # topics of which a line is kept
_HEAD: Final = b'{"received":"'
_TOPIC: Final = b'","topic":"'
_WHEN, _WHERE = len(_HEAD), len(_HEAD) + 24  # an instant as `show` writes it has 24 characters
_FIRST: Final = _WHERE + len(_TOPIC)

# Inside a string of JSON each quotation mark has a backslash (RFC 8259 §7), so these are keys with their values,
# wherever they stand. What is taken of a value is narrower than what the contract takes.
_CHANGING: Final = re.compile(
    rb'"(id)":"([A-Za-z0-9._:-]{1,200})"|"(time)":"([0-9TZ:.-]{24})"'
    rb'|"(sequence)":([0-9]{1,18})(?=[,}])|"(delivered_ml)":([0-9]{1,6}(?:\.[0-9]{1,6})?)(?=[,}])'
)
_OF_IDS: Final = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._:-"
_IS_VOLUME: Final = re.compile(rb"(?:0|[1-9][0-9]{0,4})(?:\.[0-9]{1,6})?").fullmatch  # below VOLUME_MAX
_IS_SECOND: Final = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:[0-5]\d\.").fullmatch
_ZERO: Final = ord("0")
_MILLISECONDS: Final = {b"%03dZ" % ms: ms for ms in range(1000)}
_MOST_KEPT: Final = 100_000  # seconds and volumes, each read once
_ORDERS: Final = {
    (b"id", b"time", b"sequence", b"delivered_ml"),
    (b"id", b"time", b"sequence"),
}  # of those that are known well enough


class Heard(NamedTuple):
    """What a line holds: when it was received (ms UTC), and an input of the engine, or one that was recorded."""

    received: int
    what: object


class Known(NamedTuple):
    """A line that was decoded in full: its bytes around what changes, and what it said."""

    parts: tuple[bytes, bytes, bytes, bytes, bytes | None]  # the last None if no volume changes
    snapshot: Snapshot


# As `_make`, at half the cost.
_snapshot: Final = partial(tuple.__new__, Snapshot)
_heard: Final = partial(tuple.__new__, Heard)


def _read_second(text: bytes) -> int:
    """An instant as `show` writes it, without its milliseconds; ValueError for any other."""
    if not _IS_SECOND(text):
        raise ValueError
    return plausible(text[:19].decode("ascii") + "Z")


def _read_volume(text: bytes) -> float:
    """A volume in mL that the contract takes; ValueError for any other."""
    if not _IS_VOLUME(text):
        raise ValueError
    return float(text)


class Hearing:
    """Decodes the lines of traces and recordings for one site."""

    def __init__(self, site: Site, *, known: bool = False) -> None:
        """`known`: take whatever site and unit a topic names as this site's."""
        self._site, self._any = site, known
        self._known: dict[bytes, Known] = {}
        self._second = lru_cache(_MOST_KEPT)(_read_second)
        self._volume = lru_cache(_MOST_KEPT)(_read_volume)

    def entry(self, entry: Recorded) -> Heard:
        """What a line holds that has been read already."""
        return Heard(entry.received, self.message(entry) if isinstance(entry, Line) else entry)

    def quick(self, text: bytes) -> Heard | None:
        """What a line of a recording holds if it is like one before it; None if it has to be read in full."""
        if (known := self._known.get(text[_FIRST : text.find(b'"', _FIRST)])) is None:
            return None
        (before_id, after_id, after_time, after_sequence, after_volume), snapshot = known
        # A value ends at the first byte of what comes after it, which it cannot hold itself.
        if not (text.startswith(_HEAD) and text.startswith(before_id, _WHERE)):
            return None
        begin = _WHERE + len(before_id)
        end = text.find(b'"', begin)
        told_id = text[begin:end]
        if (
            not text.startswith(after_id, end)
            or told_id.translate(None, _OF_IDS)
            or not 0 < len(told_id) <= 200
        ):
            return None
        begin = end + len(after_id)
        end = begin + 24
        if not text.startswith(after_time, end):
            return None
        said = text[begin:end]
        begin = end + len(after_time)
        end = text.find(after_sequence[:1], begin)
        sequence = text[begin:end]
        if not (text.startswith(after_sequence, end) and sequence.isdigit() and len(sequence) <= 18):
            return None
        if sequence[0] == _ZERO and len(sequence) > 1:
            return None
        end += len(after_sequence)
        (
            site, unit, device, source, _, bridge, _, _, activity, alarms, mains, percent, low, rate, ml, target,
            dropped,
        ) = snapshot  # fmt: skip
        try:
            if after_volume is not None:
                begin, end = end, text.find(after_volume[:1], end)
                if not text.startswith(after_volume, end):
                    return None
                ml = self._volume(text[begin:end])
                end += len(after_volume)
            if end != len(text):
                return None
            received = self._second(text[_WHEN : _WHERE - 4]) + _MILLISECONDS[text[_WHERE - 4 : _WHERE]]
            time = self._second(said[:20]) + _MILLISECONDS[said[20:]]
        except (ValueError, KeyError):
            return None
        said_now = (
            site, unit, device, source, told_id.decode(), bridge, time, int(sequence), activity, alarms,
            mains, percent, low, rate, ml, target, dropped,
        )  # fmt: skip
        return _heard((received, _snapshot(said_now)))

    def full(self, text: bytes, entry: Recorded) -> Heard:
        """What a line of a recording holds that was read in full; the next of its topic may be like it."""
        heard = self.entry(entry)
        if isinstance(snapshot := heard.what, Snapshot) and isinstance(entry, Line) and not entry.retain:
            self._learn(text, entry, snapshot)
        return heard

    def _learn(self, text: bytes, line: Line, snapshot: Snapshot) -> None:
        topic = line.topic.encode()
        head = _HEAD + text[_WHEN:_WHERE] + _TOPIC + topic + b'","message":'
        if snapshot.dropped or len(line.payload) > PAYLOAD_MAX - 300 or text != head + line.payload + b"}":
            return
        found = list(_CHANGING.finditer(line.payload))
        names = tuple(match[match.lastindex - 1] for match in found if match.lastindex)
        if names not in _ORDERS or b"\\" in line.payload:
            return
        # Each key once, at whatever depth: no other place can change what was decoded.
        if any(line.payload.count(b'"%b"' % name) != 1 for name in names):
            return
        if (snapshot.delivered_ml is None) is (len(names) == 4):
            return
        parts: list[bytes] = []
        at = _WHERE
        for match in found:
            start, end = match.span(match.lastindex or 0)
            parts.append(text[at : len(head) + start])
            at = len(head) + end
        parts.append(text[at:])
        before_id, after_id, after_time, after_sequence, *more = parts
        kept = (before_id, after_id, after_time, after_sequence, more[0] if more else None)
        if len(self._known) >= _MOST_KNOWN:
            self._known.clear()
        self._known[topic] = Known(kept, snapshot)

    # ---- in full -------------------------------------------------------------------------------------------------

    def message(self, line: Line) -> object:
        """The engine's input in a line."""
        topic, site, name = line.topic, self._site, self._site.name
        if not topic:
            try:
                device = json.loads(line.payload).get("subject")
            except (ValueError, AttributeError):
                device = None
            device = device if isinstance(device, str) and is_level(device) else "unknown"
            entry = site.devices.get(device)
            unit = entry.unit if entry else (site.units[0] if site.units else TRACE_UNIT)
            topic = f"{site.prefix}/{site.name}/{unit}/{device}/state"
        elif self._any:
            parts = topic.split("/")
            name = parts[-4] if len(parts) >= 4 else name
        prefix = site.prefix
        if self._any and parse_topic(topic, DEFAULT_PREFIX, name) is None and topic.count("/") >= 4:
            prefix = topic.rsplit("/", 4)[0]
        decoded = decode(topic, line.payload, retain=line.retain, prefix=prefix, site=name)
        if isinstance(decoded, Rejection):
            return Rejected(decoded, line.payload)
        if self._any and isinstance(decoded, Snapshot):
            return decoded._replace(unit=TRACE_UNIT)
        return decoded

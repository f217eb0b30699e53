"""Device-state messages as MQTT frames, made as cheaply as Python can, so that their publisher is no brake."""

from __future__ import annotations

import datetime
from functools import lru_cache
from typing import Final

PREFIX: Final = "secondbell/v1"
SITE: Final = "bench"
FILTER: Final = f"{PREFIX}/{SITE}/+/+/state"
DEVICES_A_UNIT: Final = 100
EVERY_NTH_ALARMED: Final = 10
"""One device in ten has an alarm condition standing, so that rules have something to remember."""

PUBLISH_QOS1_RETAINED: Final = 0x33  # MQTT 3.1.1 §3.3.1

_PAYLOAD: Final = (
    b'{"specversion":"1.0","id":"m%019d","source":"urn:bridge:%b","type":"secondbell.device-state.v1",'
    b'"subject":"%b","time":"%b","datacontenttype":"application/json","data":{"sequence":%d,%b,'
    b'"power":{"mains":true,"battery_percent":93,"battery_low":false},'
    b'"delivery":{"rate_ml_h":85,"delivered_ml":%d.5}}}'
)
_WELL: Final = b'"activity":"feeding","alarms":[]'
_ALARMED: Final = (
    b'"activity":"stopped","alarms":[{"condition":"downstream-occlusion","priority":"medium",'
    b'"since":"2026-01-01T00:00:00Z","inactivation":"enabled","line":"feed"}]'
)
STAMP_AT: Final = len(b'{"specversion":"1.0","id":"m')
STAMP_DIGITS: Final = 19


def unit(device: int) -> str:
    """The unit of a device, by its number."""
    return f"unit-{device // DEVICES_A_UNIT:04d}"


def name(device: int) -> str:
    """The name of a device, by its number."""
    return f"pump-{device:06d}"


def topic(device: int) -> str:
    """The topic of a device's snapshots."""
    return f"{PREFIX}/{SITE}/{unit(device)}/{name(device)}/state"


def payload(device: int, sequence: int, at_ms: int, stamp_ns: int, said: bytes | None = None) -> bytes:
    """One snapshot; `stamp_ns` is carried in its id, `said` are its activity and alarms."""
    if said is None:
        said = _ALARMED if device % EVERY_NTH_ALARMED == 0 else _WELL
    told = (stamp_ns, b"north", _names(device)[1], rfc3339(at_ms), sequence, said, sequence % 1000)
    return _PAYLOAD % told


def frame(device: int, mid: int, body: bytes) -> bytes:
    """A PUBLISH packet of QoS 1, retained (MQTT 3.1.1 §3.3)."""
    where = _names(device)[0]
    length = 2 + len(where) + 2 + len(body)
    # Two bytes of remaining length (§2.2.3): 128 to 16,383, which holds for all of these.
    head = bytes((PUBLISH_QOS1_RETAINED, (length & 127) | 128, length >> 7))
    return b"%b%b%b%b%b" % (head, len(where).to_bytes(2), where, mid.to_bytes(2), body)


def stamp(body: bytes) -> int:
    """The instant that a snapshot carries in its id, in ns."""
    return int(body[STAMP_AT : STAMP_AT + STAMP_DIGITS])


@lru_cache(maxsize=200_000)
def _names(device: int) -> tuple[bytes, bytes]:
    return topic(device).encode(), name(device).encode()


@lru_cache(maxsize=16)
def rfc3339(at_ms: int) -> bytes:
    """An instant with milliseconds."""
    at = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z".encode()

"""Time zones for the core: the offset changes of a zone of the tz database, as a table of integers."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from monitor.core.plans import Zone

FIRST_YEAR: Final = 1990
LAST_YEAR: Final = 2100
"""No trace is older and no plan reaches further; outside of these years the nearest offset stands."""

_STEP: Final = 86_400
"""Seconds between two looks: no zone has changed its offset and changed it back within a day (from memory)."""


@lru_cache(maxsize=16)
def zone_table(name: str, *, first_year: int = FIRST_YEAR, last_year: int = LAST_YEAR) -> Zone:
    """The offset changes of a zone over whole years, both included; ValueError, naming it, for an unknown zone."""
    zone = _zone(name)
    at = int(datetime(first_year, 1, 1, tzinfo=UTC).timestamp())
    end = int(datetime(last_year + 1, 1, 1, tzinfo=UTC).timestamp())
    offset = _offset(zone, at)
    changes, offsets = [at * 1000], [offset]
    while at < end:
        ahead = min(at + _STEP, end)
        while (now := _offset(zone, ahead)) != offset:
            at = _first_other(zone, at, ahead, offset)
            offset = _offset(zone, at)
            changes.append(at * 1000)
            offsets.append(offset)
            if offset == now:
                break
        at = ahead
    return Zone(tuple(changes), tuple(offsets))


def _zone(name: str) -> ZoneInfo:
    try:
        if not name or name.startswith((".", "/")):
            raise ValueError
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # KeyError: unknown; OSError: the name of a folder of zones
        raise ValueError(f"{name!a} is not a zone of the tz database, such as Europe/London") from None


def _offset(zone: ZoneInfo, at: int) -> int:
    """Milliseconds east of UTC at an instant in seconds."""
    offset = datetime.fromtimestamp(at, zone).utcoffset()
    assert offset is not None  # a ZoneInfo always has one
    return offset.days * 86_400_000 + offset.seconds * 1000


def _first_other(zone: ZoneInfo, before: int, after: int, offset: int) -> int:
    """The first second in (before, after] with another offset; the tz database knows whole seconds only."""
    while after - before > 1:
        middle = (before + after) // 2
        if _offset(zone, middle) == offset:
            before = middle
        else:
            after = middle
    return after

"""Instants are integer milliseconds UTC inside, RFC 3339 outside; durations are floats of a named unit."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

SECOND = 1_000
MINUTE = 60_000
HOUR = 3_600_000
DAY = 24 * HOUR

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def whole_ms(ms: float) -> int:
    """Return the first whole millisecond at or after *ms*; noise of a billionth of one does not count."""
    return math.ceil(round(ms, 6))


def from_datetime(moment: datetime) -> int:
    """Return an aware datetime as integer milliseconds since 1970 in UTC."""
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def rfc3339(at: int) -> str:
    """Write an instant as RFC 3339 §5.6 does, in UTC and with milliseconds."""
    moment = _EPOCH + timedelta(milliseconds=at)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{at % 1000:03d}Z"

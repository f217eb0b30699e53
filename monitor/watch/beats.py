"""The monitor's presence as the watch reads it: whatever comes, a beat or nothing, never an error.

Read without the models of the contract (`core/published`), which would be most of this process's memory; a test holds
the two together.
"""

from __future__ import annotations

import json
from typing import Any, Final, NamedTuple

from monitor.core.instants import MINUTE, SECOND, parse

LONGEST: Final = 4_096  # bytes; a presence has 300
INTERVAL: Final = 15 * SECOND  # of a monitor that does not say its own
INTERVALS: Final = (1 * SECOND, 1 * MINUTE)  # what is believed: nobody may make us wait for longer


class Beat(NamedTuple):
    """What a presence says; instants in ms by the monitor's clock."""

    online: bool
    at: int
    last_step: int | None = None
    stopped: bool = False
    late_ms: int = 0
    unstored_since: int | None = None
    interval_ms: int = INTERVAL


def read_beat(payload: bytes) -> Beat | None:
    """The beat, None if this is none."""
    if len(payload) > LONGEST:
        return None
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or not isinstance(said.get("online"), bool):
        return None
    at = _instant(said.get("at"))
    if at is None:
        return None
    interval = _number(said.get("interval_ms"), INTERVAL)
    return Beat(
        online=said["online"],
        at=at,
        last_step=_instant(said.get("last_step")),
        stopped=said.get("stopped") is True,
        late_ms=max(0, _number(said.get("late_ms"), 0)),
        unstored_since=_instant(said.get("unstored_since")),
        interval_ms=min(max(interval, INTERVALS[0]), INTERVALS[1]),
    )


def _instant(value: Any) -> int | None:
    try:
        return parse(value) if isinstance(value, str) else None
    except ValueError:
        return None


def _number(value: Any, otherwise: int) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else otherwise

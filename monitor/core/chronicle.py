"""What is kept of each device for the picture of its night: a mark when what it does changes, and now and then.

The trail holds what was decided; ordinary snapshots leave nothing there. A mark is what one snapshot said of the few
things that a handover shows, with when the device had been heard before it, so that what nobody saw is shown as unseen.

Editing rules: pure; a mark's text is read back by reports for as long as it is kept: a new field goes to the end.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from math import isfinite
from typing import TYPE_CHECKING, Final, NamedTuple

from monitor.core.messages import SOUND_INACTIVATED

if TYPE_CHECKING:
    from monitor.core.picture import Picture
    from monitor.core.rulebook import CompiledRule

MINUTE: Final = 60_000
KIND: Final = "seen"  # of its rows
EVERY: Final = 30 * MINUTE  # a mark at least so often, for what was given; common practice, no source
UNSEEN: Final = (
    3 * MINUTE
)  # heard of again after longer than this: a mark says so; as `out-of-sight` in a ward

# When a device was marked last is kept as the minute of a day's sixth: such a number costs no memory of its own.
AROUND: Final = 240
MINUTES: Final = EVERY // MINUTE
RANK: Final = {"": 0, "low": 1, "medium": 2, "high": 3}


class Mark(NamedTuple):
    """What a snapshot at instant `at` said; `heard` is when the device had been heard last before it (0: never).

    `delivering`, `muted` (a medium or high alarm without its sound), `alarm` ("", low, medium, high), `mains` (None:
    not told), `delivered_ml` its counter, `given_ml` of the feeding day (None: not known).
    """

    at: int
    heard: int
    activity: str
    delivering: bool
    muted: bool
    alarm: str
    mains: bool | None
    delivered_ml: float | None
    given_ml: float | None

    def same(self, other: Mark) -> bool:
        """Whether both say the same of what is drawn."""
        return self[2:7] == other[2:7]


def of(picture: Picture, heard: int) -> Mark:
    """What a picture's last snapshot said."""
    muted, alarm = False, ""
    for shown in picture.alarms:
        if RANK[shown.priority] > RANK[alarm]:
            alarm = shown.priority
        muted = muted or (shown.priority != "low" and shown.inactivation in SOUND_INACTIVATED)
    planned = picture.plan is not None and picture.given_known and picture.counter_ml is not None
    return Mark(
        picture.acted, heard, picture.activity, picture.delivering, muted, alarm, picture.mains,
        picture.delivered_ml, round(picture.given_ml, 1) if planned else None,
    )  # fmt: skip


def minute(at: int) -> int:
    """What is remembered of the instant of a mark."""
    return at // MINUTE % AROUND


def due(noted: int, at: int) -> bool:
    """Whether a device that is heard at this instant was marked long enough ago."""
    return (at // MINUTE - noted) % AROUND >= MINUTES


def patience(rules: Iterable[CompiledRule]) -> int:
    """After how long without a word nobody can say what a device does, ms: at home its messages may take longer."""
    silences = [branch.hold_for for rule in rules if rule.pattern == "silent" for branch in rule.branches]
    return max(UNSEEN, *silences) if silences else UNSEEN


def write(mark: Mark) -> str:
    """Its text for a row, without the instant, which is in the row's key."""
    return _text(mark[1:])


def read(key: str, text: str) -> tuple[str, Mark]:
    """The device and the mark of a row; ValueError if it is none."""
    device, _, at = key.rpartition("|")
    fields = json.loads(text)
    if not isinstance(fields, list) or len(fields) < len(Mark._fields) - 1:
        raise ValueError(f"no mark: {text[:40]!r}")
    mark = Mark(int(at), *fields[: len(Mark._fields) - 1])
    numbers = [number for number in (mark.delivered_ml, mark.given_ml) if number is not None]
    if (
        type(mark.heard) is not int
        or not isinstance(mark.activity, str)
        or not isinstance(mark.delivering, bool)
        or not isinstance(mark.muted, bool)
        or not isinstance(mark.alarm, str)
        or mark.alarm not in RANK
        or mark.mains not in (None, True, False)
        or not all(type(number) in (int, float) and isfinite(number) for number in numbers)
    ):
        raise ValueError(f"no mark: {text[:40]!r}")
    return device, mark


def key(device: str, at: int) -> str:
    """The key of a mark's row: those of a device sort by time."""
    return f"{device}|{at:015d}"


_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode

"""What a feeding plan asks for, once more straight from the design's text: in fractions, by walking whole traces.

Nothing of the product is imported; local times are turned into instants by the standard library. Instants are integer
milliseconds, volumes mL and rates mL/h as exact fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

HOUR = 3_600_000
CAP = Fraction(150)  # mL/h, volume-based feeding (domain: Enteral practice)
BY_HAND = ("idle", "held", "off", "priming", "finished", "flushing")  # somebody is, or was, at the pump


class Told(Protocol):
    """What a snapshot says, as far as a plan is concerned."""

    @property
    def at(self) -> int:
        """The instant at which it acts."""

    @property
    def activity(self) -> str:
        """What the pump does."""

    @property
    def delivered(self) -> float | None:
        """The pump's counter."""

    @property
    def target(self) -> float | None:
        """The pump's own target."""

    @property
    def rate(self) -> float | None:
        """Its rate."""


class Feed(NamedTuple):
    """A plan: windows as minutes of the local day from and to, each with its own rate or None; the zone by name."""

    windows: tuple[tuple[int, int, float | None], ...]
    target: float | None = None
    rate: float | None = None
    highest: float | None = None
    glucose_risk: bool = False
    kind: str | None = None
    container_hung: int | None = None
    set_hung: int | None = None
    zone: str = "UTC"


@lru_cache(maxsize=100_000)
def instant(day: date, minute: int, zone: str) -> int:
    """A local time as an instant: a repeated one its first, a missing one by the offset before (RFC 5545 §3.3.5)."""
    # The standard library's fold=0 is just that (PEP 495).
    wall = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)) + timedelta(minutes=minute)
    return round(wall.timestamp() * 1000)


@lru_cache(maxsize=100_000)
def occurrences(feed: Feed, at: int) -> list[tuple[int, int, float | None]]:
    """All windows within two days of an instant: begin, end, and planned rate."""
    today = datetime.fromtimestamp(at // 1000, UTC).date()
    found = []
    for day in (today + timedelta(days=n) for n in (-2, -1, 0, 1, 2)):
        for begin, end, rate in feed.windows:
            until = end if end > begin else end + 24 * 60
            found.append(
                (
                    instant(day, begin, feed.zone),
                    instant(day, until, feed.zone),
                    rate if rate is not None else feed.rate,
                )
            )
    return found


def in_window(feed: Feed, at: int) -> bool:
    """Whether feed is planned at an instant: a window holds its begin and not its end."""
    return any(begin <= at < end for begin, end, _ in occurrences(feed, at))


@lru_cache(maxsize=100_000)
def first_minute(feed: Feed) -> int:
    """The minute of the local day that the longest pause without any window leads up to; of several the earliest."""
    planned = {
        minute % 1440
        for begin, end, _ in feed.windows
        for minute in range(begin, end if end > begin else end + 1440)
    }
    pauses = []
    for begin, _, _ in feed.windows:
        pause = 0
        while pause < 1440 and (begin - 1 - pause) % 1440 not in planned:
            pause += 1
        pauses.append((-pause, begin))
    return min(pauses)[1]


@lru_cache(maxsize=100_000)
def feeding_day(feed: Feed, at: int) -> tuple[int, int]:
    """Begin and end of the feeding day that holds an instant."""
    first = first_minute(feed)
    today = datetime.fromtimestamp(at // 1000, UTC).date()
    days = [today + timedelta(days=n) for n in (-3, -2, -1, 0, 1, 2)]
    begun = [day for day in days if instant(day, first, feed.zone) <= at]
    return instant(begun[-1], first, feed.zone), instant(begun[-1] + timedelta(days=1), first, feed.zone)


@lru_cache(maxsize=100_000)
def planned(feed: Feed, since: int, until: int) -> list[tuple[int, Fraction | None]]:
    """The planned pieces of [since, until), length and rate: of windows that overlap the one begun first counts."""
    windows = sorted(
        {window for day in (since, until) for window in occurrences(feed, day)}, key=lambda window: window[:2]
    )
    edges = sorted({since, until, *(t for window in windows for t in window[:2] if since < t < until)})
    found = []
    for begin, end in pairwise(edges):
        rates = [window[2] for window in windows if window[0] <= begin and end <= window[1]]
        if rates:
            found.append((end - begin, None if rates[0] is None else Fraction(rates[0])))
    return found


def target(feed: Feed, snap: Told) -> Fraction | None:
    """The volume that is wanted in a feeding day: the plan's, else the pump's own."""
    wanted = feed.target if feed.target is not None else snap.target
    return None if wanted is None else Fraction(wanted)


def by_rates(pieces: Sequence[tuple[int, Fraction | None]]) -> Fraction:
    """The volume that the rates of some pieces give."""
    return sum([Fraction(length, HOUR) * (rate or 0) for length, rate in pieces], Fraction(0))


def scheduled(feed: Feed, wanted: Fraction | None, at: int) -> Fraction | None:
    """What was to be given by an instant of its feeding day: by the planned rates, else evenly; no more than wanted."""
    begin, end = feeding_day(feed, at)
    whole, passed = planned(feed, begin, end), planned(feed, begin, at)
    if all(rate is not None for _, rate in whole):
        given = by_rates(passed)
        return given if wanted is None else min(given, wanted)
    if wanted is None:
        return None
    return wanted * sum(length for length, _ in passed) / sum(length for length, _ in whole)


def gains(snaps: Sequence[Told]) -> list[Fraction]:
    """What each snapshot's counter says was delivered since the one before; one that went back has begun at nought."""
    found = []
    before: Fraction | None = None
    for snap in snaps:
        if snap.delivered is None:
            found.append(Fraction(0))
            continue
        now = Fraction(snap.delivered)
        found.append(now if before is None or now < before else now - before)
        before = now
    return found


def unexplained(snaps: Sequence[Told]) -> list[bool]:
    """Which snapshots show a counter gone back with nobody at the pump, further than a new feed would explain."""
    found = [False] * len(snaps)
    for index in range(1, len(snaps)):
        snap, before = snaps[index], snaps[index - 1]
        shown = [s.delivered for s in snaps[:index] if s.delivered is not None]
        if snap.delivered is None or not shown or snap.delivered >= shown[-1]:
            continue
        most = max(Fraction(snap.rate or 0), CAP) * (snap.at - before.at) / HOUR
        by_hand = snap.activity in BY_HAND or before.activity in BY_HAND
        found[index] = not by_hand and Fraction(snap.delivered) > most
    return found


class Standing(NamedTuple):
    """What was given in the feeding day by a snapshot; `known` is False after a restart that nothing explains."""

    given: Fraction
    known: bool
    reached: bool


def standing(feed: Feed, snaps: Sequence[Told]) -> list[Standing]:
    """What was given and whether the target is reached, at each snapshot."""
    told, odd = gains(snaps), unexplained(snaps)
    first = next((i for i, snap in enumerate(snaps) if snap.delivered is not None), None)
    if first is not None:  # the counter as first seen: given today only if that can have been
        snap = snaps[first]
        most = max(Fraction(snap.rate or 0), CAP) * (snap.at - feeding_day(feed, snap.at)[0]) / HOUR
        if told[first] > most:
            told[first], odd[first] = Fraction(0), True
    found: list[Standing] = []
    for index, snap in enumerate(snaps):
        begin, _ = feeding_day(feed, snap.at)
        today = [i for i in range(index + 1) if snaps[i].at >= begin]
        given = Fraction(0)
        for i in today:
            given += told[i]
            wanted, own = target(feed, snaps[i]), snaps[i].delivered
            # Of a feed begun before the day the pump's own counter says more: it has given what was wanted.
            # Not if it was first seen with a volume that today cannot have given, and never seen to feed today.
            so_far = [j for j in today if j <= i]
            its_own = any(snaps[j].activity == "feeding" for j in so_far) or not any(odd[j] for j in so_far)
            says_so = snaps[i].activity == "finished" and its_own
            if says_so and wanted is not None and own is not None and own >= wanted:
                given = max(given, wanted) if in_window(feed, snaps[i].at) else given
        wanted = target(feed, snap)
        if wanted is not None:
            reached = given >= wanted
        else:  # with no target known, what was last so in this window stands until something feeds
            same = bool(found) and _window(feed, snaps[index - 1].at) == _window(feed, snap.at)
            stands = same and found[-1].reached and snap.activity != "feeding"
            reached = stands or snap.activity == "finished"
        known = not any(odd[i] for i in today) and any(s.delivered is not None for s in snaps[: index + 1])
        found.append(Standing(given, known, reached))
    return found


def _window(feed: Feed, at: int) -> int | None:
    """When the window that holds an instant began; of several the latest day's, and the first in the plan."""
    holding = [begin for begin, end, _ in occurrences(feed, at) if begin <= at < end]
    return max(holding, default=None)


def due(feed: Feed, snaps: Sequence[Told]) -> list[bool]:
    """Feed is due inside a window with the target not reached."""
    return [
        in_window(feed, snap.at) and not now.reached
        for snap, now in zip(snaps, standing(feed, snaps), strict=True)
    ]


def behind(feed: Feed, snaps: Sequence[Told]) -> list[bool]:
    """More than 10 % of the target or 100 mL short, or over 5 % no longer fit the windows that are left."""
    found = []
    for snap, now in zip(snaps, standing(feed, snaps), strict=True):
        wanted = target(feed, snap)
        begin, end = feeding_day(feed, snap.at)
        by_now = scheduled(feed, wanted, snap.at)
        whole = planned(feed, begin, end)
        if wanted is None and by_now is not None:  # then the rates tell
            wanted = by_rates(whole)
        short = None if by_now is None else by_now - now.given
        told = short is not None and (short > 100 or (bool(wanted) and short > (wanted or 0) / 10))
        if wanted is not None:
            left = sum(length for length, _ in planned(feed, snap.at, end))
            told = told or wanted - now.given - allowed(feed) * left / HOUR > wanted / 20
        found.append(told and now.known and in_window(feed, snap.at))
    return found


def allowed(feed: Feed) -> Fraction:
    """The highest rate that may be asked for: 150 mL/h, more if the plan itself gives more, less if it allows less."""
    planned_rates = [rate for rate in (feed.rate, *(rate for _, _, rate in feed.windows)) if rate is not None]
    most = max([CAP, *map(Fraction, planned_rates)])
    return most if feed.highest is None else min(most, Fraction(feed.highest))


def too_much(feed: Feed, snaps: Sequence[Told]) -> list[bool]:
    """More than 10 % over the target was given in the feeding day."""
    found = []
    for snap, now in zip(snaps, standing(feed, snaps), strict=True):
        wanted = target(feed, snap) or Fraction(0)
        found.append(now.known and wanted > 0 and now.given > wanted * 11 / 10)
    return found

"""Random stories of a pump with a feeding plan, and of batteries, biased to exact ties: nights of every kind."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from hypothesis import strategies as st

from tests.core import definition_feed as feeds
from tests.core.definition import HOUR, MINUTE, SECOND, Alarm, Snap
from tests.core.definition_feed import Feed
from tests.core.traces import START, Story, line, message

NIGHTS = (  # the evening on which the story begins, and where
    (date(2026, 3, 14), "UTC"),
    (date(2026, 3, 28), "Europe/London"),  # the clock goes forward that night
    (date(2026, 10, 24), "Europe/London"),  # and back
    (date(2026, 10, 3), "Australia/Lord_Howe"),  # by half an hour
    (date(2026, 6, 1), "Asia/Kolkata"),
)
WINDOWS = (
    ((20 * 60, 6 * 60),),  # over midnight
    ((19 * 60, 1 * 60), (2 * 60, 7 * 60)),  # a pause in the night, and maybe in the missing hour
    ((18 * 60, 20 * 60), (22 * 60, 23 * 60), (90, 150)),
    ((7 * 60, 8 * 60), (12 * 60, 13 * 60), (18 * 60, 19 * 60)),  # meals
    ((8 * 60, 8 * 60),),  # always
    ((20 * 60, 2 * 60), (60, 6 * 60)),  # overlapping
)
RATES = (None, 60.0, 90.0, 120.0, 180.0)
WAITS = (
    SECOND, 30 * SECOND, MINUTE, 2 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 2 * HOUR, 4 * HOUR, 9 * HOUR
)  # fmt: skip
DOES = (
    "feeding",
    "feeding",
    "feeding",
    "held",
    "stopped",
    "flushing",
    "priming",
    "idle",
    "finished",
    "off",
    "unknown",
)
NUDGES = (0, 0, 0, 0, -1, 1)
SHORT = (Fraction(100), Fraction(100), Fraction(0), Fraction(201, 2), Fraction(199, 2))  # mL behind


@st.composite
def feeding_plans(draw: st.DrawFn, day: date, zone: str) -> Feed:
    """A plan, with rates for all windows, for some or for none; hung at times that run out in the story or not."""
    windows = draw(st.sampled_from(WINDOWS))
    by_window = draw(st.booleans())
    hung = feeds.instant(day, 18 * 60, zone) - 1 * HOUR
    return Feed(
        windows=tuple((*window, draw(st.sampled_from(RATES)) if by_window else None) for window in windows),
        target=draw(st.sampled_from((None, 500.0, 880.0, 1000.0, 1000.0, 250.0))),
        rate=draw(st.sampled_from(RATES)),
        highest=draw(st.sampled_from((None, 60.0, 120.0, 200.0))),
        glucose_risk=draw(st.booleans()),
        kind=draw(st.sampled_from((None, "powder", "infant", "decanted", "closed", "made-up"))),
        container_hung=draw(st.sampled_from((None, hung, hung - 4 * HOUR, hung - 20 * HOUR))),
        set_hung=draw(st.sampled_from((None, hung, hung - 22 * HOUR))),
        zone=zone,
    )


@st.composite
def plan_stories(draw: st.DrawFn, most: int = 12) -> Story:
    """A pump over a day or two of its plan: at windows' edges, at exact shortfalls, with counters that restart."""
    day, zone = draw(st.sampled_from(NIGHTS))
    feed = draw(feeding_plans(day, zone))
    story = Story(feed=feed)
    time = feeds.instant(day, 19 * 60, zone)
    edges = sorted({edge for window in feeds.occurrences(feed, time) for edge in window[:2] if edge > time})
    limits = sorted({n * HOUR for n in (4, 8, 24)})
    hung = [t for t in (feed.container_hung, feed.set_hung) if t is not None]
    edges = sorted({*edges, *(t + limit for t in hung for limit in limits if t + limit > time)})
    time += draw(st.sampled_from((0, 30 * MINUTE, HOUR, 13 * HOUR)))
    for number in range(1, draw(st.integers(1, most)) + 1):
        if number > 1:
            time = _after(draw, [snap.at for snap in story.snaps], edges)
        state = Snap(
            time,
            activity=draw(st.sampled_from(DOES)),
            target=draw(st.sampled_from((None, None, 500.0))),
            rate=draw(st.sampled_from((None, 60.0, 120.0, 120.5, 200.0))),
            low=draw(st.sampled_from((None, None, None, True))),
        )
        state = state._replace(delivered=_counter(draw, feed, [*story.snaps, state]))
        story.snaps.append(state)
        story.lines.append(line(message(state, sequence=number), time))
    story.until = _after(draw, [snap.at for snap in story.snaps], edges)
    return story


def _after(draw: st.DrawFn, before: Sequence[int], edges: Sequence[int]) -> int:
    """An instant after all of these: the next edges of windows and hang times, or a wait after an earlier one."""
    coming = [edge for edge in edges if edge > before[-1]][:3]
    if coming and draw(st.integers(0, 3)) == 0:
        found = draw(st.sampled_from(coming)) + draw(st.sampled_from((0, 0, -1, 1)))
    else:
        found = (
            draw(st.sampled_from(before[-4:])) + draw(st.sampled_from(WAITS)) + draw(st.sampled_from(NUDGES))
        )
    while found <= before[-1]:
        found += draw(st.sampled_from((1, MINUTE, 10 * MINUTE)))
    return found


def _counter(draw: st.DrawFn, feed: Feed, snaps: Sequence[Snap]) -> float | None:
    """What the pump's counter shows: mostly what makes an exact tie with a limit, if it can; at times it restarts."""
    snap, shown = snaps[-1], [s.delivered for s in snaps[:-1] if s.delivered is not None]
    last = Fraction(shown[-1]) if shown else Fraction(0)
    if not shown and draw(st.integers(0, 2)):  # else most that is first seen could not be of this day
        since = snap.at - feeds.feeding_day(feed, snap.at)[0]
        today = max(Fraction(snap.rate or 0), Fraction(150)) * since / HOUR
        return float(draw(st.sampled_from((0, 0, today // 1, today // 1 + 1))))
    what = draw(st.sampled_from(("tie", "tie", "tie", "more", "same", "restart", "none")))
    if what == "none":
        return None
    if what == "restart" and shown:
        most = Fraction(150) * (snap.at - snaps[-2].at) / HOUR  # what a new feed explains
        return _exact(draw(st.sampled_from((Fraction(0), most, most / 2, most + Fraction(1, 2), last - 1))))
    if what == "tie":
        wanted = feeds.target(feed, snap)
        by_now = feeds.scheduled(feed, wanted, snap.at)
        ties = [] if by_now is None else [by_now - short for short in SHORT]
        if wanted is not None:
            _, end = feeds.feeding_day(feed, snap.at)
            left = sum(length for length, _ in feeds.planned(feed, snap.at, end))
            rest = feeds.allowed(feed) * left / HOUR
            ties += [wanted, wanted * Fraction(11, 10), wanted * Fraction(11, 10) + 1, wanted - rest]
            if by_now is not None:
                ties += [by_now - wanted / 10, by_now - wanted / 10 - 1]
        given = feeds.standing(feed, [*snaps[:-1], snap._replace(delivered=None)])[-1].given
        ways = [last + tie - given for tie in ties if tie >= given]
        if ways:
            return _exact(draw(st.sampled_from(ways)))
    return float(last) + (draw(st.sampled_from((0.5, 10, 60, 300, 1000))) if what != "same" else 0)


def _exact(volume: Fraction) -> float:
    """The volume, rounded up to a 1024th of a mL: so that sums of them are exact as floating-point numbers too."""
    found = max(Fraction(0), Fraction(-(-volume.numerator * 1024 // volume.denominator), 1024))
    return float(min(found, Fraction(9_000)))


@st.composite
def battery_stories(draw: st.DrawFn, most: int = 24) -> Story:
    """Stretches on and off the mains: straight falls to exact limits of 20 and 25 min, 2 points, 10 and 30 min left."""
    story = Story()
    mains: bool | None = draw(st.booleans())
    percent = draw(st.sampled_from((100, 68, 64, 40, 36, 34, 34, 33, 32.5, 30, 28, 14)))
    noise = draw(st.sampled_from(((0,), (0,), (0, 0, 0, 0, 0.5, -0.5))))
    step, fall = MINUTE, 0.0
    time = START
    for number in range(1, draw(st.integers(1, most)) + 1):
        if number > 1:
            time += step
        state = Snap(
            time, activity="feeding", mains=mains, percent=percent, low=draw(st.sampled_from((None, False)))
        )
        if draw(st.integers(0, 15)) == 0 and mains is not True:
            state = state._replace(percent=None)
        if draw(st.integers(0, 19)) == 0:
            state = state._replace(alarms=(Alarm("battery-depleted", "", "low", "enabled", time),))
        story.snaps.append(state)
        story.lines.append(line(message(state, sequence=number), time))
        if draw(st.integers(0, 19)) == 0:
            mains = draw(st.sampled_from((True, False, None)))
        if number == 1 or draw(st.integers(0, 5)) == 0:
            fall = draw(st.sampled_from((0, 0.25, 0.5, 1, 1, 2, 3, 0.7, -1)))
        if fall:  # on the mains reports of one percentage count as evenly spread: their step must stay
            step = draw(st.sampled_from((step, step, MINUTE, 2 * MINUTE, 4 * MINUTE, 5 * MINUTE)))
            step += draw(st.sampled_from((0, 0, 0, 0, 0, 0, 1, -1)))
        percent = min(100, max(0, round(percent - fall + draw(st.sampled_from(noise)) * bool(fall), 2)))
    story.until = time + draw(st.sampled_from((0, MINUTE, 2 * MINUTE)))
    return story


@st.composite
def hang_stories(draw: st.DrawFn) -> Story:
    """Feed of each kind, and giving sets, seen at exactly their limits, a millisecond before and after."""
    hung = START - draw(st.sampled_from((0, 3 * HOUR, 5 * HOUR)))
    feed = Feed(
        windows=((0, 0, None),),
        kind=draw(st.sampled_from((None, "powder", "infant", "decanted", "closed", "made-up"))),
        container_hung=draw(st.sampled_from((None, hung, hung, hung))),
        set_hung=draw(st.sampled_from((None, hung, hung - HOUR))),
    )
    limits = [
        t + n * HOUR for t in (feed.container_hung, feed.set_hung) if t is not None for n in (4, 8, 12, 24)
    ]
    times = draw(
        st.sets(st.sampled_from([t + off for t in limits or [hung] for off in (-1, 0, 1)]), max_size=5)
    )
    story = Story(feed=feed)
    for number, time in enumerate(sorted({START, *(time for time in times if time > START)}), 1):
        story.snaps.append(Snap(time, delivered=0))
        story.lines.append(line(message(story.snaps[-1], sequence=number), time))
    story.until = story.snaps[-1].at + MINUTE
    return story

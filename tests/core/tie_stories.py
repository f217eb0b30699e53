"""Stories told by hand, each about one exact tie of a shipped rule: at it, and a millisecond before and after."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from tests.core.definition import HOUR, MINUTE, SECOND, Alarm, Snap
from tests.core.definition_feed import Feed, instant
from tests.core.traces import START, Story, line, message

EVENING = instant(date(2026, 6, 1), 20 * 60, "UTC")
NIGHT = ((20 * 60, 6 * 60, None),)
OFF = (-1, 0, 1)


def story(
    *steps: tuple[int, dict[str, Any]], feed: Feed | None = None, start: int = EVENING, last: int = HOUR
) -> Story:
    """What a pump says at offsets from the start; what it does not say stays as it was."""
    found = Story(feed=feed, until=start + steps[-1][0] + last)
    state = Snap(start)
    for number, (at, said) in enumerate(steps, 1):
        state = state._replace(at=start + at, **said)
        found.snaps.append(state)
        found.lines.append(line(message(state, sequence=number), state.at))
    return found


def says(activity: str = "feeding", **said: Any) -> dict[str, Any]:
    """What a snapshot says."""
    return {"activity": activity, **said}


def plan_ties() -> Iterator[Story]:
    """Stops, shortfalls, rates and windows at their limits."""
    risk = Feed(NIGHT, target=1000.0, rate=100.0, glucose_risk=True)
    fast = Feed(NIGHT, target=1000.0, rate=100.0, highest=120.0)
    for off in OFF:
        yield story((0, says()), (5 * MINUTE, says("held")), (20 * MINUTE + off, says()), feed=risk)
        yield story(
            (0, says()),
            (5 * MINUTE, says("held")),
            (10 * MINUTE, says()),
            (12 * MINUTE + off, says("held")),
            feed=risk,
        )
        yield story(
            (0, says(rate=120.0)), (MINUTE, says(rate=120.5)), (2 * MINUTE + off, says(rate=120.0)), feed=fast
        )
        yield story(
            (0, says(rate=100.0)),
            (MINUTE, says("flushing", rate=300.0)),
            (10 * MINUTE, says(rate=100.0)),
            feed=fast,
        )
        over = 10 * HOUR + 30 * MINUTE + off
        yield story((0, says()), (10 * HOUR, says()), (over, says("idle")), feed=fast)
        yield story(
            (10 * HOUR, says()),
            (10 * HOUR + 5 * MINUTE, says("held")),
            (10 * HOUR + 6 * MINUTE + off, says()),
            feed=fast,
        )
        yield story((10 * HOUR + off, says("idle", delivered=0)), feed=risk)
        yield story((off, says("idle", delivered=0)), feed=risk)
    yield from shortfalls()


def shortfalls() -> Iterator[Story]:
    """What is missing at exactly a limit, half a mL and a quarter either way; on nights when the clock changes too."""
    by_rate = Feed(NIGHT, rate=120.0)
    small = Feed(NIGHT, target=500.0, rate=100.0)
    for off in (-0.5, -0.25, 0, 0.25, 0.5, 1):
        yield story((0, says(delivered=0)), (HOUR, says(delivered=20 - off)), feed=by_rate)
        yield story((0, says(delivered=0)), (HOUR, says(delivered=50 - off)), feed=small)
        yield story((0, says(delivered=0)), (9 * HOUR, says(delivered=550 + off)), feed=small)
        # The pump's own target, as the plan names none.
        own = Feed(NIGHT, rate=50.0)
        yield story((0, says(delivered=0, target=500)), (9 * HOUR, says(delivered=550 + off)), feed=own)
        # At 60 mL/h at most the last two hours hold 120 mL.
        slow = Feed(NIGHT, target=500.0, rate=50.0, highest=60.0)
        yield story((0, says(delivered=0)), (8 * HOUR, says(delivered=380 - off)), feed=slow)
        for day, hours in ((date(2026, 3, 28), 9), (date(2026, 10, 24), 11)):
            even = Feed(NIGHT, target=200.0 * hours, zone="Europe/London")
            start = instant(day, 20 * 60, "Europe/London")
            yield story((0, says(delivered=0)), (3 * HOUR, says(delivered=500 - off)), feed=even, start=start)
            yield story(
                (0, says(delivered=0)), (6 * HOUR, says(delivered=1100 - off)), feed=even, start=start
            )
        # What is first seen 2 h after the day began, at 150 mL/h or the pump's own rate.
        for rate, most in ((None, 300), (180.0, 360)):
            first = (2 * HOUR, says(delivered=most + off, rate=rate))
            yield story(first, (5 * HOUR, says(delivered=most + 150)), feed=by_rate)
    again = [(30 * MINUTE, says("finished", delivered=1000)), (50 * MINUTE, says("off"))]
    yield story(*again, feed=Feed(NIGHT, target=1000.0))  # yesterday's, of another person perhaps
    cleared = [
        (0, says(delivered=0)),
        (HOUR, says("held", delivered=90)),
        (HOUR + MINUTE, says(delivered=30)),
    ]
    yield story(*cleared, (3 * HOUR, says(delivered=40)), feed=by_rate)
    odd = [(0, says(delivered=0)), (HOUR, says(delivered=90)), (HOUR + MINUTE, says(delivered=30))]
    yield story(*odd, (26 * HOUR, says("idle")), feed=by_rate)  # known again in the next night
    yield story(*odd, (5 * HOUR, says(delivered=700)), feed=small)
    for restart in (2.5, 2.75):  # what a new feed explains in a minute, and more
        yield story(
            (0, says(delivered=0)), (HOUR, says(delivered=90)), (HOUR + MINUTE, says(delivered=restart)),
            (3 * HOUR, says(delivered=10)), feed=by_rate,
        )  # fmt: skip


def hang_ties() -> Iterator[Story]:
    """Each kind of feed, and a giving set, at the end of its time."""
    limits = {"powder": 4, "infant": 4, "decanted": 8, "closed": 24, "made-up": 24}
    for off in OFF:
        for kind, hours in limits.items():
            feed = Feed(((0, 0, None),), kind=kind, container_hung=EVENING)
            yield story((0, says()), (hours * HOUR + off, says()), feed=feed)
        yield story((0, says()), (24 * HOUR + off, says()), feed=Feed(((0, 0, None),), set_hung=EVENING))


def chatter_ties() -> Iterator[Story]:
    """The third onset a minute after the first; quiet for five minutes; lines and conditions apart."""
    for off in OFF:
        for condition, line_ in (("occlusion", ""), ("occlusion", "flush"), ("set-misloaded", "")):

            def rings(
                at: int, low: str = "low", key: tuple[str, str] = (condition, line_)
            ) -> tuple[int, dict[str, Any]]:
                return at, says("stopped", alarms=(Alarm(*key, low, "enabled", START + at),))

            quiet = says(alarms=())
            yield story(
                rings(0), (SECOND, quiet), rings(30 * SECOND), rings(MINUTE + off), (MINUTE + SECOND, quiet),
                rings(6 * MINUTE + 2 * off), (6 * MINUTE + SECOND, quiet), start=START,
            )  # fmt: skip
        both = (
            Alarm("occlusion", "", "medium", "enabled", START),
            Alarm("occlusion", "flush", "medium", "enabled", START),
        )
        later = (both[0]._replace(since=START + 9), both[1])
        yield story((0, says(alarms=both)), (9, says(alarms=later)), start=START)


def battery_ties() -> Iterator[Story]:
    """Half an hour and ten minutes left, to the minute; five reports; 25 min; two points; 20 min on the mains."""
    for first, fall in ((34, 1.0), (14, 1.0), (68, 2.0), (28, 2.0), (40, 0.5), (33, 0.75)):
        for count in (4, 5, 9):
            steps = [
                (n * MINUTE, says(mains=False, percent=first - n * fall))
                for n in range(min(count, int(first / fall)))
            ]
            yield story(*steps, last=3 * MINUTE)
    for off in OFF:
        wild = [(n * MINUTE, says(mains=False, percent=60 - 3 * n)) for n in range(3)]
        later = [(25 * MINUTE + off + n * MINUTE, says(mains=False, percent=40 - n)) for n in range(4)]
        yield story(*wild, *later, last=3 * MINUTE)
        for fall in (1.9, 2.0, 2.1):
            steps = [(n * 5 * MINUTE, says(mains=True, percent=60 - n * fall / 4)) for n in range(4)]
            yield story(*steps, (20 * MINUTE + off, says(mains=True, percent=60 - fall)), last=MINUTE)


TIES = {"plan": plan_ties, "hung": hang_ties, "chatter": chatter_ties, "battery": battery_ties}

"""The rule semantics once more, straight from the design's text and deliberately simple: whole traces, no memory.

Nothing of the product is imported: patterns, derived signals and the shipped rules, with the limits of the design's
table, are written out again as functions of a whole trace (feeding plans in `definition_feed`, batteries in
`definition_battery`). Instants and durations are integer milliseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from tests.core import definition_battery, definition_feed
from tests.core.definition_feed import Feed

SECOND = 1_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE

RANK = {"low": 1, "medium": 2, "high": 3}
NAME = {1: "low", 2: "medium", 3: "high"}
SILENCED = ("audio-paused", "audio-off", "alarm-paused", "alarm-off")
OCCLUSIONS = ("occlusion", "upstream-occlusion", "downstream-occlusion")


class Alarm(NamedTuple):
    """One active alarm condition of a snapshot."""

    condition: str
    line: str
    priority: str
    inactivation: str
    since: int


class Snap(NamedTuple):
    """One snapshot, at the instant at which it acts."""

    at: int
    activity: str = "feeding"
    alarms: tuple[Alarm, ...] = ()
    mains: bool | None = None
    percent: float | None = None
    low: bool | None = None
    delivered: float | None = None
    target: float | None = None
    rate: float | None = None


class Span(NamedTuple):
    """Holds from `begin` until `end`, which is no longer part of it; None: as far as the trace tells."""

    begin: int
    end: int | None

    def covers(self, at: int) -> bool:
        """Whether it holds at this instant."""
        return self.begin <= at and (self.end is None or at < self.end)


class Memory(NamedTuple):
    """When one memory of a rule holds, and with which rank at an instant."""

    spans: list[Span]
    rank: Callable[[int], int]


Samples = Sequence[tuple[int, bool]]  # what each snapshot says, in order of time


def true_spans(samples: Samples) -> list[Span]:
    """Where a right-continuous condition is true."""
    spans: list[Span] = []
    begin: int | None = None
    for at, value in samples:
        if value and begin is None:
            begin = at
        elif not value and begin is not None:
            spans.append(Span(begin, at))
            begin = None
    return [*spans, Span(begin, None)] if begin is not None else spans


def lasting(samples: Samples, hold_for: int, bridging: int) -> list[Span]:
    """Runs through gaps shorter than G; holds from the first true instant at least T after the run's start."""
    runs: list[list[Span]] = []
    for span in true_spans(samples):
        before = runs[-1][-1].end if runs else None
        if before is not None and span.begin - before < bridging:
            runs[-1].append(span)
        else:
            runs.append([span])
    found = []
    for run in runs:
        ripe = run[0].begin + hold_for
        true_then = [max(span.begin, ripe) for span in run if span.end is None or span.end > ripe]
        if true_then:
            last = run[-1].end
            found.append(Span(true_then[0], None if last is None else last + bridging))
    return found


def recurring(onsets: Sequence[int], active: Samples, times: int, within: int, quiet: int) -> list[Span]:
    """Begins at an onset when N lie in (t - W, t]; ends when none is active and none lies in (t - Q, t]."""
    found: list[Span] = []
    begin: int | None = None
    looks = {*onsets, *(onset + quiet for onset in onsets), *(at for at, _ in active)}
    for t in sorted(looks):
        shown = [value for at, value in active if at <= t]
        recent = [onset for onset in onsets if t - quiet < onset <= t]
        if begin is None:
            if t in onsets and len([onset for onset in onsets if t - within < onset <= t]) >= times:
                begin = t
        elif not recent and not (shown and shown[-1]):
            found.append(Span(begin, t))
            begin = None
    return [*found, Span(begin, None)] if begin is not None else found


def silent(messages: Samples, silent_for: int) -> list[Span]:
    """From a message that says "watch me" + T until the next message, if that is later."""
    found = []
    for index, (at, watched) in enumerate(messages):
        following = messages[index + 1][0] if index + 1 < len(messages) else None
        if watched and (following is None or following > at + silent_for):
            found.append(Span(at + silent_for, following))
    return found


def delivering(snaps: Sequence[Snap]) -> list[bool]:
    """True at `feeding`; `flushing` and `priming` leave it as it was; all else is false."""
    found = []
    for index in range(len(snaps)):
        telling = [s.activity for s in snaps[: index + 1] if s.activity not in ("flushing", "priming")]
        found.append(bool(telling) and telling[-1] == "feeding")
    return found


def feed_due(snaps: Sequence[Snap], feed: Feed | None = None) -> list[bool]:
    """By the plan; without: from the newest `feeding` snapshot on, unless something since (it included) ended it."""
    if feed is not None and feed.windows:
        return definition_feed.due(feed, snaps)
    found = []
    for index in range(len(snaps)):
        fed = [i for i in range(index + 1) if snaps[i].activity == "feeding"]
        found.append(
            bool(fed) and not any(_ends_feed(snap, snaps[fed[-1]]) for snap in snaps[fed[-1] : index + 1])
        )
    return found


def _ends_feed(snap: Snap, fed: Snap) -> bool:
    reached = snap.target is not None and snap.delivered is not None and snap.delivered >= snap.target
    return reached or snap.activity == "finished" or snap.at - fed.at > 4 * HOUR


def onsets(snaps: Sequence[Snap], kinds: Sequence[str]) -> list[int]:
    """When an alarm condition was first seen, or seen with a later `since` than any before."""
    found = []
    for index, snap in enumerate(snaps):
        for alarm in snap.alarms:
            before = [
                old.since
                for earlier in snaps[:index]
                for old in earlier.alarms
                if (old.condition, old.line) == (alarm.condition, alarm.line)
            ]
            if alarm.condition in kinds and (not before or alarm.since > max(before)):
                found.append(snap.at)
    return found


def _each_alarm(
    snaps: Sequence[Snap], wanted: Callable[[Alarm], bool], hold_for: int, bridging: int
) -> list[Memory]:
    """One memory for each (condition, line); its rank is that of the alarm when it was last as wanted."""
    memories = []
    for key in {(alarm.condition, alarm.line) for snap in snaps for alarm in snap.alarms}:
        shown = [
            (snap.at, [a for a in snap.alarms if (a.condition, a.line) == key and wanted(a)])
            for snap in snaps
        ]

        def rank(t: int, shown: list[tuple[int, list[Alarm]]] = shown) -> int:
            return RANK[[alarms[0].priority for at, alarms in shown if at <= t and alarms][-1]]

        memories.append(
            Memory(lasting([(at, bool(alarms)) for at, alarms in shown], hold_for, bridging), rank)
        )
    return memories


def _fixed(spans: list[Span], priority: str) -> Memory:
    return Memory(spans, lambda _: RANK[priority])


def _muted_too_long(snaps: Sequence[Snap]) -> list[Memory]:
    def silenced(alarm: Alarm) -> bool:
        return alarm.priority in ("medium", "high") and alarm.inactivation in SILENCED

    return [
        *_each_alarm(snaps, silenced, 4 * MINUTE, 30 * SECOND),
        *_each_alarm(snaps, lambda a: silenced(a) and a.priority == "high", 2 * MINUTE, 30 * SECOND),
    ]


def _unattended(snaps: Sequence[Snap]) -> list[Memory]:
    def sounding(alarm: Alarm) -> bool:
        return alarm.priority in ("medium", "high") and alarm.inactivation == "enabled"

    return [
        *_each_alarm(snaps, sounding, 5 * MINUTE, 0),
        *_each_alarm(snaps, lambda a: sounding(a) and a.priority == "high", 2 * MINUTE, 0),
    ]


def _standing_alarm(snaps: Sequence[Snap]) -> list[Memory]:
    return [
        *_each_alarm(snaps, lambda a: a.priority in ("medium", "high"), 10 * MINUTE, 60 * SECOND),
        *_each_alarm(snaps, lambda a: a.priority == "high", 5 * MINUTE, 60 * SECOND),
    ]


def _repeated_occlusion(snaps: Sequence[Snap]) -> list[Memory]:
    active = [(s.at, any(alarm.condition in OCCLUSIONS for alarm in s.alarms)) for s in snaps]
    return [_fixed(recurring(onsets(snaps, OCCLUSIONS), active, 3, HOUR, 30 * MINUTE), "medium")]


def _low_power_unplugged(snaps: Sequence[Snap]) -> list[Memory]:
    low, very_low = [], []
    for index, s in enumerate(snaps):
        under = [limit for limit in (5, 20) if s.percent is not None and s.percent < limit]
        depleted = any(alarm.condition == "battery-depleted" for alarm in s.alarms)
        left = definition_battery.minutes_left(snaps[: index + 1])
        low.append(
            (s.at, s.mains is False and (s.low is True or 20 in under or (left is not None and left < 30)))
        )
        soon = left is not None and left < 10
        very_low.append((s.at, s.mains is False and (5 in under or soon or depleted)))
    return [_fixed(lasting(low, MINUTE, 0), "medium"), _fixed(lasting(very_low, MINUTE, 0), "high")]


def _idle(snaps: Sequence[Snap], feed: Feed | None) -> list[tuple[int, bool]]:
    due, fed = feed_due(snaps, feed), delivering(snaps)
    return [(s.at, due[index] and not fed[index]) for index, s in enumerate(snaps)]


def _idle_past_limit(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    return [_fixed(lasting(_idle(snaps, feed), 10 * MINUTE, 60 * SECOND), "medium")]


def _stopped_at_glucose_risk(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    if feed is None or not feed.glucose_risk:
        return []
    return [_fixed(lasting(_idle(snaps, feed), 15 * MINUTE, 2 * MINUTE), "high")]


def _chattering(snaps: Sequence[Snap]) -> list[Memory]:
    memories = []
    for key in {(alarm.condition, alarm.line) for snap in snaps for alarm in snap.alarms}:
        alone = [
            snap._replace(alarms=tuple(a for a in snap.alarms if (a.condition, a.line) == key))
            for snap in snaps
        ]
        active = [(snap.at, bool(snap.alarms)) for snap in alone]
        memories.append(_fixed(recurring(onsets(alone, key[:1]), active, 3, MINUTE, 5 * MINUTE), "low"))
    return memories


def _not_charging(snaps: Sequence[Snap]) -> list[Memory]:
    losing = [
        (snap.at, definition_battery.losing_charge(snaps[: index + 1])) for index, snap in enumerate(snaps)
    ]
    return [_fixed(lasting(losing, 0, 0), "low")]


def _behind_plan(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    if feed is None or not feed.windows:
        return []
    behind = definition_feed.behind(feed, snaps)
    return [_fixed(lasting([(s.at, told) for s, told in zip(snaps, behind, strict=True)], 0, 0), "low")]


def _over_plan(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    if feed is None or not feed.windows:
        return []
    fast = [
        (
            s.at,
            s.activity == "feeding"
            and None not in (s.rate, feed.highest)
            and (s.rate or 0) > (feed.highest or 0),
        )
        for s in snaps
    ]
    fed, much = delivering(snaps), definition_feed.too_much(feed, snaps)
    over = [(s.at, fed[index] and much[index]) for index, s in enumerate(snaps)]
    past = [(s.at, fed[index] and not definition_feed.in_window(feed, s.at)) for index, s in enumerate(snaps)]
    return [
        _fixed(lasting(fast, MINUTE, 0), "high"),
        _fixed(lasting(over, 0, 0), "medium"),
        _fixed(lasting(past, 30 * MINUTE, 60 * SECOND), "medium"),
    ]


def _hung_too_long(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    if feed is None:
        return []
    hours = {"powder": 4, "infant": 4, "decanted": 8, "closed": 24}.get(feed.kind or "")
    hung = []
    for s in snaps:
        old = (
            hours is not None
            and feed.container_hung is not None
            and s.at - feed.container_hung > hours * HOUR
        )
        hung.append((s.at, old or (feed.set_hung is not None and s.at - feed.set_hung > 24 * HOUR)))
    return [_fixed(lasting(hung, 0, 0), "low")]


def _out_of_sight(snaps: Sequence[Snap], feed: Feed | None) -> list[Memory]:
    watched, urgent = [], []
    at_risk = feed is not None and feed.glucose_risk
    for s, due in zip(snaps, feed_due(snaps, feed), strict=True):
        watch = s.activity != "off" and (due or bool(s.alarms))
        watched.append((s.at, watch))
        urgent.append((s.at, watch and (s.low is True or (at_risk and due))))
    return [_fixed(silent(watched, 3 * MINUTE), "medium"), _fixed(silent(urgent, 3 * MINUTE), "high")]


RULES: dict[str, Callable[[Sequence[Snap]], list[Memory]]] = {
    "chattering": _chattering,
    "not-charging": _not_charging,
    "muted-too-long": _muted_too_long,
    "unattended": _unattended,
    "standing-alarm": _standing_alarm,
    "repeated-occlusion": _repeated_occlusion,
    "low-power-unplugged": _low_power_unplugged,
}
PLAN_RULES: dict[str, Callable[[Sequence[Snap], Feed | None], list[Memory]]] = {
    "idle-past-limit": _idle_past_limit,
    "out-of-sight": _out_of_sight,
    "stopped-at-glucose-risk": _stopped_at_glucose_risk,
    "behind-plan": _behind_plan,
    "over-plan": _over_plan,
    "hung-too-long": _hung_too_long,
}

Event = tuple[int, str, str, str]  # instant, what, rule, priority


def told(rule: str, snaps: Sequence[Snap], until: int, feed: Feed | None = None) -> list[Event]:
    """What a rule tells up to and including `until`: it holds while any of its memories does, and never falls."""
    memories = RULES[rule](snaps) if rule in RULES else PLAN_RULES[rule](snaps, feed)
    bounds = {t for memory in memories for span in memory.spans for t in span if t is not None}
    found: list[Event] = []
    top = 0
    for t in sorted(bounds | {snap.at for snap in snaps}):
        if t > until:
            break
        ranks = [m.rank(t) for m in memories if any(span.covers(t) for span in m.spans)]
        highest = max(ranks, default=0)
        if highest > top:
            found.append((t, "priority-raised" if top else "holds", rule, NAME[highest]))
            top = highest
        elif top and not highest:
            found.append((t, "ends", rule, NAME[top]))
            top = 0
    return found

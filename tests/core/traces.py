"""Traces for the tests: device-state messages as JSON lines, and random ones biased to exact ties."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from hypothesis import strategies as st

from monitor.adapters.zones import zone_table
from monitor.core.instants import show
from monitor.core.messages import Plan, Window
from monitor.core.rulebook import Rule
from monitor.core.site import DeviceEntry
from monitor.replay import Line, replay, trace_site
from tests.core.definition import HOUR, MINUTE, SECOND, Alarm, Event, Snap
from tests.core.definition_feed import Feed

START = 1_800_000_000_000  # any instant

# The limits of the shipped rules that matter to each kind of story: T, G, W and Q.
LIMITS = {
    "sound": (30 * SECOND, MINUTE, 2 * MINUTE, 4 * MINUTE, 5 * MINUTE, 10 * MINUTE),
    "chatter": (10 * SECOND, 20 * SECOND, 30 * SECOND, 40 * SECOND, MINUTE, 5 * MINUTE),
    "onsets": (MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR),
    "feed": (MINUTE, 2 * MINUTE, 3 * MINUTE, 10 * MINUTE, 15 * MINUTE, 4 * HOUR),
    "power": (30 * SECOND, MINUTE, 3 * MINUTE),
}


def message(
    snap: Snap, *, time: int | None = None, sequence: int = 0, device: str = "pump-1", **more: Any
) -> dict[str, Any]:
    """A device-state message; `time` is its own time where that is not the instant at which it acts."""
    alarms = []
    for alarm in snap.alarms:
        shown = {
            "condition": alarm.condition,
            "priority": alarm.priority,
            "since": show(alarm.since),
            "inactivation": alarm.inactivation,
        }
        alarms.append({**shown, "line": alarm.line} if alarm.line else shown)
    data: dict[str, Any] = {"sequence": sequence, "activity": snap.activity, "alarms": alarms}
    power = {"mains": snap.mains, "battery_percent": snap.percent, "battery_low": snap.low}
    delivery = {"rate_ml_h": snap.rate, "delivered_ml": snap.delivered, "target_ml": snap.target}
    for name, part in (("power", power), ("delivery", delivery)):
        if said := {key: value for key, value in part.items() if value is not None}:
            data[name] = said
    event = {
        "specversion": "1.0",
        "id": f"{device}-{sequence}",
        "source": "urn:bridge:north-7",
        "type": "secondbell.device-state.v1",
        "subject": device,
        "time": show(snap.at if time is None else time),
        "datacontenttype": "application/json",
        "data": data,
    }
    return {**event, **more}


def line(found: dict[str, Any], received: int, topic: str = "") -> Line:
    """A line of a trace, as `read_traces` gives it."""
    return Line(received, topic, json.dumps(found).encode())


def plain(snaps: Iterable[Snap], device: str = "pump-1") -> list[Line]:
    """The trace of one device that tells each snapshot at its own time."""
    return [
        line(message(snap, sequence=number, device=device), snap.at) for number, snap in enumerate(snaps, 1)
    ]


def plan_of(feed: Feed) -> Plan:
    """A plan as the product takes it."""
    windows = tuple(Window(begin, end, rate) for begin, end, rate in feed.windows)
    hung = (feed.kind, feed.container_hung, feed.set_hung)
    return Plan(windows, feed.target, feed.rate, feed.highest, None, feed.glucose_risk, *hung)


def rules_told(
    lines: Sequence[Line], rules: Iterable[Rule], until: int | None = None, feed: Feed | None = None
) -> list[Event]:
    """What `replay --only-rules` tells of one device: instant, event, rule, priority; in order."""
    site = trace_site(rules)
    if feed is not None:
        entry = DeviceEntry(id="pump-1", unit=site.units[0], plan=plan_of(feed))
        site = replace(site, devices={"pump-1": entry}, zone=zone_table(feed.zone), zone_name=feed.zone)
    happened = replay(lines, site, until=until, only_rules=True, known=True)
    return sorted((h.at, h.event, h.rule or "", h.priority or "") for h in happened)


@dataclass
class Story:
    """A random trace: its lines, its snapshots at the instants at which they act, and its end."""

    lines: list[Line] = field(default_factory=list)
    snaps: list[Snap] = field(default_factory=list)
    until: int = START
    feed: Feed | None = None


@st.composite
def stories(draw: st.DrawFn, about: str, most: int = 14) -> Story:
    """Traces whose instants lie at exact limits after earlier ones, one ms off at times; `about` says what changes."""
    story = Story()
    state = Snap(START, activity=draw(st.sampled_from(("feeding", "idle", "stopped"))))
    remembered: dict[tuple[str, str], int] = {}  # the `since` of what has cleared
    count = draw(st.integers(1, most))
    time = START
    for number in range(1, count + 1):
        if number > 1:
            time = _later(draw, [snap.at for snap in story.snaps], about)
        acts = time
        if number > 1 and draw(st.integers(0, 11)) == 0:
            time, acts = story.lines[-1].received, story.snaps[-1].at + 1  # equal time, higher sequence
        state = _changed(draw, state._replace(at=acts), about, remembered)
        story.snaps.append(state)
        story.lines.append(line(message(state, time=time, sequence=number), time))
        if draw(st.integers(0, 11)) == 0:
            story.lines.append(story.lines[-1])  # a duplicate changes nothing
    story.until = _later(draw, [snap.at for snap in story.snaps], about)
    return story


def _later(draw: st.DrawFn, before: Sequence[int], about: str) -> int:
    """An instant after all of these, mostly at a limit after one of the latest, give or take a millisecond."""
    limits = LIMITS[about]
    anchor = draw(st.sampled_from(before[-2:] if about == "chatter" else before[-5:]))
    found = anchor + draw(st.sampled_from(limits)) + draw(st.sampled_from((0, 0, 0, -1, 1)))
    while found <= before[-1]:
        found += draw(st.sampled_from((*limits[:3], 1, 10 * SECOND)))
    return found


def _changed(draw: st.DrawFn, state: Snap, about: str, remembered: dict[tuple[str, str], int]) -> Snap:
    if about == "power":
        return _repowered(draw, state)
    if about == "feed" or draw(st.integers(0, 7)) == 0:
        state = _refed(draw, state)
    if about == "feed" and draw(st.integers(0, 3)):
        return state
    if about in ("onsets", "chatter") and state.alarms and draw(st.booleans()):
        return state._replace(alarms=())
    other = "downstream-occlusion" if about == "onsets" else "set-misloaded"
    return _realarmed(draw, state, ("occlusion", other), remembered, about)


def _refed(draw: st.DrawFn, state: Snap) -> Snap:
    words = (
        "feeding",
        "feeding",
        "held",
        "held",
        "stopped",
        "flushing",
        "priming",
        "idle",
        "finished",
        "off",
    )
    delivered = draw(st.sampled_from((None, 0, 10, 99.5, 100, 250)))
    target = draw(st.sampled_from((None, None, 100, 1000, 1000)))
    return state._replace(activity=draw(st.sampled_from(words)), delivered=delivered, target=target)


def _repowered(draw: st.DrawFn, state: Snap) -> Snap:
    flag = st.sampled_from((True, False, None))
    depleted = Alarm("battery-depleted", "", "high", "acknowledged", state.at)
    return state._replace(
        mains=draw(st.sampled_from((True, False, False, None))),
        percent=draw(st.sampled_from((None, 4.9, 5, 19.99, 20, 60))),
        low=draw(flag),
        alarms=(depleted,) if draw(st.integers(0, 4)) == 0 else (),
    )


def _realarmed(
    draw: st.DrawFn,
    state: Snap,
    conditions: Sequence[str],
    remembered: dict[tuple[str, str], int],
    about: str,
) -> Snap:
    alarms = {(alarm.condition, alarm.line): alarm for alarm in state.alarms}
    for _ in range(draw(st.sampled_from((1, 1, 2)))):
        key = (draw(st.sampled_from(conditions)), draw(st.sampled_from(("", "", "flush"))))
        alarm = alarms.pop(key, None)
        clear = ("again", "again") if about == "chatter" else ("clear", "clear")
        what = draw(st.sampled_from(("on", *clear, "mute", "escalate", "again")))
        if what == "clear":
            continue
        if alarm is None:
            since = remembered[key] if what == "again" and key in remembered else state.at
            alarm = Alarm(*key, draw(st.sampled_from(("medium", "high", "low"))), "enabled", since)
        if what == "mute":
            sounds = ("enabled", "audio-paused", "audio-off", "alarm-off", "acknowledged")
            alarm = alarm._replace(inactivation=draw(st.sampled_from(sounds)))
        elif what == "escalate":
            alarm = alarm._replace(priority=draw(st.sampled_from(("medium", "high", "low"))))
        elif what == "again" and (key not in remembered or about == "chatter"):
            alarm = alarm._replace(since=state.at)  # a new onset that no snapshot showed clear
        remembered[key] = alarm.since
        alarms[key] = alarm
    return state._replace(alarms=tuple(alarms.values()))

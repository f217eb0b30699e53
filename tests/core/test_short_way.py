"""The short way of the usual snapshot: it does what the long way does, and nothing besides."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.device import Device
from monitor.core.fleet import Fleet
from monitor.core.instants import SECOND
from monitor.core.messages import Snapshot
from monitor.core.picture import Picture
from monitor.core.site import DeviceEntry, Site
from monitor.core.topics import plan_topic
from monitor.shipped import shipped_rules
from monitor.testing import START, Bench, alarm, ward
from tests.core.rule_text import LASTING, changed, rule
from tests.core.snapshots import plan, snapshot
from tests.core.stories import RINGING

Step = Callable[[Bench], None]
PLAN: dict[str, Any] = {"windows": [{"from": "21:00", "to": "22:30"}], "target_ml": 300, "glucose_risk": True}
LISTED = {"pump-3": DeviceEntry(id="pump-3", unit="elm", plan=plan((21 * 60, 23 * 60), target_ml=200))}


MOST = (
    '[thresholds.most]\nvalue = "500 mL"\nlooser = "higher"\nreason = "Made up for this."\nsource = "made up"'
)
DOES = ["feeding", "held", "idle", "off", "flushing", "finished"]
FLAT = alarm("battery-low", "low")
MUTED = alarm("downstream-occlusion", inactivation="audio-paused")
AHEAD = alarm("downstream-occlusion", since=START + 200 * SECOND)
SHOWS = [[], [RINGING], [FLAT], [MUTED], [RINGING, FLAT], [AHEAD]]


def says(device: str, **said: Any) -> Step:
    """A snapshot."""
    return lambda bench: bench.snapshot(device, **said)


def passes(seconds: int) -> Step:
    """Some time."""
    return lambda bench: bench.until(bench.now + seconds * SECOND)


def late(device: str, seconds: int) -> Step:
    """A snapshot that was made some time ago, or will be."""
    return lambda bench: bench.snapshot(device, time=bench.now - seconds * SECOND)


def ends_feed(bench: Bench) -> None:
    """A person says that the feed is over for now, by a button at the pump."""
    bench.button("pump-1", "nurse-1", "feed-ended")


def link(bench: Bench) -> None:
    """The broker goes, or comes with nothing kept."""
    if bench.engine.sight.link:
        bench.link_down()
    else:
        bench.link_up()
        bench.marker_back()


def steps() -> st.SearchStrategy[list[Step]]:
    """Mostly a pump that says the same again, and all that may come between."""
    device = st.sampled_from(["pump-1", "pump-2", "pump-3"])
    usual = st.builds(says, device)
    change = st.one_of(
        st.builds(lambda d, ml: says(d, delivered_ml=ml), device, st.sampled_from([0, 100, 199.5, 200, 300, 301])),
        st.builds(lambda d, a: says(d, activity=a), device, st.sampled_from(DOES)),
        st.builds(lambda d, p: says(d, battery_percent=p), device, st.sampled_from([4, 19, 20, 90])),
        st.builds(lambda d, m: says(d, mains=m), device, st.booleans()),
        st.builds(lambda d, a: says(d, alarms=a), device, st.sampled_from(SHOWS)),
        st.builds(lambda d, u: says(d, unit=u), device, st.sampled_from(["elm", "oak"])),
        st.builds(lambda d, b: says(d, bridge=b), device, st.sampled_from(["north-7", "south-1"])),
        st.builds(late, device, st.sampled_from([-100, -20, 1, 30, 89, 91, 200])),
        st.builds(lambda on: lambda bench: bench.bridge(online=on), st.booleans()),
        st.just(lambda bench: bench.plan("pump-1", **PLAN)),
        st.just(ends_feed),
        st.just(link),
    )  # fmt: skip
    time = st.builds(passes, st.sampled_from([0, 1, 30, 60, 59, 180, 182, 600, 3600, 4 * 3600]))
    return st.lists(st.one_of(usual, usual, usual, time, time, change), min_size=5, max_size=60)


def site() -> Site:
    """All shipped rules, one listed pump with a plan."""
    return ward(shipped_rules(), devices=LISTED)


def agree(story: list[Step]) -> None:
    """The same rows after each step, the same happenings and counts, whichever way is taken."""
    short, long = Bench(site(), reporting=0), Bench(site(), reporting=0)
    long.engine.fleet.repeats = lambda *_: False  # type: ignore[method-assign]
    for step in story:
        for bench in (short, long):
            step(bench)
        assert short.kept.rows.get("device") == long.kept.rows.get("device")
    assert short.kept.rows.get("seen") == long.kept.rows.get("seen")
    assert short.happened == long.happened
    assert short.engine.counters == long.engine.counters
    assert short.told == long.told


@settings(max_examples=150, deadline=None)
@given(steps())
def test_the_short_way_does_what_the_long_way_does(story: list[Step]) -> None:
    """Random stories, mostly of pumps that say the same again."""
    agree(story)


def again(device: str, seconds: int, count: int = 3, **said: Any) -> list[Step]:
    """The same snapshot some times, so long apart."""
    return [step for _ in range(count) for step in (says(device, **said), passes(seconds))]


def bridge(*, online: bool) -> Step:
    """The bridge says whether it is there."""
    return lambda bench: bench.bridge(online=online)


def withdraws_plan(bench: Bench) -> None:
    """The plan sent over the air is taken back."""
    bench.message(plan_topic(bench.site.prefix, bench.site.name, "elm", "pump-1"), b"")


WELL, HELD = again("pump-1", 60), again("pump-1", 600, 40, activity="held")
STORIES = {
    "target reached": [*again("pump-1", 60, target_ml=300, delivered_ml=200), *again("pump-1", 60, delivered_ml=300)],
    "a plan's target reached": [step for ml in (0, 90, 199, 200, 210) for step in again("pump-3", 60, delivered_ml=ml)],
    "out of the window, and into it": again("pump-3", 600, 200, delivered_ml=1),
    "not fed for four hours": [*WELL, *HELD],
    "sight lost for long": [*WELL, link, passes(300), link, passes(2), *again("pump-1", 170, 4)],
    "sight lost for a moment": [*WELL, link, passes(90), link, passes(2), *again("pump-1", 20, 4)],
    "silent before it, and heard late": [*WELL, passes(200), *again("pump-1", 181, 4)],
    "a bridge that returns": [
        bridge(online=True), *WELL, bridge(online=False), passes(90), bridge(online=True), passes(100),
        says("pump-1"), passes(179), says("pump-1"), passes(200),
    ],
    "a concern that waits to be safe": [
        *again("pump-1", 150, activity="stopped", alarms=[RINGING]),
        *again("pump-1", 25, 6, activity="feeding", alarms=[]),
    ],
    "an alarm that goes on until it is unattended": again("pump-1", 25, 40, activity="stopped", alarms=[RINGING]),
    "an alarm muted, and a gap": [
        *again("pump-1", 25, 4, activity="stopped", alarms=[MUTED]),
        *again("pump-1", 5, 4, activity="feeding", alarms=[]),
        *again("pump-1", 25, 20, activity="stopped", alarms=[MUTED]),
    ],
    "an onset from ahead": again("pump-1", 30, 12, activity="stopped", alarms=[AHEAD]),
    "onsets that are forgotten": [
        *again("pump-1", 60, 2, alarms=[RINGING]), *again("pump-1", 150, 30, alarms=[]),
        *again("pump-1", 60, 2, alarms=[RINGING]), *again("pump-1", 150, 30, alarms=[]),
    ],
    "the answer that the feed is over": [*WELL, ends_feed, *WELL],
    "a plan that makes silence graver": [*WELL, lambda bench: bench.plan("pump-1", **PLAN), *WELL, passes(400)],
    "a plan that is withdrawn": [
        lambda bench: bench.plan("pump-1", **PLAN), *WELL, withdraws_plan, *WELL, passes(400),
    ],
    "two bridges": [*WELL, *[says("pump-1", bridge=b) for b in ("south-1", "north-7") * 4]],
    "a clock that is behind, then right": [*WELL, late("pump-1", 200), *WELL],
    "a snapshot of before the last": [*WELL, late("pump-1", 130), late("pump-1", 61), *WELL],
}  # fmt: skip


@pytest.mark.parametrize("name", STORIES)
def test_what_could_tell_them_apart(name: str) -> None:
    """Each of what the short way has to look out for."""
    agree(STORIES[name])


def ways(bench: Bench) -> list[bool]:
    """Which of the snapshots from now on go the short way."""
    taken: list[bool] = []
    fleet = bench.engine.fleet

    def repeats(snapshot: Snapshot, now: int) -> bool:
        taken.append(Fleet.repeats(fleet, snapshot, now))
        return taken[-1]

    fleet.repeats = repeats  # type: ignore[method-assign]
    return taken


def test_the_usual_snapshot_goes_the_short_way() -> None:
    """A feeding pump that says so again, with more delivered."""
    bench = Bench(site(), reporting=0)
    taken = ways(bench)
    for number in range(4):
        bench.snapshot("pump-1", delivered_ml=number)
        bench.pass_by("60 s")
    assert taken == [False, True, True, True]


def test_a_plan_in_its_window_goes_the_long_way() -> None:
    """What is missing, and for how long things hang, changes with each snapshot."""
    bench = Bench(site(), reporting=0)
    taken = ways(bench)
    for number in range(4):
        bench.snapshot("pump-3", delivered_ml=number)
        bench.pass_by("60 s")
    assert not any(taken)


@pytest.mark.parametrize(
    "change",
    [
        says("pump-1", battery_percent=19),
        says("pump-1", activity="held"),
        says("pump-1", alarms=[RINGING]),
        says("pump-1", unit="oak"),
        says("pump-1", bridge="south-1"),
        late("pump-1", 100),
    ],
)
def test_what_is_new_goes_the_long_way(change: Step) -> None:
    """Anything that a rule, a place or a clock has to be looked at for."""
    bench = Bench(site(), reporting=0)
    bench.snapshot("pump-1")
    bench.pass_by("60 s")
    taken = ways(bench)
    change(bench)
    assert taken == [False]


def test_a_rule_that_looks_at_the_volume_keeps_its_devices_from_the_short_way() -> None:
    """The delivered volume changes with each snapshot, so such a rule has to be asked each time."""
    text = changed(
        LASTING,
        'alarm = { priority = ["medium", "high"] }',
        'condition = { any = [{ field = "mains", is = true }, { field = "delivered_ml", above = "most" }] }',
    )
    text = changed(changed(text, 'memory = "each"\n', ""), 'priority = "alarm"', 'priority = "low"')
    volume = rule(changed(text, "[thresholds.gap]", MOST + "\n\n[thresholds.gap]"))
    assert volume.counts
    assert not rule(LASTING).counts
    device = Device("pump-1", Picture("ward-a"), (volume,))
    list(device.instants(snapshot(1_000), 1_000, 1_000))
    assert not device.subject.repeats(device.rules, 2_000, 2_000)

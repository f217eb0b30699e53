"""The shipped rules: their own traces, each limit to the millisecond, and random traces against the definition."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.core.rulebook import Rule
from monitor.core.traces import trace_problems
from tests.core.definition import HOUR, MINUTE, PLAN_RULES, RULES, SECOND, Alarm, Event, Snap, told
from tests.core.definition_feed import Feed
from tests.core.plan_stories import battery_stories, hang_stories, plan_stories
from tests.core.tie_stories import TIES
from tests.core.traces import LIMITS, START, Story, plain, rules_told, stories

ABOUT = sorted(LIMITS)
PLANNED = {"plan": plan_stories, "battery": battery_stories, "hung": hang_stories}


def test_traces_in_the_rule_files_do_as_they_say(shipped: tuple[Rule, ...]) -> None:
    """Each shipped rule fires, and stays quiet, exactly as its own traces say."""
    assert {*RULES, *PLAN_RULES, "sight-lost", "drill-missed"} == {rule.id for rule in shipped}
    for rule in shipped:
        assert trace_problems(rule, f"{rule.id}.toml") == []
        assert any(trace.holds for trace in rule.traces)
        assert any(not trace.holds for trace in rule.traces)


def agree(story: Story, shipped: tuple[Rule, ...]) -> None:
    """Replay and definition tell the same, to the millisecond."""
    rules = (*RULES, *PLAN_RULES)
    expected = sorted(event for rule in rules for event in told(rule, story.snaps, story.until, story.feed))
    assert rules_told(story.lines, shipped, story.until, story.feed) == expected


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(ABOUT).flatmap(stories))
def test_replay_agrees_with_the_definition(shipped: tuple[Rule, ...], story: Story) -> None:
    """Random traces, mostly at exact limits, against functions of the whole trace that know no state."""
    agree(story, shipped)


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(sorted(PLANNED)).flatmap(lambda about: PLANNED[about]()))
def test_replay_agrees_about_plans_and_batteries(shipped: tuple[Rule, ...], story: Story) -> None:
    """Nights with a plan in five zones, three of them with a clock that changes; batteries; feed that hangs."""
    agree(story, shipped)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(stories("feed"))
def test_replay_agrees_where_only_a_glucose_risk_is_known(shipped: tuple[Rule, ...], story: Story) -> None:
    """A plan that names no windows: feed is due as without one, and a stop is graver."""
    story.feed = Feed((), glucose_risk=True)
    agree(story, shipped)


@pytest.mark.parametrize("about", TIES)
def test_replay_agrees_at_ties_told_by_hand(shipped: tuple[Rule, ...], about: str) -> None:
    """Each limit of the rules about plans, batteries and chatter, and a little to either side."""
    for story in TIES[about]():
        agree(story, shipped)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("about", "count"), [("plan", 4_000), ("battery", 4_000), ("hung", 1_000)])
def test_replay_agrees_about_plans_and_batteries_on_thousands(
    shipped: tuple[Rule, ...], about: str, count: int
) -> None:
    """The same, thousands of them."""

    @settings(max_examples=count, deadline=None, suppress_health_check=list(HealthCheck))
    @given(PLANNED[about]())
    def check(story: Story) -> None:
        agree(story, shipped)

    check()


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("about", ABOUT)
def test_replay_agrees_with_the_definition_on_thousands(shipped: tuple[Rule, ...], about: str) -> None:
    """The same, thousands of longer traces for each kind of story."""

    @settings(max_examples=4_000, deadline=None, suppress_health_check=list(HealthCheck))
    @given(stories(about, most=24))
    def check(story: Story) -> None:
        agree(story, shipped)

    check()


def occlusion(at: int, inactivation: str = "enabled", priority: str = "medium") -> tuple[Alarm, ...]:
    """One alarm condition with its onset."""
    return (Alarm("occlusion", "", priority, inactivation, at),)


def only(rule: str, told: list[Event]) -> list[tuple[int, str, str]]:
    """One rule's events as offsets from the start of the trace."""
    return [(at - START, event, priority) for at, event, which, priority in told if which == rule]


@pytest.mark.parametrize(
    ("rule", "muted", "priority", "limit"),
    [
        ("muted-too-long", "audio-paused", "medium", 4 * MINUTE),
        ("muted-too-long", "audio-off", "high", 2 * MINUTE),
        ("muted-too-long", "alarm-paused", "medium", 4 * MINUTE),
        ("muted-too-long", "alarm-off", "high", 2 * MINUTE),
        ("unattended", "enabled", "medium", 5 * MINUTE),
        ("unattended", "enabled", "high", 2 * MINUTE),
        ("standing-alarm", "acknowledged", "medium", 10 * MINUTE),
        ("standing-alarm", "enabled", "high", 5 * MINUTE),
    ],
)
def test_an_alarm_rule_holds_at_its_limit_and_not_for_a_millisecond_less(
    shipped: tuple[Rule, ...], rule: str, muted: str, priority: str, limit: int
) -> None:
    """Until exactly start + T is not enough; a millisecond more is, and it holds from start + T."""
    snaps = [Snap(START, "stopped", occlusion(START, muted, priority))]
    short = [*snaps, Snap(START + limit)]
    assert only(rule, rules_told(plain(short), shipped, START + HOUR)) == []
    enough = [*snaps, Snap(START + limit + 1)]
    found = only(rule, rules_told(plain(enough), shipped, START + HOUR))
    assert found[0] == (limit, "holds", priority)
    bridged = {"muted-too-long": 30 * SECOND, "unattended": 0, "standing-alarm": 60 * SECOND}[rule]
    assert found[1:] == [(limit + 1 + bridged, "ends", priority)]


@pytest.mark.parametrize(("rule", "gap"), [("muted-too-long", 30 * SECOND), ("standing-alarm", 60 * SECOND)])
@pytest.mark.parametrize("off", [-1, 0, 1])
def test_a_gap_is_bridged_only_if_shorter(shipped: tuple[Rule, ...], rule: str, gap: int, off: int) -> None:
    """A gap of G less 1 ms is bridged; one of exactly G starts anew."""
    silenced = occlusion(START, "audio-paused")
    snaps = [
        Snap(START, "stopped", silenced),
        Snap(START + MINUTE),
        Snap(START + MINUTE + gap + off, "stopped", silenced),
    ]
    limit = {"muted-too-long": 4 * MINUTE, "standing-alarm": 10 * MINUTE}[rule]
    begins = limit if off < 0 else MINUTE + gap + off + limit
    assert only(rule, rules_told(plain(snaps), shipped, START + 20 * MINUTE)) == [(begins, "holds", "medium")]


def test_acknowledged_is_neither_muted_nor_sounding(shipped: tuple[Rule, ...]) -> None:
    """An acknowledged alarm condition is answered: only `standing-alarm` goes on counting."""
    snaps = [Snap(START, "stopped", occlusion(START, "acknowledged"))]
    told = rules_told(plain(snaps), shipped, START + 9 * MINUTE)
    assert {rule for _, _, rule, _ in told} == {"out-of-sight"}


def test_a_priority_that_rises_while_holding_raises_and_never_falls(shipped: tuple[Rule, ...]) -> None:
    """Medium to high while it holds is told at once; back to medium is not told, nor a second rise."""
    at = [START, START + 6 * MINUTE, START + 7 * MINUTE, START + 8 * MINUTE, START + 9 * MINUTE]
    levels = ["medium", "high", "medium", "high"]
    snaps = [Snap(t, "stopped", occlusion(START, "enabled", p)) for t, p in zip(at, levels, strict=False)]
    snaps.append(Snap(at[4]))
    assert only("unattended", rules_told(plain(snaps), shipped, START + HOUR)) == [
        (5 * MINUTE, "holds", "medium"),
        (6 * MINUTE, "priority-raised", "high"),
        (9 * MINUTE, "ends", "high"),
    ]


def test_a_priority_that_rises_before_it_holds_is_the_priority_it_holds_with(
    shipped: tuple[Rule, ...],
) -> None:
    """High for the last minute of five: it holds at 5 min, high, before the high limit of its own."""
    snaps = [
        Snap(START, "stopped", occlusion(START)),
        Snap(START + 4 * MINUTE, "stopped", occlusion(START, priority="high")),
    ]
    found = only("unattended", rules_told(plain(snaps), shipped, START + HOUR))
    assert found == [(5 * MINUTE, "holds", "high")]


def test_a_priority_that_fell_before_it_holds_is_forgotten(shipped: tuple[Rule, ...]) -> None:
    """High for the first minute of five: it holds at 5 min, medium."""
    snaps = [
        Snap(START, "stopped", occlusion(START, priority="high")),
        Snap(START + MINUTE, "stopped", occlusion(START)),
    ]
    found = only("unattended", rules_told(plain(snaps), shipped, START + HOUR))
    assert found == [(5 * MINUTE, "holds", "medium")]


def test_overlapping_alarms_of_one_rule_hold_once(shipped: tuple[Rule, ...]) -> None:
    """Two conditions, one after the other but overlapping, are one `holds` and one `ends`."""
    second = Alarm("set-misloaded", "", "medium", "enabled", START + 2 * MINUTE)
    snaps = [
        Snap(START, "stopped", occlusion(START)),
        Snap(START + 2 * MINUTE, "stopped", (*occlusion(START), second)),
        Snap(START + 8 * MINUTE, "stopped", (second,)),
        Snap(START + 10 * MINUTE),
    ]
    assert only("unattended", rules_told(plain(snaps), shipped, START + HOUR)) == [
        (5 * MINUTE, "holds", "medium"),
        (10 * MINUTE, "ends", "medium"),
    ]


def test_what_ends_and_begins_at_one_instant_is_no_event(shipped: tuple[Rule, ...]) -> None:
    """One condition clears at the very instant at which another has sounded for long enough."""
    second = Alarm("set-misloaded", "", "medium", "enabled", START + 2 * MINUTE)
    snaps = [
        Snap(START, "stopped", occlusion(START)),
        Snap(START + 2 * MINUTE, "stopped", (*occlusion(START), second)),
        Snap(START + 7 * MINUTE, "stopped", (second,)),
        Snap(START + 10 * MINUTE),
    ]
    assert only("unattended", rules_told(plain(snaps), shipped, START + HOUR)) == [
        (5 * MINUTE, "holds", "medium"),
        (10 * MINUTE, "ends", "medium"),
    ]


@pytest.mark.parametrize(("first", "holds"), [(0, False), (1, True)])
def test_three_occlusions_within_an_hour(shipped: tuple[Rule, ...], first: int, holds: bool) -> None:
    """An onset exactly 60 min ago does not count, one a millisecond younger does."""
    begun = [START + first, START + 30 * MINUTE, START + HOUR]
    snaps = [s for t in begun for s in (Snap(t, "stopped", occlusion(t)), Snap(t + MINUTE))]
    found = only("repeated-occlusion", rules_told(plain(snaps), shipped, START + 3 * HOUR))
    expected = [(HOUR, "holds", "medium"), (HOUR + 30 * MINUTE, "ends", "medium")]
    assert found == (expected if holds else [])


@pytest.mark.parametrize(("last", "ends"), [(0, 60 * MINUTE), (1, 30 * MINUTE)])
def test_an_onset_at_exactly_the_end_of_the_quiet_time_prevents_the_end(
    shipped: tuple[Rule, ...], last: int, ends: int
) -> None:
    """At last + Q it goes on; a millisecond later it has ended, and begins again with what is not forgotten."""
    begun = [START, START + 1, START + 2, START + 2 + 30 * MINUTE + last]
    snaps = [s for t in begun[:3] for s in (Snap(t, "stopped", occlusion(t)),)]
    snaps += [Snap(START + MINUTE), Snap(begun[3], "stopped", occlusion(begun[3])), Snap(begun[3] + MINUTE)]
    found = only("repeated-occlusion", rules_told(plain(snaps), shipped, START + 70 * MINUTE))
    assert found[:2] == [(2, "holds", "medium"), (2 + ends, "ends", "medium")]
    again = [(2 + 30 * MINUTE + 1, "holds", "medium"), (2 + 60 * MINUTE + 1, "ends", "medium")]
    assert found[2:] == (again if last else [])


def test_both_lines_and_all_three_kinds_count_together(shipped: tuple[Rule, ...]) -> None:
    """Simultaneous onsets each count, on any line, in the first snapshot too."""
    kinds = (("occlusion", "feed"), ("occlusion", "flush"), ("upstream-occlusion", ""))
    alarms = tuple(Alarm(kind, line, "low", "alarm-off", START - HOUR) for kind, line in kinds)
    told = rules_told(plain([Snap(START, "stopped", alarms)]), shipped)
    assert only("repeated-occlusion", told) == [(0, "holds", "medium")]


@pytest.mark.parametrize(
    ("snap", "found"),
    [
        (Snap(START, mains=False, percent=19.9), [(MINUTE, "holds", "medium")]),
        (Snap(START, mains=False, percent=20), []),
        (Snap(START, mains=False, percent=5), [(MINUTE, "holds", "medium")]),
        (Snap(START, mains=False, percent=4.9), [(MINUTE, "holds", "high")]),
        (Snap(START, mains=False, low=True), [(MINUTE, "holds", "medium")]),
        (Snap(START, mains=False, percent=90, low=False), []),
        (Snap(START, mains=True, percent=1, low=True), []),
        (Snap(START, percent=1, low=True), []),
        (
            Snap(START, mains=False, alarms=(Alarm("battery-depleted", "", "low", "enabled", START),)),
            [(MINUTE, "holds", "high")],
        ),
        (Snap(START), []),
    ],
)
def test_low_power(shipped: tuple[Rule, ...], snap: Snap, found: list[tuple[int, str, str]]) -> None:
    """Each limit of `low-power-unplugged`; nothing known about mains is not "no mains"."""
    assert only("low-power-unplugged", rules_told(plain([snap]), shipped, START + 2 * MINUTE)) == found


def test_low_power_falls_under_five_percent_and_is_plugged_in(shipped: tuple[Rule, ...]) -> None:
    """Under 5 % for a minute raises the priority; plugged in at exactly a minute does not hold."""
    snaps = [
        Snap(START, mains=False, percent=10),
        Snap(START + 10 * MINUTE, mains=False, percent=4),
        Snap(START + 12 * MINUTE, mains=True, percent=4),
    ]
    assert only("low-power-unplugged", rules_told(plain(snaps), shipped, START + HOUR)) == [
        (MINUTE, "holds", "medium"),
        (11 * MINUTE, "priority-raised", "high"),
        (12 * MINUTE, "ends", "high"),
    ]
    short = [snaps[0], Snap(START + MINUTE, mains=True, percent=10)]
    assert only("low-power-unplugged", rules_told(plain(short), shipped, START + HOUR)) == []


@pytest.mark.parametrize(("off", "holds"), [(-1, False), (0, False), (1, True)])
def test_idle_in_mid_feed(shipped: tuple[Rule, ...], off: int, holds: bool) -> None:
    """Resumed until exactly 10 min is no concern; a flush in between is not delivering when the feed was held."""
    snaps = [
        Snap(START),
        Snap(START + MINUTE, "held"),
        Snap(START + 5 * MINUTE, "flushing"),
        Snap(START + 11 * MINUTE + off),
    ]
    found = only("idle-past-limit", rules_told(plain(snaps), shipped, START + HOUR))
    expected = [(11 * MINUTE, "holds", "medium"), (12 * MINUTE + off, "ends", "medium")]
    assert found == (expected if holds else [])


@pytest.mark.parametrize(("off", "gaps"), [(-1, 0), (0, 2)])
def test_a_feed_that_runs_for_less_than_a_minute_has_not_been_resumed(
    shipped: tuple[Rule, ...], off: int, gaps: int
) -> None:
    """Feeding for 60 s less 1 ms is bridged; for 60 s ends it at exactly that instant, and it begins anew."""
    resumed = START + 20 * MINUTE
    snaps = [Snap(START), Snap(START + MINUTE, "held"), Snap(resumed), Snap(resumed + MINUTE + off, "held")]
    found = only("idle-past-limit", rules_told(plain(snaps), shipped, START + HOUR))
    later = [(21 * MINUTE, "ends", "medium"), (31 * MINUTE, "holds", "medium")]
    assert found == [(11 * MINUTE, "holds", "medium"), *later[:gaps]]


@pytest.mark.parametrize(("off", "holds"), [(-1, True), (0, False)])
def test_out_of_sight_at_exactly_three_minutes(shipped: tuple[Rule, ...], off: int, holds: bool) -> None:
    """A message at exactly last + T prevents it."""
    snaps = [Snap(START), Snap(START + 3 * MINUTE - off)]
    found = only("out-of-sight", rules_told(plain(snaps), shipped, START + 5 * MINUTE))
    assert found == ([(3 * MINUTE, "holds", "medium"), (3 * MINUTE + 1, "ends", "medium")] if holds else [])


@pytest.mark.parametrize(
    ("snap", "found"),
    [
        (Snap(START, "idle"), []),
        (Snap(START, "idle", occlusion(START, priority="low")), [(3 * MINUTE, "holds", "medium")]),
        (Snap(START, "idle", occlusion(START), low=True), [(3 * MINUTE, "holds", "high")]),
        (Snap(START, low=True), [(3 * MINUTE, "holds", "high")]),
        (Snap(START, "idle", low=True), []),
        (Snap(START, "off", occlusion(START)), []),
        (Snap(START, delivered=5, target=5), []),
    ],
)
def test_out_of_sight_asks_what_was_last_seen(
    shipped: tuple[Rule, ...], snap: Snap, found: list[tuple[int, str, str]]
) -> None:
    """Feed due or any alarm condition when last seen; high with a low battery; at rest after `off`."""
    assert only("out-of-sight", rules_told(plain([snap]), shipped, START + HOUR)) == found


def test_a_low_priority_is_for_awareness_only(shipped: tuple[Rule, ...]) -> None:
    """No rule about alarms takes notice of a low priority, however long."""
    snaps = [Snap(START + n * MINUTE, "idle", occlusion(START, priority="low")) for n in range(120)]
    assert rules_told(plain(snaps), shipped) == []

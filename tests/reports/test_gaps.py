"""When Second Bell could not see or tell, from what it notes of itself."""

from __future__ import annotations

from typing import Any

from monitor.core.instants import HOUR, MINUTE, SECOND
from monitor.core.troubles import CANNOT_SEND, CANNOT_STORE
from monitor.reports import courses
from monitor.reports.handover import Gap, gaps
from monitor.reports.spans import Span
from monitor.testing import START, Bench, ward

Entry = tuple[int, str, dict[str, Any]]


def at(minutes: float) -> int:
    """So long after the start."""
    return START + round(minutes * MINUTE)


def note(minutes: float, event: str, **detail: Any) -> Entry:
    """An entry."""
    return at(minutes), event, {"detail": detail}


def told(others: list[Entry], start: float = 0, end: float = 9 * 60) -> list[tuple[float, float | None, str]]:
    """The gaps, in minutes."""
    return [
        ((gap.start - START) / MINUTE, None if gap.end is None else (gap.end - START) / MINUTE, gap.why)
        for gap in gaps(others, Span(at(start), at(end)))
    ]


def of(bench: Bench, bridges: set[str] | None = None) -> list[Gap]:
    """The gaps of a bench's night."""
    story = courses.read(bench.kept.entries, bench.now)
    return list(gaps(story.others, Span(bench.start, bench.now), bridges))


def test_broker_and_bridge_come_and_go() -> None:
    """By the real engine's own notes: each from when to when, what goes on has no end."""
    bench = Bench(ward())
    bench.bridge("north-7", online=True)
    bench.pass_by("10 min")
    bench.link_down()
    bench.pass_by("5 min")
    bench.link_up()
    bench.marker_back()
    bench.pass_by("5 min")
    bench.bridge("north-7", online=False)
    bench.pass_by("20 min")
    bench.bridge("north-7", online=True)
    bench.bridge("south-1", online=False)
    bench.pass_by("5 min")
    assert of(bench) == [
        Gap(at(10), at(15), "no connection to the broker"),
        Gap(at(20), at(40), "bridge north-7 was away"),
        Gap(at(40), None, "bridge south-1 was away"),
    ]
    assert of(bench, {"north-7"}) == of(bench)[:2]


def test_a_stop_is_a_gap_and_a_bridge_that_was_away_before_is_so_after_it() -> None:
    """A presence that is as it was is not noted again after a start: the gap goes on."""
    others = [
        note(5, "bridge-presence", bridge="north-7", online=False, backlog=False),
        note(60, "started", gap=30 * MINUTE),
        note(60.05, "link-up"),
        note(90, "bridge-presence", bridge="north-7", online=True, backlog=False),
    ]
    assert told(others) == [
        (5, 90, "bridge north-7 was away"),
        (30, 60, "Second Bell did not run"),
    ]


def test_without_a_broker_and_then_stopped() -> None:
    """The connection was lost at 10 min, the service stopped at 30 and started at 60: each has its own time."""
    others = [note(10, "link-down"), note(60, "started", gap=30 * MINUTE), note(60.02, "link-up")]
    assert told(others) == [(10, 30, "no connection to the broker"), (30, 60, "Second Bell did not run")]


def test_a_start_without_a_broker_is_a_gap_until_it_is_there() -> None:
    """No link was lost, as there was none: what began with the start ends with the link; a second is none."""
    assert told([note(60, "started"), note(80, "link-up")]) == [(60, 80, "no connection to the broker")]
    assert told([note(60, "started"), note(60.02, "link-up")]) == []
    assert told([note(60, "started", gap=3 * SECOND)]) == [(60, None, "no connection to the broker")]


def test_brief_ones_are_told_together() -> None:
    """A link that flaps: how often, not each."""
    others = [note(n, "link-down") for n in range(5)] + [note(n + 0.2, "link-up") for n in range(5)]
    assert told(sorted(others, key=lambda one: one[0])) == [
        (0, 4.2, "no connection to the broker, 5 times for less than a minute")
    ]


def test_a_bridge_that_flaps_beyond_what_is_noted_says_so() -> None:
    """The journal notes sixty an hour of a bridge: when it returned after the last nobody knows."""
    bench = Bench(ward())
    for number in range(70):
        bench.bridge("north-7", online=number % 2 == 0)
        bench.pass_by("10 s")
    assert (
        of(bench)[-1].why == "bridge north-7 was away and came back so often that not all of it is recorded"
    )
    assert of(bench)[-1].end is None


def test_nothing_stored_and_nothing_sent_are_gaps() -> None:
    """By the engine's own notes of its troubles, from when it really began."""
    bench = Bench(ward())
    bench.pass_by("10 min")
    bench.engine.technical.begin(CANNOT_SEND, bench.now, about="pager", why="refused")
    bench.pass_by("10 min")
    bench.engine.technical.end(CANNOT_SEND, bench.now, about="pager")
    bench.pass_by("10 min")
    found = of(bench)
    assert [(gap.start, gap.why) for gap in found] == [(at(10), "nothing could be sent by pager")]
    assert found[0].end == at(20)
    stored = [
        note(3, "trouble-began", trouble=CANNOT_STORE, since=at(1)),
        note(9, "trouble-over", trouble=CANNOT_STORE),
    ]
    assert told(stored) == [(1, 9, "nothing could be stored, so nobody was told of anything new")]


def test_only_what_touches_the_shift_is_told() -> None:
    """What was over before it, and what began after it, is another shift's."""
    others = [
        note(5, "link-down"), note(15, "link-up"), note(100, "link-down"), note(200, "link-up"), note(300, "link-down"),
    ]  # fmt: skip
    assert [gap[:2] for gap in told(others, start=20, end=150)] == [(100, 200)]
    assert told(others, start=20, end=99) == []
    assert HOUR == 60 * MINUTE


def test_a_stop_from_which_it_has_not_come_back_is_a_gap_without_end() -> None:
    """However it stopped: nothing stands in the trail of a pulled plug, so it goes by when it last kept its watch."""
    others = [note(0, "started"), note(0.05, "link-up"), note(200, "link-down")]
    span = Span(at(0), at(9 * 60))
    assert gaps(others, span, None, at(240)) == (
        Gap(at(200), at(240), "no connection to the broker"),
        Gap(at(240), None, "Second Bell did not run"),
    )
    assert gaps(others[:2], span, None, None) == ()

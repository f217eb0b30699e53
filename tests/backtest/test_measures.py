"""What a replay brought about is counted right, by hand on a small ward and against plain replay."""

from __future__ import annotations

from pathlib import Path
from statistics import median

import pytest

from monitor.backtest.measures import Measures, Tally, duty
from monitor.backtest.playing import play
from monitor.core.instants import HOUR, MINUTE
from monitor.core.journal import Happening
from monitor.core.load import Band
from monitor.core.problems import ProblemsFound
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.replay import TRACE_KEY, Traces, replay
from monitor.settings import load
from tests.backtest.recordings import LASTS, muted_night, record, ward_file

RULE = "muted-too-long"


def measured(tmp_path: Path) -> tuple[Measures, list[Happening]]:
    """The measures of the night with the shipped values, and what plain replay says of it."""
    site = load(ward_file(tmp_path), key=TRACE_KEY).site
    folder = record(tmp_path / "night", muted_night())
    (played,) = play([folder], [site])
    return played.measures, list(replay(Traces([folder]), site, lateness=site.times.lateness))


def test_they_are_those_of_plain_replay(tmp_path: Path) -> None:
    """Each concern and each notice of the live engine's own account, no other, with the same instants."""
    found, happened = measured(tmp_path)
    raised = {h.concern: h.at for h in happened if h.event == "raised"}
    settled = {h.concern: h.at for h in happened if h.event == "settled"}
    assert {story.id: story.raised for story in found.stories} == raised
    assert {story.id: story.settled for story in found.stories if story.settled} == settled
    assert [sent.at for sent in found.sent] == [h.now for h in happened if h.event == "notice-sent"]
    first = {h.concern: h.now for h in reversed(happened) if h.event == "told"}
    rule = found.of(RULE)
    delays = [first[story.id] - story.raised for story in found.stories if story.rule == RULE]
    # Told at the pump's next message, 20 ms on; the three pumps, a second apart, are gathered for 5 s from the first.
    assert sorted(delays) == [3_020, 4_020, 5_020]
    assert rule.delay == median(delays)


def test_by_hand(tmp_path: Path) -> None:
    """Pumps muted for 3, 5, 7 and 30 min: three concerns at 4 min; two are over within 2 min of that and calm."""
    found, _ = measured(tmp_path)
    mine = [story for story in found.stories if story.rule == RULE]
    assert [story.raised - story.since for story in mine] == [4 * MINUTE] * 3
    # The first feeds from the 5th minute of its alarm on and is safe a minute later: 2 min after it was raised.
    assert [story.soon for story in mine] == [True, False, False]
    rule = found.of(RULE)
    assert (rule.raised, rule.told, rule.settled) == (3, 3, 3)
    assert rule.soon == pytest.approx(1 / 3)
    assert rule.begun == 4 * MINUTE + 4_020
    assert (found.devices, found.messages, found.not_taken) == (5, 5 * (LASTS + 1), 0)
    assert found.device_days == pytest.approx(5 * (LASTS * MINUTE) / (24 * HOUR), rel=0.01)
    assert found.per_device_day(RULE) == pytest.approx(3 / found.device_days)


def test_notices_for_each_nurse(tmp_path: Path) -> None:
    """Those of one person by that person's hours; together by all hours of all who have a duty."""
    found, _ = measured(tmp_path)
    nurses = {nurse.person: nurse for nurse in found.nurses()}
    assert {"nurse-1", "nurse-2", "charge"} <= nurses.keys()
    hours = (found.until - found.since) / HOUR
    for nurse in nurses.values():
        mine = [sent for sent in found.sent if sent.person == nurse.person]
        assert nurse.all == len(mine)
        assert nurse.first == sum(bool(sent.first) for sent in mine) <= nurse.all
        assert nurse.first_per_hour == pytest.approx(nurse.first / hours)
    asked = found.asked()
    on_duty = [nurses[name] for name in ("nurse-1", "nurse-2", "charge")]
    assert asked.nurse_hours == pytest.approx(3 * hours)
    assert asked.first_per_nurse_hour == pytest.approx(sum(n.first for n in on_duty) / asked.nurse_hours)
    assert asked.all > asked.first  # nobody accepts: ladders climb, and ends are told
    assert asked.band is Band.ACCEPTABLE
    assert asked.worst == max(nurse.worst for nurse in on_duty)


def happening(event: str, at: int, concern: str = "c", **detail: object) -> Happening:
    """Something about a concern of one rule."""
    return Happening(at, at, event, concern, "r", "pump-1", "nurse-1", "medium", detail)


@pytest.mark.parametrize(("over", "soon"), [(2 * MINUTE, True), (2 * MINUTE + 1, False)])
def test_within_two_minutes_is_two_minutes_at_most(over: int, soon: bool) -> None:
    """The tie counts as within."""
    tally = Tally()
    tally.take([happening("raised", 1_000), happening("settled", 1_000 + over)])
    assert tally.stories["c"].soon is soon


def test_which_notices_are_first() -> None:
    """Raised, relapsed, risen: first. The next rung and the end: not. One notice of two concerns is one."""
    tally = Tally()
    tally.take([happening("raised", 0), happening("raised", 0, "d")])
    for number, reasons in enumerate([["raised", "next-rung"], ["next-rung"], ["relapsed"], ["stand-down"]]):
        notice = f"n{number}"
        tally.take(happening("told", 10 * number, why=why, notice=notice) for why in reasons)
        tally.take([happening("notice-sent", 10 * number, notice=notice, concerns=["c", "d"])])
    assert [bool(sent.first) for sent in tally.sent] == [True, False, True, False]
    assert [tally.stories[key].told for key in "cd"] == [0, 0]


def test_hours_on_duty_are_counted_once() -> None:
    """Two duties at once are one hour; what lies outside of the period is none; without end, to its end."""
    spans = [
        Span("a", "nurse", "elm", 0, 50), Span("a", "nurse", "oak", 40, 60), Span("a", "charge", "*", 90, 200),
        Span("b", "nurse", "*", 30, FOR_EVER), Span("c", "nurse", "*", 100, 200),
    ]  # fmt: skip
    assert duty(Rota(spans), 10, 100) == {"a": 60, "b": 70}


def test_nothing_in_it(tmp_path: Path) -> None:
    """An empty trace is no evidence of anything."""
    (tmp_path / "empty.jsonl").write_text("")
    site = load(ward_file(tmp_path), key=TRACE_KEY).site
    with pytest.raises(ProblemsFound, match="at least one message"):
        play([tmp_path / "empty.jsonl"], [site])

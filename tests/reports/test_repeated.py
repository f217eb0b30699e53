"""What keeps coming back: how many times a pump was in trouble, by the real engine and the shipped rules."""

from __future__ import annotations

from pathlib import Path

from monitor.core.instants import DAY
from monitor.reports.making import handover
from monitor.reports.review import review
from monitor.reports.spans import Span
from monitor.shipped import shipped_rules
from monitor.testing import Bench, alarm, ward
from tests.reports.stored import source


def test_what_holds_at_once_or_is_told_again_is_one_time(tmp_path: Path) -> None:
    """One stop holds three rules and is looked at again: one time; a second, an hour later, another; so in a review."""
    bench = Bench(ward(shipped_rules()), reporting=0)
    numbers: list[list[int]] = []
    for _ in range(2):
        bench.snapshot("pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")], delivered_ml=0)
        for minute in range(40):
            bench.pass_by("1 min")
            bench.snapshot(
                "pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")], delivered_ml=0
            )
            if minute in (12, 35):
                bench.accept("nurse-1", "pump-1")
        for _ in range(90):
            bench.snapshot("pump-1", activity="feeding", alarms=[], rate_ml_h=60, delivered_ml=0)
            bench.pass_by("1 min")
        (tmp_path / str(len(numbers))).mkdir()
        with source(bench, tmp_path / str(len(numbers))) as made:
            report = handover(made, "elm", Span(bench.start, bench.now), bench.now)
            weeks = review(made, "elm", 1, bench.now + DAY)
        assert len(report.over) + len(report.live) > 1
        numbers.append([one.times for one in report.repeated if one.device == "pump-1"])
        assert [one[:3] for one in weeks.offenders] == [one[:3] for one in report.repeated]
    assert numbers == [[], [2]]


def test_a_line_that_is_blocked_again_and_again_keeps_coming_back_though_told_once(tmp_path: Path) -> None:
    """Three blocks in half an hour make one concern, whose rule says that it comes again."""
    bench = Bench(ward(shipped_rules()), reporting=0)
    for _ in range(3):
        blocked = [alarm("downstream-occlusion")]
        bench.snapshot("pump-1", activity="stopped", alarms=blocked, delivered_ml=0)
        bench.pass_by("1 min")
        bench.snapshot("pump-1", activity="feeding", alarms=[], rate_ml_h=60, delivered_ml=0)
        bench.pass_by("1 min")
    with source(bench, tmp_path) as made:
        [one] = handover(made, "elm", Span(bench.start, bench.now), bench.now).repeated
    assert (one.device, one.times, one.what) == ("pump-1", 1, (("line blocked again and again", 1),))

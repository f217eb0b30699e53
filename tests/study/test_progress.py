"""How far a study is, on a clock that the test holds."""

from __future__ import annotations

from monitor.study.progress import Pace, shown
from tests.study.made_up import night


def test_pace_is_told_in_words() -> None:
    """Nights done, messages a second, and the time that is left."""
    pace = Pace(10, 100.0)
    assert pace.text(100.0) == "0 of 10 nights"
    for seed in range(4):
        pace.add(night(seed))
    assert pace.text(180.0) == "4 of 10 nights, 750 messages/s, about 2 min left"
    for seed in range(6):
        pace.add(night(seed))
    assert pace.text(200.0) == "10 of 10 nights, 1,500 messages/s"


def test_without_a_terminal_a_line_comes_every_half_minute_at_most() -> None:
    """A night every 7 s for 2 min: four lines."""
    told: list[str] = []
    now = [0.0]
    with shown(100, told.append, lambda: now[0]) as progress:
        for seed in range(18):
            now[0] += 7
            progress(night(seed))
    assert [line.split(",")[0] for line in told] == [f"{done} of 100 nights" for done in (5, 10, 15)]

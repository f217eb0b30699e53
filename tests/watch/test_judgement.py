"""When the watch tells, and what: every way in which a monitor can fail, as stories in seconds, and two laws over any.

The times are common practice, no source. The law's second account is written from the monitor's side: how long ago
was it last seen to be well.
"""

from __future__ import annotations

import ast
import itertools
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.watch import beats, judgement
from monitor.watch.beats import Beat
from monitor.watch.judgement import GROUP, Judgement, Say, Wrong

SECOND, MINUTE = 1_000, 60_000
PATIENCE, REPEAT = 60 * SECOND, 10 * MINUTE
THERE = 1_700_000_000_000  # the monitor's own clock at our instant 0, which is nothing to us


def beat(at: int, **said: int | bool | None) -> Beat:
    """What a monitor says that is well, at second `at`, but for what is `said`."""
    own = THERE + at * SECOND
    return Beat(**{"online": True, "at": own, "last_step": own, **said})  # type: ignore[arg-type]


def gone(at: int, *, stopped: bool = False) -> Beat:
    """A last will, or a goodbye."""
    return Beat(online=False, at=THERE + at * SECOND, stopped=stopped)


class Story:
    """A judgement asked each second; what it told, with the second."""

    def __init__(self, patience: int = PATIENCE, repeat: int = REPEAT) -> None:
        self.judgement = Judgement(0, patience=patience, repeat=repeat)
        self.at = 0
        self.told: list[tuple[int, Say]] = []

    def until(self, second: int, *, beating: bool = False) -> Story:
        """Let time pass, with a beat each 15 s if it is beating."""
        while self.at < second:
            self.at += 1
            if beating and self.at % 15 == 0:
                self.hear(beat(self.at))
            if (say := self.judgement.look(self.at * SECOND)) is not None:
                self.told.append((self.at, say))
        return self

    def hear(self, said: Beat, *, retained: bool = False) -> Story:
        """A presence comes now."""
        self.judgement.hear(said, self.at * SECOND, retained=retained)
        return self

    def link(self, up: bool) -> Story:
        """The broker is there now, or not."""
        (self.judgement.link_up if up else self.judgement.link_down)(self.at * SECOND)
        return self

    @property
    def short(self) -> list[tuple[int, str]]:
        """What was told when, in a word."""
        return [(at, "back" if say.back_at is not None else str(say.finding.wrong)) for at, say in self.told]


def well(second: int = 300) -> Story:
    """A monitor that has been well for so long."""
    return Story().link(True).until(second, beating=True)


def test_nothing_is_told_of_a_monitor_that_is_well() -> None:
    """An hour of beats: not a word."""
    assert well(3_600).told == []


def test_a_broker_that_is_never_there() -> None:
    """From the start on: told once the patience is over, and again each 10 minutes."""
    story = Story().until(1_300)
    assert story.short == [(60, "broker"), (660, "broker"), (1_260, "broker")]
    assert [say.times for _, say in story.told] == [1, 2, 3]
    assert not story.told[0][1].finding.exact


def test_a_broker_that_goes() -> None:
    """Told a minute later, with the instant at which it went; a shorter loss is nothing."""
    story = well().link(False).until(340).link(True).until(500, beating=True)
    assert story.told == []
    story.link(False).until(560)
    [(at, say)] = story.told
    assert (at, say.finding.wrong, say.finding.since, say.finding.exact) == (
        560,
        Wrong.BROKER,
        500 * SECOND,
        True,
    )


def test_no_presence_at_all() -> None:
    """The broker is there, and knows of no monitor."""
    assert Story().link(True).until(100).short == [(60, "never")]


@pytest.mark.parametrize(("stopped", "what"), [(False, "lost"), (True, "stopped")])
@pytest.mark.parametrize("retained", [False, True])
def test_it_is_gone_by_its_own_word_or_by_its_will(stopped: bool, what: str, retained: bool) -> None:
    """Told after the patience; of what the broker had kept, only since when at the latest."""
    story = Story().link(True).until(1).hear(gone(1, stopped=stopped), retained=retained).until(100)
    assert story.short == [(60, what)]  # before it, no word of the monitor was there either
    assert story.told[0][1].finding.exact is not retained


def test_a_goodbye_and_back_at_once_is_nothing() -> None:
    """A restart takes less than the patience."""
    assert well().hear(gone(300, stopped=True)).until(340).hear(beat(340)).until(600, beating=True).told == []


def test_a_heart_that_stops() -> None:
    """The next beat would have come at 315 s; a minute after that it is told, since the last beat."""
    story = well().until(400)
    assert story.short == [(375, "silent")]
    assert story.told[0][1].finding.since == 300 * SECOND


def test_the_will_of_one_that_is_silent_is_no_news() -> None:
    """Silent, then lost: the same first step, so it is not told anew before it is time."""
    story = well().until(390).hear(gone(390)).until(1_000)
    assert story.short == [(375, "silent"), (975, "lost")]


def test_what_it_stored_gets_no_newer() -> None:
    """It beats, and its last step stays where it was."""
    story = well()
    for at in range(315, 420, 15):
        story.until(at).hear(beat(at, last_step=THERE + 300 * SECOND))
    assert story.short[0][1] == "stuck"
    assert story.told[0][1].finding.since == 300 * SECOND


def test_it_runs_late() -> None:
    """Deadlines overdue by more than the patience are told at once; by less, not."""
    story = well().hear(beat(300, late_ms=55_000)).until(301).hear(beat(301, late_ms=0)).until(310)
    assert story.told == []
    story.hear(beat(310, late_ms=61_000)).until(311)
    assert story.short == [(311, "late")]


def test_it_cannot_store() -> None:
    """By its own word, for longer than the patience; what its clock says is only compared with itself."""
    story = well()
    for at in range(315, 420, 15):
        story.until(at).hear(beat(at, last_step=THERE, unstored_since=THERE + 310 * SECOND))
    assert story.short == [(370, "unstored")]
    assert story.told[0][1].finding.since == 310 * SECOND


def test_another_first_step_is_told_when_it_has_lasted() -> None:
    """The broker comes back, and the monitor with it does not: that needs somebody to look elsewhere."""
    story = well().link(False).until(400).link(True).until(500)
    assert story.short == [(360, "broker"), (461, "silent")]
    assert story.told[1][1].times == 2


def test_back_is_told_once_and_when_it_is_steady() -> None:
    """Half a minute after the first good beat, with the instant at which all was well again."""
    story = well().until(435).hear(beat(435)).until(900, beating=True)
    assert story.short == [(375, "silent"), (466, "back")]
    say = story.told[1][1]
    assert (say.began, say.back_at) == (300 * SECOND, 436 * SECOND)


def test_one_that_comes_and_goes_is_one_trouble() -> None:
    """A beat now and then does not end it: it is repeated each 10 minutes, and not told as new."""
    story = well()
    for at in range(400, 1_000, 100):
        story.until(at).hear(beat(at))
    assert story.until(1_000).short == [(375, "silent"), (975, "silent")]


def test_after_our_own_sleep_all_counts_anew() -> None:
    """Frozen for an hour, it is us who missed the beats: nobody is woken, unless it is still so a patience later."""
    story = well()
    story.at = 3_900
    story.until(3_930)
    assert story.told == []
    story.hear(beat(3_930)).until(4_000, beating=True)
    assert story.told == []
    story.at = 8_000
    assert story.until(8_100).short == [(8_061, "silent")]


def test_a_new_start_looks_anew() -> None:
    """What the broker kept of a monitor that is well is believed for one beat and the patience, and no longer."""
    story = Story().link(True).hear(beat(0), retained=True).until(100)
    assert story.short == [(75, "silent")]
    assert not story.told[0][1].finding.exact


def test_what_the_broker_had_kept_is_no_sign_of_life() -> None:
    """A link that comes and goes brings the same kept beat again and again: that is not the monitor's heart."""
    kept = beat(300)
    story = well()
    for at in range(310, 500, 10):
        story.until(at).link(False).link(True).hear(kept, retained=True)
    assert story.short == [(375, "silent")]
    assert story.told[0][1].finding.since == 300 * SECOND


def test_an_interval_of_its_own_is_waited_for() -> None:
    """A monitor that says it beats each 30 s is given that."""
    story = Story().link(True).hear(beat(0, interval_ms=30_000)).until(100)
    assert story.short == [(90, "silent")]


def test_the_judgement_is_pure() -> None:
    """It imports nothing that could know the time, wait, or reach out."""
    for module in (beats, judgement):
        tree = ast.parse(Path(str(module.__file__)).read_text())
        imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        imported |= {
            name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names
        }
        pure = {
            "__future__",
            "dataclasses",
            "enum",
            "json",
            "typing",
            "monitor.core.instants",
            "monitor.watch.beats",
        }
        assert imported <= pure


def test_every_wrong_has_its_group() -> None:
    """Nothing that can be wrong is without one."""
    assert set(GROUP) == set(Wrong)


Step = tuple[int, str]
STEPS = st.lists(
    st.tuples(
        st.integers(1, 80), st.sampled_from(["beat", "beat", "beat", "will", "bye", "down", "up", "unstored"])
    ),
    max_size=25,
)


def _play(steps: Iterable[Step]) -> tuple[Story, list[int], list[bool]]:
    """A story, its seconds, and at each whether all was well then by the monitor's own account."""
    story, up, last = Story().link(True).hear(beat(0)), True, "beat"
    heard = 0
    seconds, good = [], []
    for wait, what in steps:
        for _ in range(wait):
            story.until(story.at + 1)
            seconds.append(story.at)
            good.append(up and last == "beat" and story.at - heard <= 15)
        if what in ("down", "up"):
            up = what == "up"
            story.link(up)
        elif up:
            last, heard = what, story.at
            story.hear(
                {
                    "beat": beat(story.at),
                    "will": gone(story.at),
                    "bye": gone(story.at, stopped=True),
                    "unstored": beat(story.at, unstored_since=THERE + story.at * SECOND),
                }[what]
            )
    return story, seconds, good


@given(STEPS)
@settings(max_examples=200, deadline=None)
def test_it_is_never_silent_for_long(steps: list[Step]) -> None:
    """Law: whatever is wrong, one thing after another: a minute without any moment that is well, and it is told."""
    story, seconds, good = _play([*steps, (120, "beat")])
    told = {at: say.back_at is None for at, say in story.told}
    run, standing = 0, False
    for second, one in zip(seconds, good, strict=True):
        standing = told.get(second, standing)
        run = 0 if one else run + 1
        assert standing or run <= 61


@given(STEPS)
@settings(max_examples=200, deadline=None)
def test_it_never_cries_wolf(steps: list[Step]) -> None:
    """Law: where nothing is wrong for as long as the patience, nobody is told; and nobody hears "back" untold."""
    story, _, good = _play(steps)
    longest = run = 0
    for one in good:
        run = 0 if one else run + 1
        longest = max(longest, run)
    if longest < 60:
        assert story.told == []
    kinds = [say.back_at is not None for _, say in story.told]
    assert not any(first and second for first, second in itertools.pairwise(kinds))
    assert not kinds or not kinds[0]

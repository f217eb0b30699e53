"""One pump's shift: pieces, what was given, what was planned, what nobody saw."""

from __future__ import annotations

import pytest
from hypothesis import given as forall
from hypothesis import strategies as st

from monitor.core.chronicle import Mark, key, read, write
from monitor.reports.nights import UNKNOWN, given, pieces, planned
from monitor.reports.spans import Span
from tests.reports.sample import HOUR, MINUTE, PLAN, SPAN, ZONE, mark, nights


def test_the_pieces_of_a_shift_are_without_gap_or_overlap() -> None:
    """From the first minute to the last, each instant is in exactly one piece."""
    for night in nights():
        assert (night.pieces[0].start, night.pieces[-1].end) == (SPAN.start, SPAN.end)
        assert all(one.end == two.start for one, two in zip(night.pieces, night.pieces[1:], strict=False))


@forall(
    st.lists(
        st.tuples(st.integers(-60, 780), st.integers(0, 90), st.sampled_from(["feeding", "off", "held"]))
    )
)
def test_any_marks_give_whole_shifts(found: list[tuple[int, int, str]]) -> None:
    """Whatever was marked when, the pieces fill the shift."""
    marks = [
        mark(minutes, doing, 0.0, heard=SPAN.start + (minutes - silent) * MINUTE)
        for minutes, silent, doing in sorted(set(found))
    ]
    cut = pieces(marks, SPAN, None)
    assert sum(piece.end - piece.start for piece in cut) == SPAN.end - SPAN.start
    assert all(piece.end > piece.start for piece in cut)


def test_what_nobody_saw_is_unseen_and_not_what_it_was_before() -> None:
    """Silent from 21:35 to 23:00, and for good from 04:20: both are unseen, to the minute."""
    night = nights()[2]
    unseen = [piece for piece in night.pieces if piece.doing == UNKNOWN]
    assert [(p.start - SPAN.start) / MINUTE for p in unseen] == [95, 500]
    assert [(p.end - SPAN.start) / MINUTE for p in unseen] == [180, 720]


def test_what_was_given_when_the_end_was_not_seen_is_a_lower_bound() -> None:
    """300 mL by the counter, not seen after 04:20: at least 300, so up to 700 of 1,000 are missing."""
    night = nights()[2]
    assert (night.given_ml, night.complete, night.missed_ml) == (300, False, 700)
    assert night.doubts == ("not seen at the end",)


def test_a_counter_that_begins_again_is_added_and_said() -> None:
    """400 mL, then a counter at 0 that rises to 100: 500 mL, doubtful."""
    marks = [
        mark(0, "feeding", 0),
        mark(240, "feeding", 400),
        mark(241, "feeding", 0),
        mark(720, "feeding", 100),
    ]
    assert given(marks, SPAN).ml == pytest.approx(500)
    assert given(marks, SPAN).complete
    assert given(marks, SPAN).doubts == ("its counter began again",)


def test_only_what_lies_in_the_shift_counts() -> None:
    """Of 60 mL between half an hour before the shift and half an hour after its start, 30 are its own."""
    marks = [mark(-30, "feeding", 0), mark(30, "feeding", 60), mark(720, "off", 60)]
    assert given(marks, SPAN).ml == pytest.approx(30)


def test_a_pump_that_does_not_tell_is_unknown_not_zero() -> None:
    """No counter: not known."""
    assert given([mark(0, "feeding", 0)._replace(delivered_ml=None)], SPAN).ml is None
    assert given([], SPAN).ml is None


def test_the_plan_of_a_part_of_a_night() -> None:
    """1,000 mL from 20:00 to 06:00, evenly at 100 mL/h: 200 from 22:00 to midnight, nothing after 06:00."""
    part = Span(SPAN.start + 2 * HOUR, SPAN.start + 4 * HOUR)
    assert planned(PLAN, ZONE, part, 1000) == pytest.approx(200)
    assert planned(PLAN, ZONE, Span(SPAN.start + 10 * HOUR, SPAN.end), 1000) == pytest.approx(0)
    assert planned(PLAN, ZONE, Span(SPAN.start - 24 * HOUR, SPAN.end), 1000) == pytest.approx(2000)
    assert planned(None, ZONE, SPAN, None) is None


def test_a_mark_is_read_as_it_was_written() -> None:
    """Through its row and back; what is none is refused."""
    one = mark(5, "feeding", 12.5, alarm="high", muted=True, mains=None)
    assert read(key("pump-0101", one.at), write(one)) == ("pump-0101", one)
    with pytest.raises(ValueError, match="no mark"):
        read("pump-0101|1", "[1,2]")
    assert isinstance(one, Mark)

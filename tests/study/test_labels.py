"""Names beside points: none on another, none cut off, each nearest to its own."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from monitor.study.labels import Box, Point, place

FRAME = Box(0, 0, 1000, 500)
POINTS = st.lists(
    st.builds(Point, st.integers(0, 1000), st.integers(0, 500), st.integers(60, 200), st.just(16)), max_size=8
)  # fmt: skip


@given(POINTS)
def test_no_name_lies_on_another_or_is_cut_off(points: list[Point]) -> None:
    """Of eight points anywhere, some of them on top of each other."""
    boxes = place(points, [], FRAME, gap=12)
    assert all(one.overlap(other) == 0 for one, other in combinations(boxes, 2))
    assert all(box.outside(FRAME) < 1e-6 for box in boxes)


def test_a_name_alone_stands_to_the_right() -> None:
    """As one reads."""
    [box] = place([Point(500, 250, 100, 16)], [], FRAME, gap=12)
    assert (box.left, box.bottom) == (512, 242)


def test_what_is_taken_is_not_covered() -> None:
    """A bar to the right of the point: the name goes elsewhere."""
    bar = Box(490, 240, 700, 260)
    [box] = place([Point(500, 250, 100, 16)], [bar], FRAME, gap=12)
    assert box.overlap(bar) == 0


def test_a_name_is_nearest_to_its_own_point() -> None:
    """Four in a row, each name wider than the way to the next point."""
    points = [Point(300 + 100 * number, 250, 120, 16) for number in range(4)]
    for number, box in enumerate(
        place(points, [Box(p.x - 6, p.y - 6, p.x + 6, p.y + 6) for p in points], FRAME, gap=12)
    ):
        ways = [box.distance(point.x, point.y) for point in points]
        assert ways.index(min(ways)) == number


def test_rectangles() -> None:
    """By hand."""
    box = Box(0, 0, 10, 4)
    assert box.overlap(Box(8, 2, 20, 20)) == 4
    assert box.overlap(Box(10, 0, 20, 4)) == 0
    assert box.outside(Box(5, 0, 100, 100)) == 20
    assert (box.distance(5, 2), box.distance(13, 8), box.distance(-3, 2)) == (0, 5, 3)

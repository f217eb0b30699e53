"""Where the names of points go, so that none lies on another, on a point or on a bar.

Everything is a rectangle in the units of the drawing. Places around a point are tried from near to far, and the first
that costs least is taken: what is covered counts most, then the distance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

DIRECTIONS: Final = (
    0,
    45,
    -45,
    90,
    -90,
    20,
    -20,
    65,
    -65,
    135,
    -135,
    115,
    -115,
    160,
    -160,
    180,
)  # degrees; to the right first, as one reads
STEPS: Final = 10
COVERED: Final = 100_000.0  # for each unit of area of another name, or beyond the frame
CROSSED: Final = 1000.0  # of a point, a bar or a line
DOUBTFUL: Final = 4.0  # for each unit of length


class Box(NamedTuple):
    """A rectangle."""

    left: float
    bottom: float
    right: float
    top: float

    def overlap(self, other: Box) -> float:
        """The area that both cover."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        tall = min(self.top, other.top) - max(self.bottom, other.bottom)
        return wide * tall if wide > 0 and tall > 0 else 0.0

    def nearest(self, x: float, y: float) -> tuple[float, float]:
        """Where it is nearest to a point."""
        return min(max(x, self.left), self.right), min(max(y, self.bottom), self.top)

    def distance(self, x: float, y: float) -> float:
        """How far it is from a point."""
        near_x, near_y = self.nearest(x, y)
        return math.hypot(near_x - x, near_y - y)

    def outside(self, frame: Box) -> float:
        """The area that lies outside of a frame."""
        return (self.right - self.left) * (self.top - self.bottom) - self.overlap(frame)


class Point(NamedTuple):
    """Where a point lies, and how wide and tall its label is."""

    x: float
    y: float
    wide: float
    tall: float


def place(points: Sequence[Point], taken: Sequence[Box], frame: Box, *, gap: float) -> list[Box]:
    """The rectangle of each label, in the order of the points; `taken` is what none should cover."""
    placed: list[Box] = []
    lines: list[Box] = []
    found: dict[int, Box] = {}
    # Those in a crowd choose first: whoever stands alone has room anyway.
    for number in sorted(range(len(points)), key=lambda at: _nearest(points, at)):
        mine, others = points[number], [point for at, point in enumerate(points) if at != number]
        crossed = [
            *placed,
            *(Box(p.x - gap / 2, p.y - gap / 2, p.x + gap / 2, p.y + gap / 2) for p in others),
        ]
        best = min(
            (
                COVERED * (_over(box, placed) + box.outside(frame))
                + CROSSED
                * (_over(box, [*taken, *lines]) + sum(_over(led, crossed) for led in _led(mine, box)))
                + DOUBTFUL * _doubt(box, mine, others, gap)
                + extra,
                turn,
                box,
            )
            for turn, (box, extra) in enumerate(_places(mine, gap))
        )[2]
        placed.append(best)
        lines += _led(mine, best)
        found[number] = best
    return [found[number] for number in range(len(points))]


def _over(box: Box, others: Sequence[Box]) -> float:
    return sum(box.overlap(other) for other in others)


def _doubt(box: Box, mine: Point, others: Sequence[Point], gap: float) -> float:
    """How far it is from lying clearly nearer to its own point than to others."""
    own = box.distance(mine.x, mine.y)
    return sum(max(0.0, own + gap - box.distance(other.x, other.y)) for other in others)


def _led(point: Point, box: Box) -> list[Box]:
    """The line from a point to its label, as rectangles along it."""
    x, y = box.nearest(point.x, point.y)
    steps = max(1, int(math.hypot(x - point.x, y - point.y) / 4))
    found = []
    for step in range(1, steps):
        part = step / steps
        here, there = point.x + part * (x - point.x), point.y + part * (y - point.y)
        found.append(Box(here - 3, there - 3, here + 3, there + 3))
    return found


def _nearest(points: Sequence[Point], number: int) -> float:
    mine = points[number]
    return min(
        (math.hypot(mine.x - other.x, mine.y - other.y) for at, other in enumerate(points) if at != number),
        default=0.0,
    )


def _places(point: Point, gap: float) -> Iterator[tuple[Box, float]]:
    """Rectangles around a point, each with what its distance costs."""
    for step in range(STEPS):
        far = gap * (1 + 1.2 * step)
        for turn, degrees in enumerate(DIRECTIONS):
            across, up = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
            x, y = point.x + far * across, point.y + far * up
            left = x if across > 0.1 else x - point.wide if across < -0.1 else x - point.wide / 2
            bottom = y if up > 0.1 else y - point.tall if up < -0.1 else y - point.tall / 2
            yield Box(left, bottom, left + point.wide, bottom + point.tall), far + turn * 0.05 * gap

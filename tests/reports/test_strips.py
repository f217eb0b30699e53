"""The strips: what is drawn where, and that what is short is still seen."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

from monitor.reports.nights import FED, STOPPED, Piece
from monitor.reports.spans import Span
from monitor.reports.strips import NARROWEST, WIDTH, hours, scale, strip, totals
from tests.reports.sample import HOUR, MINUTE, SPAN, ZONE, nights

LOOKS = {"#2a4d7c": "fed", "#c00": "high", "#fd0": "medium"}


def rectangles(drawn: str, fill: str) -> list[tuple[float, float, float, float]]:
    """Left, top, width and height of each rectangle with this fill, by a real XML parser."""
    return [
        tuple(float(shape.attrib[name]) for name in ("x", "y", "width", "height"))  # type: ignore[misc]
        for shape in ElementTree.fromstring(drawn).findall("rect")
        if shape.attrib["fill"] == fill
    ]


def test_what_is_drawn_is_in_proportion() -> None:
    """Delivering from 20:00 to 06:00 of a night of 12 h is ten twelfths of the width."""
    [(left, _, width, _)] = rectangles(strip(nights()[0], SPAN, ZONE), "#2a4d7c")
    assert (left, round(width)) == (0, round(WIDTH * 10 / 12))


def test_a_short_alarm_is_wide_enough_to_be_seen_and_stays_inside() -> None:
    """Of 30 s in the last minute: as wide as the narrowest mark, and not over the edge."""
    night = dataclasses.replace(
        nights()[0],
        pieces=(
            Piece(SPAN.start, SPAN.end - MINUTE // 2, FED, False, "", False),
            Piece(SPAN.end - MINUTE // 2, SPAN.end, STOPPED, False, "high", False),
        ),
    )
    [(left, _, width, _)] = rectangles(strip(night, SPAN, ZONE), "#c00")
    assert (left, width) == (WIDTH - NARROWEST, NARROWEST)


def test_an_alarm_is_one_mark_whatever_else_changes_under_it() -> None:
    """Muted in the middle: one mark of the alarm, not three beside each other."""
    pieces = tuple(
        Piece(SPAN.start + at * HOUR, SPAN.start + (at + 1) * HOUR, STOPPED, at == 1, "medium", at == 2)
        for at in range(3)
    )
    drawn = strip(dataclasses.replace(nights()[0], pieces=pieces), SPAN, ZONE)
    assert [round(shape[2]) for shape in rectangles(drawn, "#fd0")] == [round(WIDTH * 3 / 12)]


def test_hours_are_those_of_the_local_clock() -> None:
    """On the night of 28 March 2026 in London 01:00 is followed by 02:00 of summer time: eleven hours in all."""
    short = Span(SPAN.start + 14 * 24 * HOUR, SPAN.start + 14 * 24 * HOUR + 11 * HOUR)
    assert len(hours(short, ZONE)) == 12
    shown = re.findall(r">(\d\d:\d\d)<", scale(short, ZONE))
    assert (shown[0], shown[-1], "01:00" in shown) == ("20:00", "07:00", False)


def test_totals_are_in_words_and_count_no_future() -> None:
    """What lies after the instant of the page is left out; below a minute nothing is said."""
    blocked = nights()[1]
    assert totals(blocked, SPAN.end)[0] == "not delivering 1 h 1 min"
    assert totals(blocked, SPAN.start + 140 * MINUTE) == (
        "not delivering 10 min",
        "alarm without sound 10 min",
    )
    assert totals(blocked, SPAN.start + 130 * MINUTE) == ()

"""The page: what a nurse finds on it, and that nothing from outside becomes markup."""

from __future__ import annotations

import dataclasses
import re
from html import escape
from html.parser import HTMLParser

import pytest

from monitor.reports.answers import answers, as_text, natural, not_seen
from monitor.reports.page import html
from monitor.reports.strips import ALARM_HEIGHT
from tests.reports.sample import MINUTE, SPAN, handover

MADE = SPAN.end + MINUTE


def test_three_questions_are_answered_first() -> None:
    """What is open and whose, who was given less, what keeps coming back: before anything else on the page."""
    opened, underfed, repeated = answers(handover())
    assert (opened.short, opened.lines) == (
        "2 open, 1 with NOBODY",
        (
            "HIGH bay 1 bed 2: alarm standing since 01:30: NOBODY has it",
            "MEDIUM bay 2 bed 4: pump out of sight since 02:30: night nurse 2",
        ),
    )
    assert (underfed.short, underfed.lines) == (
        "2 of 3 by 10 % or 100 mL or more",
        ("bay 2 bed 4: up to 700 mL (1050 kcal) less", "bay 1 bed 2: 220 mL (330 kcal) less"),
    )
    assert (repeated.short, repeated.lines) == (
        "1 pump in trouble more than once",
        ("bay 1 bed 2, 3 times: line blocked again and again (twice); alarm standing",),
    )
    page = html(handover(), MADE)
    found = [
        page.index(escape(line)) for answer in answers(handover()) for line in (answer.short, *answer.lines)
    ]
    assert found == sorted(found)
    assert found[-1] < page.index("Still open")


def test_a_quiet_shift_is_answered_too() -> None:
    """Nothing open, nobody underfed, nothing again; and what is not known is no "nobody"."""
    quiet = dataclasses.replace(handover(), live=(), nights=handover().nights[:1], repeated=())
    assert [answer.short for answer in answers(quiet)] == [
        "nothing is open",
        "nobody by 10 % or 100 mL",
        "nothing",
    ]
    unplanned = dataclasses.replace(quiet, nights=(dataclasses.replace(quiet.nights[0], planned_ml=None),))
    assert answers(unplanned)[1].short == "no plan known of 1"
    assert answers(dataclasses.replace(quiet, nights=()))[1].short == "no plan known of 0"
    assert as_text(quiet).splitlines()[0] == "What is open, and whose: nothing is open"


def test_what_nobody_saw_bounds_the_answers() -> None:
    """It stands beside them, on the page and in the text; a shift that was seen says nothing of the kind."""
    said = (
        "Not all was seen: 1 of 3 pumps for 10 min or more (longest: bay 2 bed 4, 5 h 5 min); "
        "Second Bell itself was blind once."
    )
    assert not_seen(handover()) == said
    assert as_text(handover()).endswith(said)
    page = html(handover(), MADE)
    assert page.index(said) < page.index("Still open")
    seen = dataclasses.replace(handover(), nights=handover().nights[:2], gaps=())
    assert (not_seen(seen), "Not all was seen" in html(seen, MADE)) == ("", False)


def test_a_loss_of_no_weight_is_not_cried_out() -> None:
    """30 of 1,000 mL is told, but as what it is; 100 mL, or a tenth of a small plan, is much."""
    night = handover().nights[0]

    def short(missed: float, planned: float = 1000.0) -> str:
        one = dataclasses.replace(night, planned_ml=planned, given_ml=planned - missed)
        return answers(dataclasses.replace(handover(), nights=(one,)))[1].short

    assert short(30) == "nobody by 10 % or 100 mL, 1 by less"
    assert short(100, 2000.0) == short(50, 500.0) == "1 of 1 by 10 % or 100 mL or more"
    assert short(99.9, 2000.0) == short(49, 500.0) == short(30)


def test_many_are_cut_short_and_counted() -> None:
    """Of nine open ones four are named; of five all, as "and one more" would take as long."""
    row = handover().live[0]
    for number, named, more in ((9, 4, 5), (5, 5, 0)):
        report = dataclasses.replace(handover(), live=(row,) * number)
        assert (len(answers(report)[0].lines), answers(report)[0].more) == (named, more)
    assert "and 5 more, below" in html(dataclasses.replace(handover(), live=(row,) * 9), MADE)


def test_places_are_sorted_as_a_person_does() -> None:
    """Bay 2 before bay 10, on the page too."""
    assert sorted(["bay 10 bed 1", "bay 2 bed 10", "bay 2 bed 9"], key=natural) == [
        "bay 2 bed 9", "bay 2 bed 10", "bay 10 bed 1",
    ]  # fmt: skip
    night = handover().nights[0]
    far, near = (dataclasses.replace(night, place=place) for place in ("bay 10 bed 1", "bay 9 bed 1"))
    page = html(dataclasses.replace(handover(), nights=(far, near)), MADE)
    assert page.rindex("bay 9 bed 1") < page.rindex("bay 10 bed 1")


def contrast(one: str, other: str) -> float:
    """The contrast of two colours (WCAG 2.2, relative luminance and contrast ratio)."""

    def luminance(colour: str) -> float:
        digits = colour.lstrip("#")
        wide = digits if len(digits) == 6 else "".join(digit * 2 for digit in digits)
        parts = [int(wide[at : at + 2], 16) / 255 for at in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_texts_are_legible() -> None:
    """At least 4.5:1 (WCAG 2.2, 1.4.3) for each text colour on white, and in each priority's tag."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    css = re.search(r"<style>(.*?)</style>", html(handover(), MADE), re.DOTALL)
    assert css is not None
    on_white = set(re.findall(r"[;{ ]color: (#\w+)", css[1])) - {"#fff"}
    assert {"#111", "#333", "#444"} <= on_white
    assert all(contrast(colour, "#fff") >= 4.5 for colour in on_white)
    tags = re.findall(r"\.tag\.\w+ \{ background: (#\w+); color: (#\w+) \}", css[1])
    assert len(tags) == 3
    assert all(contrast(*tag) >= 4.5 for tag in tags)


def test_nothing_is_said_by_colour_alone() -> None:
    """Each priority stands as a word; each drawing has a text, and each look on the strips another shape or height."""
    page = html(handover(), MADE)
    assert re.findall(r'<span class="tag (\w+)">(\w+)</span>', page)[:2] == [
        ("high", "HIGH"),
        ("medium", "MEDIUM"),
    ]
    assert page.count('class="strip"') == page.count('role="img"><title>') == 3
    assert "01:30 to 01:45 not delivering, high alarm, without sound, on battery" in page
    assert "not seen 5 h 5 min" in page, "in words beside the drawing too"
    assert len(set(ALARM_HEIGHT.values())) == 3


def test_the_page_stands_alone() -> None:
    """No script, nothing fetched from anywhere: no address, no import, no external reference."""
    page = html(handover(), MADE)
    assert not re.search(r"<script|<link|<img|@import|https?://|url\((?!#)", page)


def test_nothing_from_outside_becomes_markup() -> None:
    """A place that looks like markup is text on the page."""
    report = handover()
    hostile = "<img src=x onerror=alert(1)>&\"'"
    live = tuple(row._replace(place=hostile, what=hostile, holder=hostile) for row in report.live)
    nights = tuple(dataclasses.replace(night, place=hostile, device=hostile) for night in report.nights)
    page = html(dataclasses.replace(report, live=live, nights=nights, unit=hostile), MADE)
    seen: list[str] = []

    class Parser(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            del attrs
            seen.append(tag)

    Parser().feed(page)
    assert "img" not in seen
    assert page.count("&lt;img") >= 6


def test_unknown_is_said_as_unknown() -> None:
    """A pump that told nothing has no zero in its row."""
    report = handover()
    unknown = dataclasses.replace(report.nights[0], given_ml=None, planned_ml=1000.0)
    page = html(dataclasses.replace(report, nights=(unknown,)), MADE)
    assert page.count('<span class="unknown">unknown</span>') == 2  # given, and so what is missing
    underfed = answers(dataclasses.replace(report, nights=(unknown,)))[1]
    assert (underfed.short, underfed.lines) == (
        "1 unknown",
        ("bay 1 bed 1: unknown",),
    )


def test_a_shift_that_is_not_over_says_so() -> None:
    """Made in the middle of the night, it says how far it goes."""
    report = dataclasses.replace(handover(), as_of=SPAN.start + 300 * MINUTE)
    assert "as it stands at 01:00, the shift is not over" in html(report, MADE)


def test_a_bad_night_stays_printable() -> None:
    """Of a thousand concerns that are over the first 300 are listed, and the others counted."""
    row = handover().over[0]
    page = html(dataclasses.replace(handover(), over=(row,) * 1000), MADE)
    assert page.count(row.why) == 300
    assert "And 700 more" in page

"""The page: what is on it and in which order, that it stands alone, and that nothing from outside becomes markup."""

from __future__ import annotations

import re
from functools import cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest

from monitor.study import plots
from monitor.study.measures import MEASURES
from monitor.study.page import answer, html
from monitor.study.targets import TARGETS
from tests.study.shown import HOSTILE, one_night, study

MADE = 1_773_540_000_000
VOID = {"meta", "path", "use", "img", "br", "link"}


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The page with its pictures."""
    return html(study(), plots.draw(study(), tmp_path_factory.mktemp("pictures")), MADE)


@cache
def plain() -> str:
    """The page without pictures."""
    return html(study(), {}, MADE, without="no library")


def words(page: str) -> str:
    """What is read, without markup and with single spaces."""
    return " ".join(unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)).split())


def test_the_answer_comes_first_and_then_what_it_is_not(page: str) -> None:
    """Three sentences, what was not reached, the caution, targets, worlds, rules, sweeps, definitions, figures."""
    said = words(page)
    unmet = [one for several in study().targets.values() for one in several if one.met is False]
    *_, last = answer(study())
    assert len(answer(study())) == 4
    assert last == f"Of the {2 * len(TARGETS)} targets below, {len(unmet)} are not met."
    order = [
        *answer(study()), "What this is: Design evidence from simulated nights, not a clinical claim.",
        "What it is not:",
        "Do not rely on Second Bell in place of the pump's own alarm", "Targets of the shipped defaults",
        "ward: ways of telling people, side by side", "By kind of trouble, as shipped",
        "Not told, as shipped", "Calls by rule, as shipped",
        "homes: ways of telling people, side by side", "What each rule adds", "Thresholds swept", "What is measured",
        "The worlds: every number and where it comes from", "80,000",
    ]  # fmt: skip
    places = [
        said.find(part, 0 if number < 4 else said.index("What this is"))
        for number, part in enumerate(order[:-1])
    ]
    assert -1 not in places
    assert places == sorted(places)


def test_all_that_was_found_is_on_it(page: str) -> None:
    """Each strategy, target, measure and its meaning, each figure of a world with its source or assumption."""
    said = words(page)
    for strategy in study().asked.chosen:
        assert (
            strategy.left_out or strategy.name if strategy.swept is None else str(strategy.swept[2])
        ) in said
    for target in TARGETS:
        assert said.count(target.says) >= len(study().worlds)
    for measure in MEASURES:
        assert measure.says in said
    for world in study().asked.worlds:
        for name, figure in world.figures.items():
            assert name in said
            assert " ".join((figure.source or figure.assumption or "").split()) in said


def test_assumptions_come_before_sources() -> None:
    """In each world, as they are what to doubt first."""
    said = plain()
    assert said.count(">Assumptions<") == said.count(">From published sources<") == 2
    for part in said.split("<h3>ward</h3>")[-1].split("<h3>homes</h3>"):
        assert part.index(">Assumptions<") < part.index(">From published sources<")


def test_the_page_stands_alone(page: str) -> None:
    """No script, nothing fetched from anywhere, and a policy that would let nothing be."""
    assert not re.search(r"<script|<link|<img|@import|https?://|url\((?!#)|xlink", page)
    assert "default-src 'none'; style-src 'unsafe-inline'" in page
    assert page.count("<style>") == 1, "no picture brings a style of its own"


def test_ids_are_unique_and_all_pointed_at_are_there(page: str) -> None:
    """Of all pictures together."""
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids)) > 100
    pointed = {*re.findall(r'href="#([^"]+)"', page), *re.findall(r"url\(#([^)]+)\)", page)}
    assert pointed <= set(ids)


def test_every_element_is_closed(page: str) -> None:
    """Each end tag ends what was begun last."""
    open_tags: list[str] = []

    class Parser(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            del attrs
            if tag not in VOID:
                open_tags.append(tag)

        def handle_endtag(self, tag: str) -> None:
            if tag not in VOID:
                assert open_tags.pop() == tag, self.getpos()

    Parser().feed(page)
    assert open_tags == []


def test_every_picture_is_told_in_words(page: str) -> None:
    """Read aloud by its title, with a caption under it: the frontier, one of the rules a world, one a sweep."""
    titles = re.findall(r'<svg class="figure"[^>]*role="img"[^>]*><title>([^<]+)</title>', page)
    assert len(titles) == page.count("<svg") == page.count("<figcaption>") == 1 + 2 + len(study().sweeps())
    assert len(set(titles)) == len(titles)


def test_nothing_from_outside_becomes_markup() -> None:
    """A trouble that looks like markup is text."""
    assert HOSTILE not in plain()
    assert plain().count("&lt;script&gt;") == 2


def test_what_was_missed_can_be_looked_for() -> None:
    """Kind, how often, seed and device."""
    assert "out of sight 1 seed 3 pump-0007" in words(plain())


def test_a_page_without_pictures_says_why() -> None:
    """And holds all tables."""
    assert "No pictures: no library." in words(plain())
    assert "<svg" not in plain()


def test_one_night_says_that_it_has_no_interval() -> None:
    """One world, nothing left out or swept, nothing missed; all is worded for one."""
    said = words(html(one_night(), {}, MADE))
    assert "1 night in each of 1 world (seeds 5 to 5)" in said
    assert "One night has no interval." in said
    assert "Nothing that outlasted 15 minutes was missed." in said
    assert "What each rule adds" not in said
    assert "Thresholds swept" not in said
    assert "0 of them were played in this run" in said


def test_texts_are_legible() -> None:
    """At least 4.5:1 (WCAG 2.2, 1.4.3) for each text colour on white."""
    from tests.reports.test_page import contrast

    css = re.search(r"<style>(.*?)</style>", plain(), re.DOTALL)
    assert css is not None
    on_white = set(re.findall(r"[;{ ]color: (#\w+)", css[1])) - {"#fff"}
    assert all(contrast(colour, "#fff") >= 4.5 for colour in on_white)
    assert all(contrast(colour, "#fff") >= 4.5 for colour in (plots.INK, plots.GREY, plots.ACCENT))


def test_it_is_as_a_file_says(tmp_path: Path) -> None:
    """The same study gives the same page, to the byte, pictures and all."""
    first, second = (html(one_night(), plots.draw(one_night(), made), MADE) for made in (tmp_path, tmp_path))
    assert first == second

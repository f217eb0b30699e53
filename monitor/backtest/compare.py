"""Two site files and the same recorded messages: what each would have told, side by side."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.backtest.measures import ANSWERS, CAUTION, Measures, Rules, Story, story_json
from monitor.backtest.playing import Played
from monitor.backtest.sweep import doubts


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What came of both; `names` are what they are called in the output."""

    names: tuple[str, str]
    played: tuple[Played, Played]

    @property
    def measures(self) -> tuple[Measures, Measures]:
        """The measures of both."""
        return self.played[0].measures, self.played[1].measures

    def rows(self) -> list[tuple[str | None, Rules, Rules]]:
        """Each rule that did anything in either, and (None) all together."""
        one, other = self.measures
        rules = sorted({*one.rules(), *other.rules()})
        return [(rule, one.of(rule), other.of(rule)) for rule in [*rules, None]]

    def only(self) -> tuple[list[Story], list[Story]]:
        """The concerns that are in one only.

        A concern of one is in the other too if that has one of the same rule and subject whose time, from the start of
        what is behind it to its end, meets its own: with another threshold the same trouble is raised sooner or later.
        """
        one, other = self.measures
        return _only(one, other), _only(other, one)

    @property
    def alike(self) -> bool:
        """Whether there is no difference at all."""
        one, other = self.measures
        return one.stories == other.stories and one.sent == other.sent


def _only(here: Measures, there: Measures) -> list[Story]:
    known: dict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    for story in there.stories:
        known[story.rule, story.subject].append(_time(story, there.until))
    found = []
    for story in here.stories:
        begin, end = _time(story, here.until)
        if not any(begin <= last and first <= end for first, last in known[story.rule, story.subject]):
            found.append(story)
    return sorted(found, key=lambda story: (story.raised, story.subject, story.rule))


def _time(story: Story, until: int) -> tuple[int, int]:
    return story.since, until if story.over is None else story.over


def as_json(compared: Compared) -> dict[str, Any]:
    """The figures as JSON values."""
    only = compared.only()
    return {
        "caution": CAUTION,
        "answers": ANSWERS,
        "alike": compared.alike,
        "sites": [
            {"file": name, **found.as_json(), "only_here": [story_json(story) for story in mine]}
            for name, found, mine in zip(compared.names, compared.measures, only, strict=True)
        ],
        "doubts": doubts(compared.played),
    }


def names_of(paths: Sequence[str]) -> tuple[str, str]:
    """How the two are called: by their files, told apart if those are called alike."""
    one, other = paths
    return one, other if other != one else f"{other} (again)"

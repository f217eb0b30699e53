"""The texts of notices that tell of many concerns as one, word for word, and what no input may break in them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core import guidance
from monitor.core.facts import Facts
from monitor.core.group_notices import WHY_MANY, Alike, Many, many_mail, many_page
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.instants import MINUTE
from monitor.core.wording import WHY
from tests.core.sample_facts import NOW, ZONE, facts
from tests.core.test_notices_any import wild

KINDS = ("call", "yours", "told", "over")


def many(several: Sequence[Facts], *, total: int | None = None, **more: object) -> Many:
    """A notice that names these; of each kind there are as many as named, or `total` of the first."""
    alike: dict[tuple[str, str, str], list[Facts]] = {}
    for fact in sorted(several, key=lambda fact: KINDS.index(fact.told_as.kind)):
        alike.setdefault((fact.told_as.kind, fact.unit, fact.rule), []).append(fact)
    counted = []
    for index, (key, named) in enumerate(alike.items()):
        count = total if total is not None and not index else len(named)
        whys = {fact.why for fact in named} - {"still"}
        high = sum(fact.priority == "high" for fact in named)
        counted.append(Alike(*key, count, high, count, whys.pop() if len(whys) == 1 else ""))
    ordered = [fact for named in alike.values() for fact in named]
    return Many(facts=ordered, alike=counted, code="GRP234", **more)  # type: ignore[arg-type]


def beds(count: int, **changed: object) -> list[Facts]:
    """So many beds of one bay, battery nearly flat."""
    told: dict[str, object] = {
        "rule": "low-power-unplugged",
        "alarms": (),
        "activity": "feeding",
        "mains": False,
    }
    return [
        facts(
            **told
            | {
                "place": f"bay 1 bed {n}",
                "pager_place": f"B1/{n}",
                "device": f"pump-{n}",
                "code": f"ONE{n:03}",
            }
            | changed
        )
        for n in range(1, count + 1)
    ]


MAIL = """\
MEDIUM PRIORITY: please go round the pumps of unit north soon: 7 pumps, battery nearly flat, not on mains.
Nobody has accepted them yet, so you are told now.
Why it matters: The trouble behind it goes on.
The most urgent first:
- bay 1 bed 1 (pump-1): medium, since 02:08; feeding, not on mains, battery 61 %. New. Code ONE001
- bay 1 bed 2 (pump-2): medium, since 02:08; feeding, not on mains, battery 61 %. New. Code ONE002

And 5 more that have no room here. Code GRP234 is for them too. `secondbell why DEVICE` tells of each.

Look at, in this order:
1. Look at the person first.
2. Follow the line.

To take all 7: answer with code GRP234 (secondbell accept GRP234 --as YOUR-ID). It takes what is open in this notice \
and in those before it with this code, and nothing else.
To take one: answer with the code on its line. What you cannot get to in time, leave for others.
You cannot see to them: secondbell decline GRP234 --as YOUR-ID, so that nobody waits for you.
Accepting tells all who were told that you have them. It does not silence the pumps. Nobody reads a reply to this mail.
Next: if nobody accepts by 02:24, night nurse 2 is told.
"""


def test_a_whole_mail() -> None:
    """Seven pumps, two of them named, word for word."""
    text = many_mail(many(beds(2, why="next-rung"), total=7), ZONE)
    assert text.subject == "MEDIUM PRIORITY, unit north: 7 pumps, battery nearly flat, not on mains"
    assert text.body == f"{MAIL}\n{guidance.CAUTION}\n"


@pytest.mark.parametrize(
    ("told", "text"),
    [
        (many(beds(2), total=37),
         "MEDIUM north: 37 pumps battery nearly flat, no mains. B1/1, B1/2 +35. Persons first. "
         "Else 02:24 night nurse 2. Code GRP234 takes all 37"),
        (many(beds(2, why="round-again", priority="high", next_who=None), total=200),
         "HIGH north: 200 pumps battery nearly flat, no mains, 2 of them high. B1/1, B1/2 +198. STILL nobody has them. "
         "Persons first. Code GRP234 takes all 200"),
        (many(beds(2, why="taken", holder="night nurse 2", recheck_at=NOW + 20 * MINUTE), total=9),
         "TAKEN MEDIUM north: 9 pumps battery nearly flat, no mains. Night nurse 2 has them. B1/1, B1/2 +7. "
         "Recheck 02:34. Take over GRP234"),
        (many(beds(2, why="stand-down"), total=9, still_open=3),
         "OVER MEDIUM north: 9 pumps battery nearly flat, no mains. 3 not over yet. B1/1, B1/2 +7."),
        (many(beds(2, setting="home"), total=9),
         "MEDIUM north: 9 pumps battery nearly flat, no mains. B1/1, B1/2 +7. Phone; persons first. "
         "Else 02:24 night nurse 2. Code GRP234 takes all 9"),
        (many([*beds(2), facts(), *beds(1, why="stand-down")], held="at most 10 in 10 min"),
         "Held back: 3 open, 1 over. MEDIUM north: 2 pumps battery nearly flat, no mains, B1/1 +1; "
         "MEDIUM B3/12: alarm without sound +1 more. Code GRP234 takes all 3"),
        (many(beds(3, rule="rule-of-the-site")),
         "MEDIUM north: 3 pumps in need of somebody. B1/1, B1/2 +1. Persons first. Else 02:24 night nurse 2. "
         "Code GRP234 takes all 3"),
    ],
)  # fmt: skip
def test_whole_pages(told: Many, text: str) -> None:
    """A page of many, word for word."""
    assert many_page(told, ZONE) == text


def test_a_summary_says_why_it_comes_now() -> None:
    """What was held back, why, how many of each kind; calls first, the checks of the first kind."""
    told = many([*beds(1, why="stand-down"), *beds(2), facts()], held="nobody is sent more than 10 in 10 min")
    text = many_mail(told, ZONE)
    assert text.subject.endswith("(+2 more)")
    counted = "3 open, 1 over. Each is said once, as it is now."
    assert text.body.startswith(f"Held back until now, as nobody is sent more than 10 in 10 min: {counted}")
    assert text.body.index("please go round") < text.body.index("OVER: MEDIUM")
    assert "Of the first kind. Look at, in this order:" in text.body


def test_who_has_which_where_that_is_not_one() -> None:
    """Taken by two: each line says by whom; by one: once, before the list."""
    one = many_mail(many(beds(3, why="taken", holder="charge nurse")), ZONE).body
    assert one.count("harge nurse") == 1
    two = many_mail(
        many([*beds(2, why="taken", holder="charge nurse"), *beds(1, why="taken", holder="day nurse")]), ZONE
    )
    assert two.body.count("charge nurse has it") == 2
    assert two.body.count("day nurse has it") == 1


def test_a_link_stands_where_it_is_answered() -> None:
    """With a page on the phone the mail has its link once."""
    told = many(beds(6), link="https://bell.example.invalid/a/x")
    assert many_mail(told, ZONE).body.count("To answer on your phone: https://bell.example.invalid/a/x") == 1


def test_every_reason_for_many_is_a_reason() -> None:
    """The plural words are of reasons that there are, and a page's are short."""
    assert WHY_MANY.keys() <= WHY.keys()
    assert all(WHY[why].kind == "call" and len(page) <= 30 for why, (_, page) in WHY_MANY.items())


@given(
    st.lists(wild, min_size=4, max_size=8),
    st.none() | st.integers(4, 10**6),
    st.sampled_from(["", "a limit"]),
)
@settings(max_examples=25)
def test_whatever_comes_in(several: list[Facts], total: int | None, held: str) -> None:
    """A page of one printable ASCII line, 160 septets at most, the code whole; a mail of lines, a safe subject."""
    told = many([dataclasses.replace(fact, drill=False) for fact in several], total=total, held=held)
    page = many_page(told, ZONE)
    assert septets(page) <= SINGLE
    assert page.isascii()
    assert page.isprintable()
    assert fit(page, ascii_only=True) == page
    assert ("GRP234" in page) == (told.answered > 0)
    text = many_mail(told, ZONE)
    assert text.subject.isprintable()
    assert len(text.subject) <= 150
    text.body.encode()
    assert all(line.isprintable() for line in text.body.split("\n"))
    assert text.body.endswith(f"{guidance.CAUTION}\n")


@given(st.lists(wild, min_size=4, max_size=6), st.text(max_size=40), st.booleans())
@settings(max_examples=15)
def test_a_page_says_nothing_of_health(several: list[Facts], words: str, risk: bool) -> None:
    """The page of many is the same whatever is known of glucose risk, volumes or free text about the persons."""
    several = [dataclasses.replace(fact, drill=False) for fact in several]
    other = [
        dataclasses.replace(
            fact, glucose_risk=risk, rate_ml_h=1.0, delivered_ml=2.0, target_ml=3.0, settled=words, hazard=words,
            sentence=words, reason=words, checks=(words,), rate=None, left_ml=1.0, hanging=(),
        )
        for fact in several
    ]  # fmt: skip
    assert many_page(many(several), ZONE) == many_page(many(other), ZONE)

"""What is said of a trouble of Second Bell itself: in a mail, and on a page."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.gsm7 import SINGLE, septets
from monitor.core.instants import HOUR, MINUTE
from monitor.core.notices import technical_mail, technical_page
from monitor.core.plans import UTC
from monitor.core.trouble_words import words
from monitor.core.troubles import (
    BACK,
    CANNOT_SEND,
    CANNOT_STORE,
    CLOCK_STEPPED,
    QUARANTINE_FULL,
    REFUSES,
    SORTS,
    TRAIL_DOUBTFUL,
    Trouble,
)
from monitor.testing import START

DETAIL = "/state/secondbell.db: no space is left for it (disk is full)"

wild = st.one_of(st.text(max_size=300), st.integers(-(10**15), 10**15), st.none(), st.booleans())


@given(
    st.sampled_from(sorted(SORTS)), st.text(max_size=80), st.integers(0, 2**42), st.integers(0, 2**42),
    st.dictionaries(st.sampled_from(["cause", "detail", "ended", "answer", "called", "why", "asked"]), wild),
    st.integers(-(2**40), 2**40), st.lists(st.text(max_size=50), max_size=20),
)  # fmt: skip
def test_any_trouble_is_worded_safely(
    sort: str, about: str, since: int, lasted: int, facts: dict[str, Any], number: int, alone: list[str]
) -> None:
    """Whatever the facts, a page is one message and a mail's subject is one line; the beginning says what it means."""
    trouble = Trouble(sort, about, since)
    trouble.facts = facts | {"gap": abs(number), "by": number, "not_kept": number, "alone": alone}
    trouble.over = since + lasted
    for over in {False, SORTS[sort].lasts}:
        said = words(trouble, since + lasted, UTC, over=over)
        page = technical_page(said.page, (), since + lasted, UTC)
        assert septets(page) <= SINGLE
        mail = technical_mail(said.title, said.lines, since + lasted, UTC)
        assert mail.subject.isprintable()
        assert all(line.isprintable() for line in mail.body.split("\n"))
        assert over or all(
            part in mail.body for part in ("Wrong: ", "It means: ", "To do, in this order:\n1. ")
        )


PAGES: list[tuple[str, str, dict[str, Any], bool]] = [
    (CANNOT_STORE, "", {"cause": cause, "ended": ended}, over)
    for cause in ("full", "read-only", "locked", "damaged", "other")
    for ended, over in ((False, False), (True, False), (False, True))
] + [
    (CANNOT_SEND, "mail", {}, False),
    (CANNOT_SEND, "mail", {}, True),
    (REFUSES, "mail nurse-1", {"called": "night nurse 1"}, False),
    (REFUSES, "mail nurse-1", {"called": "night nurse 1"}, True),
    (BACK, "", {"gap": 90 * MINUTE, "asked": False}, False),
    (BACK, "", {"gap": 90 * MINUTE, "asked": True}, False),
    (TRAIL_DOUBTFUL, "", {"why": "entries are missing"}, False),
    (QUARANTINE_FULL, "", {"not_kept": 12}, False),
    (CLOCK_STEPPED, "", {"by": -HOUR}, False),
]


@pytest.mark.parametrize(("sort", "about", "facts", "over"), PAGES)
def test_every_page_is_whole(sort: str, about: str, facts: dict[str, Any], over: bool) -> None:
    """No page of an ordinary trouble is cut, and those on which nobody is told say so."""
    trouble = Trouble(sort, about, START)
    trouble.facts, trouble.over = facts, START + 100 * MINUTE
    page = technical_page(
        words(trouble, START + 100 * MINUTE, UTC, over=over).page, (), START + 100 * MINUTE, UTC
    )
    assert not page.endswith(".."), page
    assert ("NOBODY IS TOLD" in page) == (sort == CANNOT_STORE and not over)


def test_a_mail_says_what_to_do_in_order() -> None:
    """What is wrong, since when, what it means, what to do, and what happens next."""
    trouble = Trouble(CANNOT_STORE, "", START)
    trouble.facts = {"cause": "full", "detail": DETAIL}
    said = words(trouble, START + MINUTE, UTC, over=False)
    assert technical_mail(said.title, said.lines, START + MINUTE, UTC).body.split("\n") == [
        "Second Bell, 22:01: cannot store since 22:00: no space is left on its disk.",
        "",
        "Wrong: since 22:00 Second Bell cannot store anything: of its store, no space is left on its disk "
        "(/state/secondbell.db: no space is left for it (disk is full)).",
        "",
        "It means: The pumps' own alarms still sound. But nobody is told anything by Second Bell meanwhile, and "
        "nobody's answer is taken. What the pumps send waits at the broker, as far as that has room.",
        "",
        "To do, in this order:",
        "1. Make room on the disk of that folder (df -h tells how full it is).",
        "2. Do not delete secondbell.db, secondbell.db-wal or secondbell.db-shm.",
        "",
        "Next: it tries again by itself, every 10 s at least, and tells you when it can store again. It need not be "
        "started anew.",
        "",
        "Do not rely on Second Bell in place of the pump's own alarm.",
        "",
    ]

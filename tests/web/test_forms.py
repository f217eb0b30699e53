"""Form tokens: one press, of one button, on one page as it was shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.web.forms import LIFE, MOST_USED, Forms


def test_a_button_works_once() -> None:
    """The first press is taken, the second is one too many."""
    forms = Forms()
    token = forms.token("link", "open", "accept", 1_000)
    assert forms.take(token, "link", "open", "accept", 2_000) is None
    assert forms.take(token, "link", "open", "accept", 2_000) == "used"


@pytest.mark.parametrize(
    ("link", "shown", "answer", "later", "why"),
    [
        ("other", "open", "accept", 0, "changed"),
        ("link", "accepted", "accept", 0, "changed"),
        ("link", "open", "decline", 0, "changed"),
        ("link", "open", "accept", LIFE, None),
        ("link", "open", "accept", LIFE + 1, "old"),
    ],
)
def test_it_is_for_one_button_of_one_page(
    link: str, shown: str, answer: str, later: int, why: str | None
) -> None:
    """Another link, another state, another answer, or half an hour later: it is not taken."""
    forms = Forms()
    token = forms.token("link", "open", "accept", 1_000)
    assert forms.take(token, link, shown, answer, 1_000 + later) == why


def test_another_process_takes_none() -> None:
    """After a restart no page that lay open answers without another look."""
    assert Forms().take(Forms().token("link", "open", "accept", 0), "link", "open", "accept", 0) == "changed"


@given(st.text(max_size=60))
def test_made_up_tokens_are_refused(text: str) -> None:
    """Any text at all is refused without a fault."""
    assert Forms().take(text, "link", "open", "accept", 0) is not None


def test_two_pages_of_one_millisecond_have_two_tokens() -> None:
    """A button that was pressed spoils no page that is opened at the same instant."""
    forms = Forms()
    one, two = (forms.token("link", "open", "hold", 5) for _ in range(2))
    assert forms.take(one, "link", "open", "hold", 6) is None
    assert forms.take(two, "link", "open", "hold", 6) is None


def test_what_is_forgotten_is_not_taken_again() -> None:
    """However many presses come, none that was forgotten for want of room is taken a second time."""
    forms = Forms()
    first = forms.token("link", "open", "hold", 1)
    assert forms.take(first, "link", "open", "hold", 2) is None
    for n in range(MOST_USED):
        token = forms.token("link", "open", "hold", n)
        assert forms.take(token, "link", "open", "hold", n + 1) is None
    assert len(forms._used) == MOST_USED
    assert forms.take(first, "link", "open", "hold", 3) == "old"

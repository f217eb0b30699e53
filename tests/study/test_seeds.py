"""Seeds as a person writes them."""

from __future__ import annotations

import pytest

from monitor.study.seeds import seeds


def test_a_number_of_nights_or_from_to() -> None:
    """Both ends are meant."""
    assert list(seeds("3")) == [1, 2, 3]
    assert list(seeds("7-9")) == list(seeds(" 7 - 9 ")) == [7, 8, 9]
    assert list(seeds("5-5")) == [5]
    assert list(seeds("0-1")) == [0, 1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0", "no seed, no night; 1 or more"),
        ("9-7", "no seed, as 9 is after 7; the smaller one first"),
        ("1-20000", "20000 seeds; 10000 at the most"),
        ("", "a number of nights, such as 30, or seeds from-to, such as 31-60"),
        ("-3", "a number of nights"),
        ("1-", "a number of nights"),
        ("a month", "a number of nights"),
        ("1.5", "a number of nights"),
        ("٣", "a number of nights"),
    ],
)
def test_no_seed_is_said_clearly(text: str, said: str) -> None:
    """What is wrong, and what would be right."""
    with pytest.raises(ValueError, match=said):
        seeds(text)

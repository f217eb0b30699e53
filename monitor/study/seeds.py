"""Seeds as a person writes them: one seed is one night of a world."""

from __future__ import annotations

import re
from typing import Final

MOST_SEEDS: Final = 10_000


def seeds(text: str) -> range:
    """Seeds as a person writes them: a number of nights, or from-to; ValueError says what is wrong."""
    if (matched := re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", text, re.ASCII)) is None:
        raise ValueError("a number of nights, such as 30, or seeds from-to, such as 31-60")
    first, last = (1, int(matched[1])) if matched[2] is None else (int(matched[1]), int(matched[2]))
    if matched[2] is None and last == 0:
        raise ValueError("no seed, no night; 1 or more")
    if last < first:
        raise ValueError(f"no seed, as {first} is after {last}; the smaller one first")
    if last - first >= MOST_SEEDS:
        raise ValueError(f"{last - first + 1} seeds; {MOST_SEEDS} at the most")
    return range(first, last + 1)

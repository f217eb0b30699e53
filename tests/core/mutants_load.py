"""Wrong counts, floods and chatter, each with one mistake, that a comparison must find."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any, Final

from monitor.core.load import MINUTE, TEN_MINUTES, Stretch, chattering, counts


def closed_window(instants: Iterable[int], window: int = TEN_MINUTES) -> list[tuple[int, int]]:
    """What came exactly a window ago counts."""
    ordered = sorted(instants)
    return [
        (at, bisect_right(ordered, at) - bisect_left(ordered, at - window))
        for at in sorted({*ordered, *(at + window for at in ordered)})
    ]


def open_window(instants: Iterable[int], window: int = TEN_MINUTES) -> list[tuple[int, int]]:
    """What comes at the instant does not count."""
    ordered = sorted(instants)
    return [
        (at, bisect_left(ordered, at) - bisect_right(ordered, at - window))
        for at in sorted({*ordered, *(at + window for at in ordered)})
    ]


def as_given(instants: Iterable[int], window: int = TEN_MINUTES) -> list[tuple[int, int]]:
    """The list is taken to be in order."""
    told = list(instants)
    return [
        (at, bisect_right(told, at) - bisect_right(told, at - window))
        for at in sorted({*told, *(at + window for at in told)})
    ]


def each_instant_once(instants: Iterable[int], window: int = TEN_MINUTES) -> list[tuple[int, int]]:
    """Several at one instant count as one."""
    return counts(set(instants), window)


def _floods(begins: Callable[[int], bool], ends: Callable[[int], bool], arrivals: bool = False) -> Any:
    def floods(instants: Iterable[int]) -> tuple[Stretch, ...]:
        told = set(instants := list(instants))
        found, began = [], None
        for at, number in counts(instants):
            if began is None and begins(number):
                began = at
            elif began is not None and ends(number) and (not arrivals or at in told or number == 0):
                found.append(Stretch(began, at))
                began = None
        return tuple(found)

    return floods


def second_onset(onsets: Iterable[int]) -> tuple[int, ...]:
    """Two in a minute chatter."""
    ordered = sorted(onsets)
    return tuple(sorted({at for before, at in pairwise(ordered) if at - before < MINUTE}))


def minute_included(onsets: Iterable[int]) -> tuple[int, ...]:
    """The third exactly a minute after the first chatters."""
    ordered = sorted(onsets)
    return tuple(
        sorted({at for first, at in zip(ordered, ordered[2:], strict=False) if at - first <= MINUTE})
    )


def said_for_each(onsets: Iterable[int]) -> tuple[int, ...]:
    """It is said again for each onset of one instant."""
    told = list(onsets)
    return tuple(sorted(at for at in told if at in chattering(told)))


MUTANTS: Final[dict[str, dict[str, Any]]] = {
    "closed window": {"counts": closed_window},
    "open window": {"counts": open_window},
    "order not made": {"counts": as_given},
    "each instant once": {"counts": each_instant_once},
    "ten are a flood": {"floods": _floods(lambda number: number >= 10, lambda number: number < 5)},
    "twelve are a flood": {"floods": _floods(lambda number: number > 11, lambda number: number < 5)},
    "ends at five": {"floods": _floods(lambda number: number > 10, lambda number: number <= 5)},
    "ends below four": {"floods": _floods(lambda number: number > 10, lambda number: number < 4)},
    "ends at ten": {"floods": _floods(lambda number: number > 10, lambda number: number <= 10)},
    "ends at arrivals only": {"floods": _floods(lambda number: number > 10, lambda number: number < 5, True)},
    "two chatter": {"chattering": second_onset},
    "a whole minute chatters": {"chattering": minute_included},
    "said for each onset": {"chattering": said_for_each},
}

"""Memories driven over whole traces as a device drives them, and random instants at exact limits after earlier ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Protocol

from monitor.core.patterns import Lasting, Recurring, Silent
from tests.core.temporal_logic import Signal

Sample = tuple[
    int, bool
]  # instant, whether the condition is true; for `silent`: whether it is watched from then on
Step = tuple[int, int, bool]  # instant, new onsets, whether any condition of the kind is active


class Holding(Protocol):
    """A memory that holds or does not."""

    holds: bool


def driven(
    memory: Holding,
    due: Callable[[], int | None],
    advance: Callable[[int], None],
    updates: Sequence[tuple[int, Callable[[], None]]],
    end: int,
) -> Signal:
    """The changes of `holds`, instant by instant: deadlines before a snapshot, the snapshot, deadlines at it."""
    told: Signal = []

    def step(at: int, update: Callable[[], None] | None = None) -> None:
        if update is not None:
            update()
        advance(at)
        if memory.holds != (told[-1][1] if told else False):
            told.append((at, memory.holds))

    passed = -1
    for at, update in [*updates, (end + 1, None)]:
        while (deadline := due()) is not None and passed < deadline < at:
            passed = deadline  # a mutant may ask for the same one again
            step(deadline)
        if update is not None:
            step(at, update)
    return told


def lasting_told(kind: type[Lasting], samples: Sequence[Sample], limits: tuple[int, int], end: int) -> Signal:
    """What a `lasting` memory tells of (instant, value); `limits` are T and G."""
    memory = kind()

    def update(at: int, value: bool) -> Callable[[], None]:
        return lambda: memory.update(value, at, *limits)

    return driven(
        memory,
        lambda: memory.due(*limits),
        lambda at: memory.advance(at, *limits),
        [(at, update(at, value)) for at, value in samples],
        end,
    )


def recurring_told(
    kind: type[Recurring], steps: Sequence[Step], limits: tuple[int, int, int], end: int
) -> Signal:
    """What a `recurring` memory tells; `limits` are N, W and Q."""
    times, within, quiet = limits
    memory = kind(times)

    def update(at: int, new: int, active: bool) -> Callable[[], None]:
        return lambda: memory.update(new, active, at, within, quiet)

    return driven(
        memory,
        lambda: memory.due(quiet),
        lambda at: memory.advance(at, quiet),
        [(at, update(at, new, active)) for at, new, active in steps],
        end,
    )


def silent_told(kind: type[Silent], messages: Sequence[Sample], silent_for: int, end: int) -> Signal:
    """What a `silent` memory tells of messages after which it is watched, or rests."""
    memory = kind()

    def update(at: int, watched: bool) -> Callable[[], None]:
        return lambda: memory.update(at if watched else None)

    return driven(
        memory,
        lambda: memory.due(silent_for),
        lambda at: memory.advance(at, silent_for),
        [(at, update(at, watched)) for at, watched in messages],
        end,
    )


def instants(rng: Random, limits: Sequence[int], most: int) -> list[int]:
    """Instants that grow, mostly a limit after one of the latest, give or take a tick."""
    found = [rng.randint(1, 3)]
    for _ in range(rng.randint(1, most - 1)):
        at = rng.choice(found[-4:]) + rng.choice(limits) + rng.choice((0, 0, 0, -1, 1))
        while at <= found[-1]:
            at += rng.choice((1, *limits)) or 1
        found.append(at)
    return found

"""The shape of what is said of a trouble of Second Bell itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

ALARMS_SOUND: Final = "The pumps' own alarms still sound."


class Words(NamedTuple):
    """What is said of a trouble: a title, the lines of a mail, and a page."""

    title: str
    lines: tuple[str, ...]
    page: str


At = Callable[[int], str]  # an instant as a time of the day


def lines(wrong: str, means: str, steps: tuple[str, ...], following: str = "") -> tuple[str, ...]:
    """The lines of a mail, with a blank one between its parts."""
    numbered = [f"{number}. {step}" for number, step in enumerate(steps, 1)]
    said = [f"Wrong: {wrong}", "", f"It means: {means}", "", "To do, in this order:", *numbered]
    return tuple([*said, "", f"Next: {following}"] if following else said)

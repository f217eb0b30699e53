"""What became of each concern, read from the trail: when it was raised, told, accepted, given back, settled.

Editing rules: the trail is the only source, so that a report says what can be proved; an entry that cannot be read is
counted, never guessed at. Entries count at the instant at which they were noted: what a report says was so at an
instant is what Second Bell knew then.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from monitor.core.changes import TrailEntry

OPENS: Final = frozenset({"raised", "relapsed"})
HOLDS: Final = frozenset({"accepted", "taken-over", "covered"})
ENDS: Final = frozenset({"settled", "withdrawn"})
TOO: Final = frozenset(
    {
        "missed",
        "held",
        "feed-ended",
        "away",
        "withdrawn",
        "drill-asked",
        "drill-put-off",
        "drill-begun",
        "drill-ended",
    }
)
"""Events that are about more than the concern under which they stand."""
UNREADABLE: Final = (ValueError, TypeError, LookupError, AttributeError, OverflowError, RecursionError)


@dataclass(slots=True)
class Opening:
    """One time that somebody was wanted: since when, when first told, when accepted, when over; ms UTC or None."""

    since: int
    told: int | None = None
    accepted: int | None = None
    over: int | None = None


@dataclass(slots=True)
class Spell:
    """One time that it held, from when it was raised, or was back, until it was over; ms UTC or None."""

    start: int
    end: int | None = None


@dataclass(slots=True)
class Course:
    """One concern. Persons and the device are opaque keys; `state` is open, accepted, settled or undone."""

    id: str
    rule: str
    device: str
    priority: str
    raised: int
    begun: int
    state: str = "open"
    holder: str | None = None
    holder_since: int | None = None
    settled: int | None = None
    why: str = ""
    times: int = 1
    missed: bool = False  # began and ended unseen: nobody was told
    openings: list[Opening] = field(default_factory=list)
    spells: list[Spell] = field(default_factory=list)
    notices: int = 0

    @property
    def live(self) -> bool:
        """Whether it still needs somebody."""
        return self.state in ("open", "accepted")


@dataclass(slots=True)
class Story:
    """All that a trail tells until an instant."""

    courses: dict[str, Course] = field(default_factory=dict)
    sent: list[tuple[int, str, str]] = field(default_factory=list)  # when, to whom (key), first concern
    # A feed that went on with another pump, and the last change of a plan: those after the instant too, as what the
    # store knows of a pump is what is so by now.
    swaps: list[tuple[int, str, str]] = field(default_factory=list)  # when, old and new pump (keys)
    plans: dict[str, int] = field(default_factory=dict)  # pump (key) -> when
    others: list[tuple[int, str, dict[str, Any]]] = field(default_factory=list)  # when, event, the entry
    unreadable: Counter[str] = field(default_factory=Counter)


def read(entries: Iterable[TrailEntry], until: int) -> Story:
    """The story of a trail up to an instant (ms UTC), later entries left out."""
    story = Story()
    for entry in entries:
        try:
            told: dict[str, Any] = json.loads(entry.text)
            detail = told.get("detail") or {}
            now = int(detail.get("noted", told["at"]))
            if told["event"] == "swapped":
                story.swaps.append((now, told["device"], detail["to"]))
            elif told["event"] == "plan-changed":
                story.plans[told["device"]] = now
            if now <= until:
                _take(story, told, detail, now)
        except UNREADABLE:
            story.unreadable[entry.event] += 1
    return story


def _take(story: Story, told: dict[str, Any], detail: dict[str, Any], now: int) -> None:
    event, course = told["event"], story.courses.get(told.get("concern") or "")
    if event == "raised":
        story.courses[told["concern"]] = Course(
            id=told["concern"],
            rule=told["rule"],
            device=told["device"],
            priority=told["priority"],
            raised=now,
            begun=int(detail.get("since", told["at"])),
            openings=[Opening(now)],
            spells=[Spell(now)],
        )
    elif event == "notice-sent":
        story.sent.append((now, told["person"], told["concern"]))
        for concern in detail.get("concerns", ()):
            _sent(story.courses.get(concern), now)
    elif course is None:
        story.others.append((now, event, told))
    else:
        _happens(course, event, told, detail, now)
        if event in TOO:
            story.others.append((now, event, told))


def _sent(course: Course | None, now: int) -> None:
    if course is not None:
        course.notices += 1
        if course.openings and course.openings[-1].over is None and course.openings[-1].told is None:
            course.openings[-1].told = now


def _happens(course: Course, event: str, told: dict[str, Any], detail: dict[str, Any], now: int) -> None:
    course.priority = told.get("priority") or course.priority
    if event in OPENS:
        course.times += 1
        course.settled = None
        course.spells.append(Spell(now))
        _open(course, now)
    elif event == "joined":
        course.times += 1
    elif event in HOLDS:
        if not course.live:  # an answer that came too late
            return
        if course.state == "open" and course.openings:
            course.openings[-1].accepted = course.openings[-1].over = now
        course.state, course.holder, course.holder_since = "accepted", told.get("person"), now
    elif event in ENDS and course.live:
        if course.openings and course.openings[-1].over is None:
            course.openings[-1].over = now
        course.spells[-1].end = now
        course.state, course.settled, course.why = "settled", now, str(detail.get("why", event))
    elif event == "undone":
        course.state = "open" if detail.get("live") else "undone"
    elif event == "missed":
        course.missed = True
    elif event == "carried":
        course.device = told.get("device") or course.device
    elif course.state == "accepted" and _releases(course, event, told, detail):
        _open(course, now)


def _releases(course: Course, event: str, told: dict[str, Any], detail: dict[str, Any]) -> bool:
    """Whether this takes the concern from its holder."""
    if event in ("priority-raised", "called"):  # whom somebody has is called no more
        return True
    if event == "duty-ended":
        return not detail.get("held")
    if event in ("declined", "handed-back"):
        return bool(told.get("person") == course.holder)
    return event == "rechecked" and bool(detail.get("troubled"))


def _open(course: Course, now: int) -> None:
    course.state = "open"
    course.holder, course.holder_since = None, None
    course.openings.append(Opening(now))

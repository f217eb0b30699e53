"""From the events of one series to the shifts that they mean, in UTC.

Three choices, where RFC 5545 leaves one or would leave a ward without anybody:

- §3.3.10 says both that an instance at a local time that does not exist is ignored, and that it is taken as §3.3.5
  says. It is taken: a shift that begins in the hour that is left out begins with the offset before the gap (01:30 is
  02:30 by the new time). A shift must not vanish for one night a year.
- §3.8.5.3 gives all instances of an event with DTEND the same exact duration. Begin and end are wall-clock times here,
  if they are of one zone: a shift from 20:00 to 08:00 is 11 or 13 hours long when the clocks change, as it is worked.
  By exact duration nobody would be on duty from 07:00 to 08:00 of one autumn morning. A DURATION stays as exact as
  §3.3.6 says: days by the clock on the wall, hours as they pass.
- A local time that comes twice is its first occurrence (§3.3.5), for begin and end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from monitor.adapters.calendar_events import INDEX, Event, EventProblem
from monitor.core.phrases import one_line
from monitor.core.rota import Span

_MARGIN: Final = timedelta(days=2)  # around what is looked at: zones differ by a day at the most
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Known(NamedTuple):
    """What the site file says that a rota may name, and the zone of floating times and of whole days."""

    people: frozenset[str]
    roles: frozenset[str]
    units: frozenset[str]
    zone: ZoneInfo


class TooMany(Exception):
    """More than is expanded: the limit, and the event at which it was passed."""

    def __init__(self, key: str, expected: str) -> None:
        super().__init__(key, expected)
        self.key, self.expected = key, expected


def shifts_of(events: list[Event], known: Known, start: int, until: int) -> Iterator[Span | EventProblem]:
    """The spans of one series that have any part from `start` until before `until` (ms UTC), and what is wrong."""
    said: set[int] = set()
    for number, begin in _instances(events, start, until):
        event = events[number]
        if event.cancelled:
            continue
        first, end = _times(event, begin, known.zone)
        if end <= max(start, first) or first >= until:  # in spring an hour may be none, and no shift with it
            continue
        if number not in said:
            said.add(number)
            wrong = [*_unknown(event, begin, known)]
            yield from wrong
            if wrong:
                return
        for unit in event.units:
            for person in event.persons:
                yield Span(person, event.role, unit, first, end)


def doubts_of(events: list[Event], start: int, until: int) -> Iterator[EventProblem]:
    """Overrides of instances that the series does not have: nobody is relieved by such a swap, or nobody comes."""
    overrides = [event for event in events if "RECURRENCE-ID" in event.component and not event.cancelled]
    if not overrides:
        return
    series = [event for event in events if "RECURRENCE-ID" not in event.component]
    there = {_instant(begin) for _, begin in _instances(series, start, until)} if series else set()
    for event in overrides:
        which = event.component["RECURRENCE-ID"].dt
        if start <= _instant(which) < until and _instant(which) not in there:
            wanted = (
                "a begin that its series has, and no EXDATE leaves out: whom this one relieves stays on duty"
            )
            yield EventProblem(event.named("RECURRENCE-ID"), f"{which:%Y-%m-%d %H:%M}", wanted)


def _instant(begin: date) -> int:
    """When something begins, in ms UTC; a whole day by its date alone."""
    if not isinstance(begin, datetime):
        begin = datetime.combine(begin, time(), UTC)
    return _ms(begin.replace(fold=0).astimezone(UTC))


def _instances(events: list[Event], start: int, until: int) -> Iterator[tuple[int, date]]:
    """Which event, and when by its own clock, of each instance around what is looked at."""
    calendar = icalendar.Calendar()
    for number, event in enumerate(events):
        event.component[INDEX] = icalendar.vText(str(number))
        calendar.add_component(event.component)
    first, last = (_EPOCH + timedelta(milliseconds=at) for at in (start, until))
    try:
        query = recurring_ical_events.of(calendar, components=[_Instances])
        found: Any = query.between(first - _MARGIN, last + _MARGIN)
    except Exception as error:  # whatever an expansion makes of what strangers wrote
        wanted = f"a recurrence that can be expanded: {one_line(str(error), 120)}"
        raise EventProblem(events[0].named("RRULE"), "", wanted) from None
    for instance in found:
        yield int(instance[INDEX]), instance["DTSTART"]


class _Instances(recurring_ical_events.EventAdapter):  # type: ignore[misc]  # publishes no types
    """Events whose instances are only what is asked of them here: to copy whole events takes longer than all else."""

    def as_component(self, start: Any = None, stop: Any = None, keep: bool = True) -> dict[str, Any]:
        """Which event an instance is of, and when it begins."""
        del stop, keep
        return {INDEX: self._component[INDEX], "DTSTART": self.start if start is None else start}


def _times(event: Event, begin: date, zone: ZoneInfo) -> tuple[int, int]:
    """The instants at which an instance begins and ends, in ms UTC."""
    if not isinstance(begin, datetime):
        begin = datetime.combine(begin, time(), zone)
    # Without its fold a time is its first occurrence, or has the offset before the gap (PEP 495, RFC 5545 §3.3.5).
    begin = begin.replace(fold=0)
    end = (begin + event.length.nominal).astimezone(UTC) + event.length.exact
    return _ms(begin.astimezone(UTC)), _ms(end)


def _ms(at: datetime) -> int:
    return (at - _EPOCH) // timedelta(milliseconds=1)


def _unknown(event: Event, begin: date, known: Known) -> Iterator[EventProblem]:
    """Names of SUMMARY and LOCATION that the site file does not have."""
    shown = f"{begin:%Y-%m-%d %H:%M}" if isinstance(begin, datetime) else f"{begin:%Y-%m-%d}"
    which = f"{event.key} of {shown}"
    for prop, what, names, ours in (
        ("SUMMARY", "person of the site file", event.persons, known.people),
        ("SUMMARY", "role that a ladder names", (event.role,), known.roles),
        ("LOCATION", "unit of the site file", event.units, known.units | {"*"}),
    ):
        for name in names:
            if name not in ours:
                wanted = f"a {what}: {_listed(ours - {'*'})}"
                yield EventProblem(f"{which}: {prop}", repr(one_line(name, 60)), wanted)


def _listed(names: Iterable[str]) -> str:
    ordered = sorted(names)
    return (
        ", ".join(ordered[:20]) + (f" and {len(ordered) - 20} more" if len(ordered) > 20 else "")
        or "it has none"
    )

"""One file of a rota: its events, each checked before anything is expanded.

What a file says of time zones itself (VTIMEZONE) is not used: a TZID is a zone of the tz database, and its rules are
those of this machine, as everywhere in a site. The limits keep any recurrence bounded in time and memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import icalendar
from icalendar.prop import vBroken, vDDDTypes

from monitor.core.phrases import one_line

ONCE: Final = (
    "DTSTART",
    "DTEND",
    "DURATION",
    "RECURRENCE-ID",
    "SUMMARY",
    "LOCATION",
    "STATUS",
    "UID",
    "SEQUENCE",
)
DATES: Final = ("EXDATE", "RDATE")
INDEX: Final = (
    "X-SECONDBELL-EVENT"  # which event an instance is of: the expansion keeps what it does not know
)

FREQUENCIES: Final = {
    "HOURLY": 24,
    "DAILY": 1,
    "WEEKLY": 1,
    "MONTHLY": 1,
    "YEARLY": 1,
}  # most instances a day
PARTS: Final = {
    "FREQ", "UNTIL", "COUNT", "INTERVAL", "BYSECOND", "BYMINUTE", "BYHOUR", "BYDAY", "BYMONTHDAY", "BYYEARDAY",
    "BYWEEKNO", "BYMONTH", "BYSETPOS", "WKST",
}  # fmt: skip
"""Of a recurrence, RFC 5545 §3.3.10."""

# Limits, all common practice without a source.
FIRST_YEAR, LAST_YEAR = 1990, 2100  # as of the zones that the core knows
MOST_DATES: Final = 5_000  # in the EXDATE and RDATE of one event
MOST_IN_A_DAY: Final = 48  # instances of one recurrence
MOST_VALUES: Final = 400  # in all lists of one recurrence: BYYEARDAY may name every day
MOST_PLACES: Final = 12  # in BYSETPOS: each is looked for anew in each period
MOST_STEPS: Final = 100_000  # instances from the first to the last that is looked at
LONGEST_SHIFT: Final = timedelta(days=366)
MOST_PERSONS: Final = 50  # of one shift
MOST_UNITS: Final = 100
LONGEST_SHOWN: Final = 60  # characters of a value, or an event's UID, that are shown

_ZONE: Final = re.compile(rb"(?im)^BEGIN:VTIMEZONE[ \t]*\r?$")
_ZONE_END: Final = re.compile(rb"(?im)^END:VTIMEZONE[ \t]*\r?\n?")
_BEGINS: Final = re.compile(rb"(?im)^BEGIN:(VEVENT|VCALENDAR)[ \t]*\r?$")


class EventProblem(Exception):
    """One mistake in a file: which event and property, its value, what is expected."""

    def __init__(self, key: str, value: str, expected: str) -> None:
        super().__init__(key, value, expected)
        self.key, self.value, self.expected = key, value, expected


class Length(NamedTuple):
    """How long a shift is: `nominal` by the clock on the wall, and `exact` beside it (RFC 5545 §3.3.6)."""

    nominal: timedelta
    exact: timedelta


@dataclass(slots=True)
class Event:
    """One VEVENT: of its series the one that begins it, or an override."""

    key: str  # as problems name it
    component: Any  # an icalendar.Event: what its properties are is asked one by one
    problems: list[EventProblem] = field(default_factory=list)
    length: Length = field(default_factory=lambda: Length(timedelta(0), timedelta(0)))
    all_day: bool = False
    cancelled: bool = False
    role: str = ""
    persons: tuple[str, ...] = ()
    units: tuple[str, ...] = ("*",)

    def named(self, prop: str) -> str:
        """A property of it as problems name it."""
        return f"{self.key}: {prop}"


def events_in(content: bytes, zone: ZoneInfo, last: date, most: int) -> Iterator[list[Event]]:
    """The events of a file, each series together; raises EventProblem for what is wrong with the file as a whole.

    `zone` is that of floating times, `last` the last day that is looked at, `most` how many events it may have.
    """
    # A byte order mark is none of RFC 5545's, and yet common.
    content = _without_zones(content.removeprefix(b"\xef\xbb\xbf"))
    begun = [name.upper() for name in _BEGINS.findall(content)]
    if begun.count(b"VEVENT") > most:
        raise EventProblem("", "", f"no more than {most} events beside those of the files before it")
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        raise EventProblem(
            "", "", f"UTF-8 text (RFC 5545 §3.1.4); it is none at byte {error.start}"
        ) from None
    try:
        calendars = icalendar.Calendar.from_ical(text, multiple=True)
        found = [event for calendar in calendars for event in calendar.walk("VEVENT")]
    except Exception as error:  # whatever a parser makes of what strangers wrote
        wanted = f"iCalendar (RFC 5545); it cannot be read: {one_line(str(error), 120)}"
        raise EventProblem("", "", wanted) from None
    whole = all(calendar.name == "VCALENDAR" for calendar in calendars)
    if not whole or len(calendars) != begun.count(b"VCALENDAR") or len(found) != begun.count(b"VEVENT"):
        raise EventProblem("", "", "each BEGIN:VCALENDAR and BEGIN:VEVENT with its END; is the file cut off?")
    if not found:
        raise EventProblem("", "", "at least one VEVENT; a calendar without any looks like a failed export")
    series: dict[str, list[Event]] = {}
    for number, component in enumerate(found, 1):
        event = _event(component, number, zone, last)
        series.setdefault(str(component.get("UID") or f" {number}"), []).append(event)
    for events in series.values():
        _no_two_alike(events)
        yield events


def _without_zones(content: bytes) -> bytes:
    """The content without each VTIMEZONE that has an end: in one pass, as one regular expression looks for the end of
    each anew, and lets no other thread run for as long as that takes.
    """
    kept, at = [], 0
    while (begin := _ZONE.search(content, at)) and (end := _ZONE_END.search(content, begin.end())):
        kept.append(content[at : begin.start()])
        at = end.end()
    return b"".join([*kept, content[at:]])


def _event(component: Any, number: int, zone: ZoneInfo, last: date) -> Event:
    uid = component.get("UID")
    shown = f" (UID {one_line(str(uid), LONGEST_SHOWN)})" if isinstance(uid, str) else ""
    event = Event(f"event {number}{shown}", component)
    try:
        _check(event, zone, last)
    except EventProblem as problem:
        event.problems.append(problem)
    except Exception as error:  # whatever a parser makes of what strangers wrote
        event.problems.append(
            EventProblem(event.key, "", f"one that can be read: {one_line(str(error), 120)}")
        )
    return event


def _check(event: Event, zone: ZoneInfo, last: date) -> None:
    component = event.component
    for prop in (*ONCE, *DATES, "RRULE", "EXRULE"):
        value = component.get(prop)
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, vBroken):
                raise EventProblem(event.named(prop), _shown(str(one)), "a value as in RFC 5545")
        if prop in ONCE and isinstance(value, list):
            raise EventProblem(event.named(prop), "", "once at the most")
    if any(name is None for name, _ in component.errors):
        raise EventProblem(event.key, "", "nothing but lines as in RFC 5545 §3.1: one of its lines is none")
    if "EXRULE" in component:
        raise EventProblem(event.named("EXRULE"), "", "EXDATE in its place: RFC 5545 knows it no more")
    for prop in ("DTSTART", "DTEND", "RECURRENCE-ID"):
        if (value := component.get(prop)) is not None:
            value.dt = _placed(event, prop, value, zone)
    _dates(event, zone)
    event.cancelled = str(component.get("STATUS", "")).strip().upper() == "CANCELLED"
    _times(event)
    _recurrence(event, last)
    _who_and_where(event)


def _placed(event: Event, prop: str, value: vDDDTypes, zone: ZoneInfo) -> Any:
    """A date, or a time with its zone: floating times are those of the site."""
    found = value.dt
    if isinstance(found, tuple):  # a period
        begin, end = found
        until = end if isinstance(end, timedelta) else _in_zone(event, prop, end, value, zone)
        return _in_zone(event, prop, begin, value, zone), until
    return _in_zone(event, prop, found, value, zone)


def _in_zone(event: Event, prop: str, found: Any, value: vDDDTypes, zone: ZoneInfo) -> date:
    if not isinstance(found, date):
        raise EventProblem(event.named(prop), _shown(str(found)), "a date, or a date with a time")
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        wanted = f"a day of the years {FIRST_YEAR} to {LAST_YEAR}"
        raise EventProblem(event.named(prop), str(found.year), wanted)
    if not isinstance(found, datetime):
        return found
    named = value.params.get("TZID")
    if found.tzinfo is None:
        if named is not None:
            wanted = "a zone of the tz database, such as Europe/London"
            raise EventProblem(event.named(prop), _shown(str(named)), wanted)
        return found.replace(tzinfo=zone)
    if not isinstance(found.tzinfo, ZoneInfo):
        raise EventProblem(event.named(prop), _shown(str(named)), "a zone of the tz database")
    return found


def _dates(event: Event, zone: ZoneInfo) -> None:
    count = 0
    for prop in DATES:
        value = event.component.get(prop, [])
        for listed in value if isinstance(value, list) else [value]:
            count += len(listed.dts)
            for one in listed.dts:
                if not one.params and listed.params:
                    one.params = listed.params
                one.dt = _placed(event, prop, one, zone)
    if count > MOST_DATES:
        raise EventProblem(event.named("EXDATE, RDATE"), str(count), f"at most {MOST_DATES} dates")


def _times(event: Event) -> None:
    """Begin and length; a shift that ends no later than it begins is none."""
    component = event.component
    if "DTSTART" not in component:
        raise EventProblem(event.named("DTSTART"), "", "is missing: when the shift begins")
    begin = component["DTSTART"].dt
    event.all_day = not isinstance(begin, datetime)
    end = component["DTEND"].dt if "DTEND" in component else None
    duration = component["DURATION"].dt if "DURATION" in component else None
    if end is not None and duration is not None:
        raise EventProblem(event.named("DURATION"), "", "not beside DTEND: one of the two (RFC 5545 §3.6.1)")
    if duration is not None:
        if event.all_day and duration % timedelta(days=1):
            raise EventProblem(
                event.named("DURATION"), _shown(str(duration)), "whole days, as it begins at a date"
            )
        nominal = timedelta(days=duration.days)
        event.length = Length(nominal, duration - nominal)
    elif end is None:
        if not event.all_day:
            raise EventProblem(event.named("DTEND"), "", "is missing: when the shift ends (or DURATION)")
        event.length = Length(timedelta(days=1), timedelta(0))  # RFC 5545 §3.6.1
    elif isinstance(end, datetime) == event.all_day:
        raise EventProblem(event.named("DTEND"), _shown(str(end)), "a date as DTSTART, or both with a time")
    elif event.all_day or end.tzinfo is begin.tzinfo:
        event.length = Length(end - begin, timedelta(0))
    else:
        event.length = Length(timedelta(0), end.astimezone(UTC) - begin.astimezone(UTC))
    whole = event.length.nominal + event.length.exact
    if whole <= timedelta(0):
        shown = _shown(str(duration if end is None else end))
        raise EventProblem(event.named("DTEND"), shown, f"later than it begins, {begin}")
    if whole > LONGEST_SHIFT:
        wanted = f"at most {LONGEST_SHIFT.days} days; a duty without an end belongs under [[duty]]"
        raise EventProblem(event.named("DTEND"), _shown(str(whole)), wanted)


def _recurrence(event: Event, last: date) -> None:
    value = event.component.get("RRULE", [])
    rules = value if isinstance(value, list) else [value]
    if len(rules) > 1:
        raise EventProblem(event.named("RRULE"), "", "one at the most (RFC 5545 §3.6.1)")
    if "RECURRENCE-ID" in event.component:
        if rules:
            raise EventProblem(event.named("RRULE"), "", "none in an override (RECURRENCE-ID)")
        if event.component["RECURRENCE-ID"].params.get("RANGE", "THISANDFUTURE") != "THISANDFUTURE":
            raise EventProblem(event.named("RECURRENCE-ID"), "", "no RANGE, or RANGE=THISANDFUTURE")
    for rule in rules:
        _rule(event, rule, last)


def _rule(event: Event, rule: Any, last: date) -> None:
    shown = _shown(rule.to_ical().decode())

    def wrong(expected: str) -> EventProblem:
        return EventProblem(event.named("RRULE"), shown, expected)

    said = {name.upper(): value if isinstance(value, list) else [value] for name, value in rule.items()}
    if further := sorted(set(said) - PARTS):
        raise wrong(f"the parts of RFC 5545 §3.3.10 alone, not {', '.join(map(_shown, further))}")
    frequency = str(said.get("FREQ", [""])[0])
    if frequency not in FREQUENCIES:
        raise wrong(f"FREQ of {', '.join(FREQUENCIES)}: a shift is no shorter than an hour")
    if "BYSETPOS" in said and (FREQUENCIES[frequency] > 1 or len(said["BYSETPOS"]) > MOST_PLACES):
        raise wrong(f"BYSETPOS of days or longer, at most {MOST_PLACES} values")
    if "BYSECOND" in said:
        raise wrong("no BYSECOND: a shift begins at a minute")
    if "COUNT" in said and "UNTIL" in said:
        raise wrong("COUNT or UNTIL, not both")
    for name in ("COUNT", "INTERVAL"):
        if not 1 <= int(said.get(name, [1])[0]) <= 1_000_000:
            raise wrong(f"{name} from 1 to 1000000")
    if sum(len(values) for values in said.values()) > MOST_VALUES:
        raise wrong(f"at most {MOST_VALUES} values")
    hours, minutes = len(set(said.get("BYHOUR", [0]))), len(set(said.get("BYMINUTE", [0])))
    a_day = (max(hours, FREQUENCIES[frequency]) if "BYHOUR" not in said else hours) * minutes
    if a_day > MOST_IN_A_DAY:
        raise wrong(f"at most {MOST_IN_A_DAY} instances a day")
    begin = event.component["DTSTART"].dt
    days = (last - date(begin.year, begin.month, begin.day)).days
    if (until := said.get("UNTIL")) is not None:
        days = min(days, (date(until[0].year, until[0].month, until[0].day) - date(begin.year, 1, 1)).days)
        if isinstance(begin, datetime):
            rule["UNTIL"] = [_last(until[0], begin)]
    if "COUNT" not in said and a_day * days > MOST_STEPS and a_day > 1:
        raise wrong(f"a begin not so long ago: at most {MOST_STEPS // a_day} days, as it recurs so often")


def _last(until: date, begin: datetime) -> datetime:
    """UNTIL in UTC: without a zone it is of the event's own, and a date alone, which is none of RFC 5545, all of it."""
    if not isinstance(until, datetime):
        until = datetime.combine(until, time.max.replace(microsecond=0))
    return (until if until.tzinfo is not None else until.replace(tzinfo=begin.tzinfo)).astimezone(
        ZoneInfo("UTC")
    )


def _who_and_where(event: Event) -> None:
    """SUMMARY and LOCATION; whether the site knows what they say is asked of shifts that are looked at alone."""
    summary = str(event.component.get("SUMMARY", ""))
    role, colon, persons = summary.partition(":")
    event.role = role.strip()
    event.persons = tuple(dict.fromkeys(filter(None, (name.strip() for name in persons.split(",")))))
    if not colon or not event.role or not event.persons:
        if event.cancelled:
            return
        wanted = 'ROLE: PERSON, or several persons with commas, such as "nurse: nurse-1"'
        raise EventProblem(event.named("SUMMARY"), _shown(summary), wanted)
    location = str(event.component.get("LOCATION", ""))
    units = tuple(dict.fromkeys(filter(None, (name.strip() for name in location.split(",")))))
    event.units = ("*",) if not units or "*" in units else units
    for prop, names, most in (
        ("SUMMARY", event.persons, MOST_PERSONS),
        ("LOCATION", event.units, MOST_UNITS),
    ):
        if len(names) > most:
            raise EventProblem(event.named(prop), str(len(names)), f"at most {most} names")


def _no_two_alike(events: Iterable[Event]) -> None:
    """Two that say they are the same one, and neither the newer (RFC 5545 §3.8.4.7): one of them would be lost."""
    seen: dict[tuple[object, int], Event] = {}
    for event in events:
        if event.problems:
            continue
        override = event.component.get("RECURRENCE-ID")
        which = getattr(override, "dt", None)
        if isinstance(which, datetime) and which.tzinfo is not None:
            which = which.astimezone(UTC)
        sequence = event.component.get("SEQUENCE", 0)
        first = seen.setdefault((which, sequence if isinstance(sequence, int) else 0), event)
        if first is not event:
            event.problems.append(
                EventProblem(event.named("UID"), "", f"another than that of {first.key.partition(' (')[0]}")
            )


def _shown(text: str) -> str:
    return repr(one_line(text, LONGEST_SHOWN))

"""What else is to be known of a shift, from the trail: holds, drills, pumps swapped or moved.

Editing rules: a sentence says what happened, where, and by whom, as a duty label. No reason that somebody typed is
repeated: it may name a person, and these pages leave the house.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, NamedTuple

from monitor.core.phrases import clock, to_the_second
from monitor.reports.courses import Story
from monitor.reports.handover import Names, Noted
from monitor.reports.spans import Span

KINDS: Final = {"held": "hold", "feed-ended": "feed-ended", "away": "away", "device-withdrawn": "withdrawn"}
"""What is in force from an event on."""
IS: Final = {
    "hold": "on hold", "feed-ended": "the feed is over", "away": "away", "withdrawn": "out of service",
}  # fmt: skip
WAS: Final = {
    "hold": "was on hold", "feed-ended": "the feed was over", "away": "was away", "withdrawn": "was out of service",
}  # fmt: skip
ENDED: Final = {
    "time": "the time was up", "feeds": "it feeds again", "handed-back": "handed back",
    "in-service": "it is used again",
    "swapped": "the feed went on with another pump", "replaced": "something else was said",
}  # fmt: skip
"""Why it was over."""
OUTCOMES: Final = {
    "missed": "missed", "put-off": "not held", "cut-short": "cut short", "stopped": "stopped",
    "broken-off": "broken off",
}  # fmt: skip
PARTS: Final = {
    "people": ("person", "people"), "units": ("unit", "units"), "carriers": ("carrier", "carriers"),
    "ladders": ("ladder", "ladders"), "rules": ("rule", "rules"),
    "rules_off": ("rule switched off", "rules switched off"),
    "duty": ("duty", "duties"), "devices": ("pump", "pumps"), "others": ("other setting", "other settings"),
}  # fmt: skip
"""The parts of a site file, one and more of it."""

Fed = Callable[[str], int | None]
Entry = tuple[int, str, dict[str, Any]]


class Held(NamedTuple):
    """One hold; `until` None: until it feeds again, or is used again."""

    device: str
    kind: str
    person: str | None
    since: int
    until: int | None
    ended: int | None = None
    why: str = ""


def holds(
    story: Story, names: Names, unit: str | None, span: Span, fed: Fed | None = None
) -> tuple[Noted, ...]:
    """What is held or away at the end of the span, and what was in it; `fed` tells when a pump delivered last."""
    told = []
    for hold in _held(story.others, names):
        if not names.concerns(hold.device, unit) or names.site.is_drill(hold.device):
            continue
        if hold.ended is not None and hold.ended <= span.start:
            continue
        last = fed(hold.device) if fed is not None and hold.ended is None else None
        if hold.kind == "feed-ended" and hold.until is None and last is not None and last > hold.since:
            if hold.since >= span.start:
                told.append((hold._replace(ended=last, why="feeds"), True))
            continue
        told.append((hold, False))
    told.sort(key=lambda one: (one[0].ended is not None, one[0].since))
    return tuple(
        Noted(hold.since, _hold_words(hold, names, span, exact=not guessed)) for hold, guessed in told
    )


def _held(others: Iterable[Entry], names: Names) -> list[Held]:
    """All holds that the trail tells of, over or not."""
    live: dict[tuple[str, str], Held] = {}
    over: list[Held] = []

    def end(device: str, kind: str, at: int, why: str) -> None:
        if (hold := live.pop((device, kind), None)) is not None:
            over.append(hold._replace(ended=at, why=why))

    for at, event, told in others:
        detail, device = told.get("detail") or {}, names.device(told.get("device") or "")
        if (kind := KINDS.get(event)) is not None:
            replaced = ("hold", "feed-ended") if kind in ("hold", "feed-ended") else (kind,)
            for other in replaced:
                end(device, other, at, "replaced")
            live[device, kind] = Held(device, kind, told.get("person"), at, detail.get("until"))
        elif event == "hold-ended":
            end(device, str(detail.get("kind")), at, str(detail.get("why", "")))
        elif event == "hold-shortened" and (hold := live.get((device, str(detail.get("kind"))))) is not None:
            live[device, hold.kind] = hold._replace(until=detail.get("until"))
        elif event == "swapped":
            new = names.device(str(detail.get("to", "")))
            for kind in ("hold", "feed-ended"):
                if (hold := live.get((device, kind))) is not None:
                    end(device, kind, at, "swapped")
                    live[new, kind] = hold._replace(device=new)
            live[device, "withdrawn"] = Held(device, "withdrawn", told.get("person"), at, None)
        elif event == "device-forgotten":
            for kind in KINDS.values():
                end(device, kind, at, "")
    return [*over, *live.values()]


def _hold_words(hold: Held, names: Names, span: Span, *, exact: bool) -> str:
    where, by = names.where(hold.device), _by(names, hold.person)
    if hold.ended is not None:
        why = f" ({ENDED[hold.why]})" if hold.why in ENDED else ""
        until = f" until {'about ' if not exact else ''}{_clock(hold.ended, names, span)}"
        return f"{where} {WAS[hold.kind]}{until}{why}{by}"
    if hold.until is not None:
        until = f" until {_clock(hold.until, names, span)}"
    else:
        until = " until it is used again" if hold.kind == "withdrawn" else " until it feeds again"
    return f"{where}: {IS[hold.kind]}{until}{by}"


def drills(story: Story, names: Names, unit: str | None, span: Span) -> tuple[Noted, ...]:
    """How the drills of the span ended, and which are under way."""
    found: list[Noted] = []
    under_way: dict[str, int] = {}
    for at, event, told in story.others:
        detail = told.get("detail") or {}
        where = str(detail.get("unit", ""))
        if not event.startswith("drill-") or unit not in (None, where):
            continue
        if event == "drill-asked":
            under_way[where] = at
        elif event == "drill-ended":
            under_way.pop(where, None)
            if span.start < at <= span.end:
                found.append(Noted(at, _drill_words(told, detail, names)))
    found += [
        Noted(at, f"drill in {names.called_unit(where)}: not over at the end of this report")
        for where, at in under_way.items()
        if at >= span.start
    ]
    return tuple(sorted(found))


def _drill_words(told: Mapping[str, Any], detail: Mapping[str, Any], names: Names) -> str:
    to = detail.get("to")
    begin = f"drill in {names.called_unit(str(detail.get('unit', '')))}" + (
        f" to {names.person(str(to))}" if to else ""
    )
    outcome, after = str(detail.get("outcome")), detail.get("after") or {}
    if outcome == "accepted":
        took = after.get("accepted")
        late = "" if took is None else f" after {to_the_second(int(took))}"
        return f"{begin}: accepted by {names.person(told.get('person'))}{late}"
    why = str(detail.get("why") or "").rstrip(".")
    return f"{begin}: {OUTCOMES.get(outcome, outcome)}" + (f", {why}" if why else "")


def changes(story: Story, names: Names, unit: str | None, span: Span) -> tuple[Noted, ...]:
    """Pumps swapped, moved, or taken out of service in the span, and what was changed of the site."""
    found: dict[tuple[int, str], Noted] = {}
    once: set[tuple[str, str]] = set()
    for at, event, told in story.others:
        if not span.start < at <= span.end or (words := WORDS.get(event)) is None:
            continue
        device = names.device(told.get("device") or "")
        if device and (names.site.is_drill(device) or not names.concerns(device, unit)):
            continue
        if event in ONCE and (event, device) in once:
            continue
        once.add((event, device))
        text = words(told, told.get("detail") or {}, device, names)
        if text:
            found[at, text] = Noted(at, text)
    return tuple(sorted(found.values()))


def _swapped(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    new = names.device(str(detail.get("to", "")))
    return f"{names.place(new)}: {device} swapped for {new}, with its feed{_by(names, told.get('person'))}"


def _placed(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del detail
    return f"{device} was moved; it is recorded at: {names.place(device)}{_by(names, told.get('person'))}"


def _withdrawn(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del detail
    return f"{names.where(device)} was taken out of service{_by(names, told.get('person'))}"


def _moved(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del told
    return f"{device} is heard of from {names.called_unit(str(detail.get('unit', '')))} since then"


def _planned(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del told
    return (
        f"{names.where(device)}: its feeding plan was {'withdrawn' if detail.get('withdrawn') else 'changed'}"
    )


def _claimed(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del told
    bridges = " and ".join(str(bridge) for bridge in detail.get("bridges", ()))
    return f"{names.where(device)} is reported by two bridges that do not agree: {bridges}"


def _of_pump(words: str) -> Callable[[Mapping[str, Any], Mapping[str, Any], str, Names], str]:
    def said(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
        del told, detail
        return words.format(where=names.where(device))

    return said


def _configured(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del told, device, names
    parts = []
    for part, (one, many) in PARTS.items():
        for how, counted in (detail.get(part) or {}).items():
            count = int(counted.get("count", 0))
            parts.append(f"{count} {one if count == 1 else many} {'new' if how == 'added' else how}")
    return "the site file was changed" + (f": {', '.join(parts)}" if parts else "")


def _rota(told: Mapping[str, Any], detail: Mapping[str, Any], device: str, names: Names) -> str:
    del told, device, names
    added, removed = int(detail.get("added", 0)), int(detail.get("removed", 0))
    return f"the rota was changed: {added} {'duty' if added == 1 else 'duties'} new, {removed} gone"


WORDS: Final[Mapping[str, Callable[[Mapping[str, Any], Mapping[str, Any], str, Names], str]]] = {
    "swapped": _swapped,
    "place-recorded": _placed,
    "place-let-go": _of_pump("{where}: the site file says where it is, what was recorded no longer counts"),
    "device-withdrawn": _withdrawn,
    "device-moved": _moved,
    "device-not-listed": _of_pump("{where} was heard of for the first time; the site file does not list it"),
    "device-forgotten": _of_pump(
        "{where}, which is not listed, was not heard of for long and is watched no more"
    ),
    "plan-changed": _planned,
    "claimed-by-two": _claimed,
    "clock-doubtful": _of_pump("{where}: its clock is wrong"),
    "configuration-changed": _configured,
    "reload-refused": _of_pump("a changed site file was not taken, as there are mistakes in it"),
    "rota-changed": _rota,
    "rota-unread": _of_pump("the calendars of the rota could not be read; the rota known before goes on"),
    "trail-doubtful": _of_pump("the stored record was found damaged"),
    "trail-key-lost": _of_pump("the key that signs the record was lost; a new one is used since"),
    "trail-key-changed": _of_pump("the key that signs the record was changed"),
    "name-forgotten": _of_pump("a name was erased from the record, as somebody asked"),
}
"""Which events are changes, and what is said of them."""

ONCE: Final = frozenset({"clock-doubtful", "claimed-by-two", "plan-changed", "reload-refused", "rota-unread"})
"""Events that come again and again: the first in a shift says it."""


def _by(names: Names, person: str | None) -> str:
    return f", by {names.person(person)}" if person else ""


def _clock(at: int, names: Names, span: Span) -> str:
    return clock(at, span.end, names.site.zone)

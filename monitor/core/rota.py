"""Who is on duty: looked up in spans that an adapter has expanded into UTC (the core needs no calendar).

A rota that changes keeps what was in force before: who was on duty at an instant that has passed stays as it was, so
that a change of the rota is seen as a change of duty, whoever asks for the difference and however late.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

FOR_EVER = 2**62
_KEPT: Final = 86_400_000  # ms for which what was in force is still known


class Span(NamedTuple):
    """A person in a role for a unit ("*": all units) from `start` until before `end`, ms UTC."""

    person: str
    role: str
    unit: str
    start: int
    end: int


class RotaChange(NamedTuple):
    """What of the shifts from now on, as far as both rotas reach, is new, and what is no longer there."""

    added: tuple[Span, ...]
    removed: tuple[Span, ...]


class Rota:
    """All spans known, for lookup: `fixed` ones of the site file, and the `shifts` of its calendars.

    `named` are persons whom the calendars name at any time: out of their shifts they are off duty, however long that
    is. The calendars are known `until` an instant, None where there are none.
    """

    VERSION = 1

    def __init__(
        self,
        fixed: Iterable[Span] = (),
        *,
        shifts: Iterable[Span] = (),
        named: Iterable[str] = (),
        until: int | None = None,
    ) -> None:
        self.fixed, self.shifts = tuple(fixed), tuple(shifts)
        self.named, self.until = frozenset(named), until
        self.past: tuple[Span, ...] = ()
        self._index(0)

    def _index(self, since: int) -> None:
        """Make ready for lookup; what is in force counts from `since`, what was before."""
        self._since = since
        self.spans: tuple[Span, ...] = (
            *self.past,
            *(
                span if span.start >= since else span._replace(start=since)
                for span in (*self.fixed, *self.shifts)
                if span.end > since
            ),
        )
        self._listed = self.named | {span.person for span in self.spans}
        self._of_role: dict[tuple[str, str], list[tuple[int, Span]]] = {}
        self._of_person: dict[str, list[Span]] = {}
        for number, span in enumerate(self.spans):
            self._of_role.setdefault((span.role, span.unit), []).append((number, span))
            self._of_person.setdefault(span.person, []).append(span)
        self._edges = sorted(
            {edge for span in self.spans for edge in (span.start, span.end) if 0 < edge < FOR_EVER}
        )

    def on_duty(self, unit: str, role: str, at: int) -> tuple[str, ...]:
        """The persons on duty for a unit in a role at an instant, in the order in which the rota lists them."""
        found = [
            (number, span.person)
            for where in dict.fromkeys(("*", unit))
            for number, span in self._of_role.get((role, where), ())
            if span.start <= at < span.end
        ]
        return tuple(dict.fromkeys(person for _, person in sorted(found)))

    def is_on_duty(self, person: str, at: int) -> bool:
        """Whether a person has any duty now; somebody whom the rota never names is always on call."""
        if person not in self._listed:
            return True
        return any(span.start <= at < span.end for span in self._of_person.get(person, ()))

    def lists(self, person: str) -> bool:
        """Whether a person has duties at all, and so is off duty outside of them."""
        return person in self._listed

    def of_role(self, unit: str, role: str) -> list[Span]:
        """The spans of a role that count for a unit, in the order in which the rota lists them."""
        found = [
            entry for where in dict.fromkeys(("*", unit)) for entry in self._of_role.get((role, where), ())
        ]
        return [span for _, span in sorted(found)]

    def of_person(self, person: str) -> list[Span]:
        """The spans of a person."""
        return list(self._of_person.get(person, ()))

    def next_change(self, after: int) -> int | None:
        """The first instant after `after` at which a duty begins or ends."""
        return next((edge for edge in self._edges if edge > after), None)

    # ---- changing ------------------------------------------------------------------------------------------------

    def fresh(self) -> Rota:
        """One of its own with the same spans, which may change without this one."""
        return Rota(self.fixed, shifts=self.shifts, named=self.named, until=self.until)

    def become(
        self,
        now: int,
        *,
        since: int,
        shifts: Iterable[Span],
        named: Iterable[str] = (),
        until: int | None = None,
        fixed: Iterable[Span] | None = None,
    ) -> RotaChange:
        """Have other spans in force from `now` on; who was on duty from `since` until now stays known."""
        old = {span for span in (*self.fixed, *self.shifts) if span.end > now}
        reach = FOR_EVER if self.until is None or until is None else min(self.until, until)
        kept = min(since, now - _KEPT)
        self.past = tuple(
            span if span.end <= now else span._replace(end=now)
            for span in self.spans
            if span.start < now and span.end > kept
        )
        self.fixed = self.fixed if fixed is None else tuple(fixed)
        self.shifts, self.named, self.until = tuple(shifts), frozenset(named), until
        self._index(now)
        new = {span for span in (*self.fixed, *self.shifts) if span.end > now}
        return RotaChange(
            added=tuple(sorted(span for span in new - old if span.start < reach)),
            removed=tuple(sorted(span for span in old - new if span.start < reach)),
        )

    # ---- state ---------------------------------------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """What is in force and what was, as JSON values."""
        return {
            "past": self.past,
            "fixed": self.fixed,
            "shifts": self.shifts,
            "named": sorted(self.named),
            "until": self.until,
            "since": self._since,
        }

    def restore(self, state: Mapping[str, Any], people: Container[str], *, now: int, since: int) -> bool:
        """Take what `dump` gave; whether the site file says something else by now, which counts from `now` on.

        Shifts of persons who are no longer among `people` are left out.
        """
        mine = self.fixed
        self.past, self.fixed, self.shifts = (_spans(state[part]) for part in ("past", "fixed", "shifts"))
        self.named, self.until = frozenset(state["named"]), state["until"]
        self._index(state["since"])
        left = tuple(span for span in self.shifts if span.person in people)
        if mine == self.fixed and left == self.shifts:
            return False
        self.become(now, since=since, shifts=left, named=self.named, until=self.until, fixed=mine)
        return True


def _spans(listed: Iterable[Sequence[Any]]) -> tuple[Span, ...]:
    return tuple(Span(*span) for span in listed)

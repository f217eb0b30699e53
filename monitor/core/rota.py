"""Who is on duty: looked up in spans that an adapter has expanded into UTC (the core needs no calendar)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

FOR_EVER = 2**62


class Span(NamedTuple):
    """A person in a role for a unit ("*": all units) from `start` until before `end`, ms UTC."""

    person: str
    role: str
    unit: str
    start: int
    end: int


class Rota:
    """All spans known, for lookup."""

    def __init__(self, spans: Iterable[Span] = ()) -> None:
        self.spans = tuple(spans)
        self._listed = {span.person for span in self.spans}
        self._edges = sorted(
            {edge for span in self.spans for edge in (span.start, span.end) if 0 < edge < FOR_EVER}
        )

    def on_duty(self, unit: str, role: str, at: int) -> tuple[str, ...]:
        """The persons on duty for a unit in a role at an instant, in the order in which the rota lists them."""
        found = [
            span.person
            for span in self.spans
            if span.role == role and span.unit in ("*", unit) and span.start <= at < span.end
        ]
        return tuple(dict.fromkeys(found))

    def is_on_duty(self, person: str, at: int) -> bool:
        """Whether a person has any duty now; somebody whom the rota never names is always on call."""
        if person not in self._listed:
            return True
        return any(span.person == person and span.start <= at < span.end for span in self.spans)

    def next_change(self, after: int) -> int | None:
        """The first instant after `after` at which a duty begins or ends."""
        return next((edge for edge in self._edges if edge > after), None)

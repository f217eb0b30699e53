"""The rota while it runs: another one taken, its difference noted, and those told whose duty it ends or begins.

It is stored with what was in force before, so that a start finds the same duties, and sees a change of the site file's
as the change of duty that it is.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Final

from monitor.core.effects import RotaRead
from monitor.core.journal import Journal
from monitor.core.responsibility import Responsibility
from monitor.core.rota import Rota, RotaChange, Span
from monitor.core.site import Site

MOST_NAMED: Final = 20  # who gained or lost which role, in one entry of the trail


class Duties:
    """The rota of one engine."""

    def __init__(self, site: Site, journal: Journal, responsibility: Responsibility) -> None:
        self._site, self._journal, self._responsibility = site, journal, responsibility
        self._dirty = True

    def read(self, event: RotaRead, now: int) -> None:
        """The calendars have been read: they count from now on."""
        self._dirty = True
        rota, seen = self._site.rota, self._responsibility.duty_seen
        shifts = [Span(*shift) for shift in event.shifts]
        change = rota.become(now, since=seen, shifts=shifts, named=event.named, until=event.until)
        if change.added or change.removed:  # else it reaches further than before, and that is all
            self._note(change, now)
        # Whoever came on duty at this very instant was looked at before the change, and is looked at once more.
        self._responsibility.duty_seen = min(seen, now - 1)
        self._responsibility.duty_changed(now)

    def _note(self, change: RotaChange, now: int) -> None:
        """Into the trail: how many shifts are new or gone, and of whom, by opaque keys."""
        self._journal.note(
            "rota-changed",
            now=now,
            added=len(change.added),
            removed=len(change.removed),
            gained=self._who(change.added),
            lost=self._who(change.removed),
        )

    def _who(self, spans: Iterable[Span]) -> list[list[str]]:
        found = dict.fromkeys((span.person, span.role, span.unit) for span in spans)
        return [
            [self._journal.key("person", person), role, unit]
            for person, role, unit in list(found)[:MOST_NAMED]
        ]

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The row, if it has changed."""
        if not self._dirty:
            return {}
        self._dirty = False
        return {("rota", "rota"): _text([Rota.VERSION, self._site.rota.dump()])}

    def load(self, rows: Mapping[str, str], now: int) -> None:
        """Take the row that was stored."""
        if (text := rows.get("rota")) is None:
            return
        _, state = json.loads(text)
        rota, seen = self._site.rota, self._responsibility.duty_seen
        self._dirty = rota.restore(state, self._site.people, now=now, since=seen)


def known_until(rows: Mapping[str, str]) -> int | None:
    """Until when a stored rota has the shifts of calendars, None if it has none."""
    text = rows.get("rota")
    found: int | None = None if text is None else json.loads(text)[1]["until"]
    return found


_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode

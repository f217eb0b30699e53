"""The load limit: nobody gets more than so many notices below high within so long; the rest goes as one summary.

High is never limited, and nothing is lost: what is held back waits, is told as it is then, and escalation goes on.
The last third is for calls alone, so that what is over never takes the place of what needs somebody.
"""

from __future__ import annotations

import json
from bisect import insort
from collections.abc import Mapping

from monitor.core.site import Site

VERSION = 1


class LoadLimit:
    """When each person was sent what counts."""

    def __init__(self, site: Site) -> None:
        self._most, self._within = site.most_notices, site.most_within
        self._sent: dict[str, list[int]] = {}  # by person, in order
        self._dirty: set[str] = set()

    def wait(self, person: str, now: int, *, calls: bool) -> int | None:
        """None if another notice may go to a person now, else when one may; `calls`: it asks to accept."""
        most = self._most if calls else max(1, self._most - self._most // 3)
        sent = self._of(person, now)
        return None if len(sent) < most else sent[-most] + self._within

    def count(self, person: str, now: int) -> None:
        """A notice goes to a person."""
        insort(self._of(person, now), now)
        self._dirty.add(person)

    def give_back(self, person: str, at: int) -> None:
        """The notice of instant `at` did not reach the person: it does not count."""
        sent = self._sent.get(person, [])
        if at in sent:
            sent.remove(at)
            self._dirty.add(person)

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """What has changed since the last call."""
        rows: dict[tuple[str, str], str | None] = {
            ("load", person): json.dumps([VERSION, self._sent[person]]) for person in self._dirty
        }
        self._dirty.clear()
        return rows

    def load(self, rows: Mapping[str, str]) -> None:
        """Take what `take_rows` gave."""
        self._sent = {person: json.loads(text)[1] for person, text in rows.items()}

    def _of(self, person: str, now: int) -> list[int]:
        """What counts at instant `now`: what is exactly `within` ago does not."""
        sent = self._sent.setdefault(person, [])
        while sent and now - sent[0] >= self._within:
            del sent[0]
        return sent

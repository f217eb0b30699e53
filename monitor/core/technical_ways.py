"""By which way whoever mends Second Bell is told next: the technical contact's ways, then the last resort's too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from monitor.core.site import Site
from monitor.core.troubles import CANNOT_SEND, REFUSES, Trouble

TRIES: Final = (
    2  # of each way to the technical contact, before the last resort is asked too; common practice, no source
)


class Way(NamedTuple):
    """A person, and which of the person's ways."""

    person: str
    number: int

    @property
    def key(self) -> str:
        """Under which tries of it are counted."""
        return f"{self.person}/{self.number}"


def next_way(site: Site, trouble: Trouble, known: Mapping[str, Trouble], now: int) -> Way | None:
    """The way that is tried next for what is owed of a trouble: the least tried, of these the first that may work.

    `known` are all troubles. None: nobody can be told of this one.
    """
    contact = site.technical
    people = [contact] if contact is not None and site.rota.is_on_duty(contact, now) else []
    ways = list(_ways(site, people, trouble))
    if trouble.attempts >= TRIES * len(ways):  # also at once, where there is none
        ways = list(_ways(site, dict.fromkeys([*people, site.last_resort]), trouble))
    return min(ways, key=lambda way: (trouble.tried.get(way.key, 0), _broken(site, way, known)), default=None)


def _ways(site: Site, people: Iterable[str], trouble: Trouble) -> Iterable[Way]:
    begun = trouble.owed == "begun"
    silent = trouble.about if begun and trouble.sort == CANNOT_SEND else None
    refuses = trouble.about if begun and trouble.sort == REFUSES else None
    for person in people:
        for number, reach in enumerate(site.people[person].reach if person in site.people else ()):
            way = Way(person, number)
            # That a carrier does not send is not told by that carrier, nor to whom it refuses by what it refuses.
            if reach.carrier == silent or f"{reach.carrier} {person}" == refuses:
                continue
            if way.key not in trouble.closed:
                yield way


def _broken(site: Site, way: Way, known: Mapping[str, Trouble]) -> bool:
    """Whether this way is known not to work."""
    carrier = site.people[way.person].reach[way.number].carrier
    found = (known.get(f"{CANNOT_SEND} {carrier}"), known.get(f"{REFUSES} {carrier} {way.person}"))
    return any(trouble is not None and trouble.over is None for trouble in found)

"""The parts of the engine, and how they know of each other.

Editing rules: wiring only; what is stored of the parts stands in `stored`, what is given to them in `inputs`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

from monitor.core.answers import Answers
from monitor.core.books import Books
from monitor.core.changes import Quarantined
from monitor.core.device import Device
from monitor.core.drills import Drills
from monitor.core.duties import Duties
from monitor.core.effects import Effect
from monitor.core.fleet import Fleet
from monitor.core.holds import Holds
from monitor.core.journal import Journal
from monitor.core.lookout import Lookout
from monitor.core.messages import Rejection
from monitor.core.outbox import Outbox
from monitor.core.places import Places
from monitor.core.quarantine import Quarantine
from monitor.core.responsibility import Responsibility
from monitor.core.returned import Returns
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.technical import Technical
from monitor.core.teller import Teller
from monitor.core.timers import Timers
from monitor.core.trail import Frontier


class Rejected(NamedTuple):
    """A message that could not be read, with its bytes."""

    rejection: Rejection
    payload: bytes


class Loaded(NamedTuple):
    """What a store gave back: rows by kind and key, the trail's frontier and size.

    `once`: the rows are for this engine only, which lets go of those of devices as it reads them; there may be many.
    """

    rows: Mapping[str, Mapping[str, str]]
    frontier: Frontier | None
    size: int
    once: bool = False


class Parts:
    """All that an engine is made of."""

    def __init__(
        self,
        site: Site,
        *,
        now: int,
        link: bool = False,
        only_rules: bool = False,
        trail: bool = True,
        loaded: Loaded | None = None,
    ) -> None:
        """Make them at instant `now`, empty but for the trail's frontier of what was `loaded`."""
        # Rota and recorded places change while it runs, and whoever else has this site is not to see it.
        self.site = site = replace(site, rota=site.rota.fresh(), standing={})
        self.now = now
        self.counters: Counter[str] = Counter()
        self.memo: dict[str, str] = {}  # what the service wants to find again after a restart
        self._only_rules = only_rules
        self._timers = timers = Timers()
        frontier, size = (loaded.frontier, loaded.size) if loaded else (None, 0)
        self.journal = journal = Journal(site, size=size, frontier=frontier, trail=trail)
        self.sight = SightState(link=link)
        self.lookout = Lookout(site, journal, timers, self.sight)
        self.fleet = Fleet(
            site,
            journal,
            timers,
            self.sight,
            self.counters,
            new_unit=self.lookout.unit,
            only_rules=only_rules,
        )
        self.responsibility = Responsibility(site, journal, timers, self.fleet)
        self.fleet.responsibility = self.lookout.responsibility = self.responsibility
        self.lookout.fleet = self.fleet
        self.holds = holds = Holds(site, journal, timers)
        holds.responsibility = self.responsibility
        holds.device, holds.backlogged = self.fleet.get, self.fleet.backlogged
        self.responsibility.held = self.fleet.holds = self.lookout.holds = holds
        self.places = self.fleet.places = Places(site, journal, self.fleet, holds, self.responsibility)
        self.answers = Answers(site, journal, self.responsibility, self.fleet, holds, self.places)
        self.teller = Teller(site, journal, self.responsibility, self.fleet, self.lookout)
        self.outbox = Outbox(
            site, journal, timers, self.teller.compose, self.teller.news, self.responsibility.notice_ended
        )
        self.responsibility.outbox = self.outbox
        self.teller.groups = self.outbox.groups
        self.technical = Technical(site, journal, timers, self.outbox.without_address)
        self.outbox.technical = self.technical
        self.returns = Returns(site, journal, self.outbox, self.responsibility, self.technical)
        self.drills = Drills(site, journal, timers, self.sight, self.fleet, self.lookout, self.responsibility)
        self.books = Books(self.counters, journal.noted)
        self._kept: dict[tuple[str, str], str | None] = {}
        self._quarantine = Quarantine()
        self._quarantined: list[Quarantined] = []
        self._counted = 0  # messages of which the counts are stored
        self._effects: list[Effect] = []
        self.responsibility.duty_seen = now
        self.duties = Duties(site, journal, self.responsibility)

    @property
    def devices(self) -> Mapping[str, Device]:
        """The devices that have been heard of."""
        return self.fleet.devices

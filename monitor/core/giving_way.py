"""What a drill waits for and gives way to: real trouble of its unit, or of somebody whom it would ask for an answer.

A low concern is for awareness and may stay open for hours, so it stops no drill; nor does a missed drill's own.
"""

from __future__ import annotations

from typing import Final

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.drill import DRILL_BRIDGE, Drill
from monitor.core.ladders import call
from monitor.core.responsibility import Responsibility
from monitor.core.rulebook import RANK
from monitor.core.sight import SightState
from monitor.core.site import Site

MISSED_RULE: Final = "drill-missed"


class GivingWay:
    """Knows of each drill whether something real stands in its way."""

    def __init__(self, site: Site, sight: SightState, responsibility: Responsibility) -> None:
        self._site, self._sight, self._responsibility = site, sight, responsibility

    def hindrance(self, drill: Drill, now: int) -> str | None:
        """Why a drill cannot begin now; None if it can."""
        if self._sight.backlogged(DRILL_BRIDGE) or not self._sight.link:
            return "the broker is not there, or what it had kept is being read"
        if any(self.blocks(concern, drill, now) for concern in self._responsibility.concerns.values()):
            return "real trouble is open"
        return None

    def blocks(self, concern: Concern, drill: Drill, now: int) -> bool:
        """Whether a concern is real, of medium or high priority, and of this unit or one of the drill's people's."""
        if not concern.live or self._site.is_drill(concern.subject) or concern.rule == MISSED_RULE:
            return False
        if concern.rank < RANK["medium"]:
            return False
        if concern.unit == drill.unit:
            return True
        busy = {concern.holder} if concern.state is State.ACCEPTED else set(concern.called)
        return bool(busy & self._people(drill, now))

    def _people(self, drill: Drill, now: int) -> set[str]:
        """Who has been called by a drill, or would be first."""
        concern = self._responsibility.concerns.get(drill.concern or "")
        if concern is not None:
            return {*concern.called, *concern.told}
        if drill.to is not None:
            return {drill.to}
        site, rank = self._site, RANK[drill.priority]
        first = call(
            site.ladder(drill.unit, drill.priority), 0, drill.unit, now, site.rota, site.last_resort,
            reachable=lambda person: site.reachable(person, rank, now),
        )  # fmt: skip
        return set(first.people)

"""Whether we can see: the broker's link, the bridges, and the backlog that is read after a gap.

While the broker or a bridge is gone, or a backlog is being read, the rule deadlines of its devices rest. A start from
a store is the beginning of a backlog: what was mended or answered meanwhile is about to come. A unit of which devices
cannot be seen has a picture of its own, on which the rule `sight-lost` runs.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from typing import Any, NamedTuple

from monitor.core.device import Subject


class UnitPicture:
    """What the unit rules look at."""

    __slots__ = ("alarms", "drill_missed", "glucose_risk", "sight_lost")

    def __init__(self) -> None:
        self.sight_lost = False
        self.glucose_risk = False
        self.drill_missed = False  # nobody accepted its last drill
        self.alarms: tuple[()] = ()


class Unit:
    """One unit: whether its devices can be seen."""

    __slots__ = ("name", "picture", "queued", "subject")

    def __init__(self, name: str) -> None:
        self.name = name
        self.picture = UnitPicture()
        self.subject = Subject()
        self.queued: int | None = None

    @property
    def key(self) -> str:
        """How concerns name the unit as their subject; no device is named so, as ":" cannot stand in a topic level."""
        return f"unit:{self.name}"


MOST_BRIDGES = 1_000  # far more than a site has
GONE_AFTER = 24 * 3_600_000  # ms after which a bridge without devices may be forgotten if there is no room


class Mark(NamedTuple):
    """A return of sight, from which the silence of all devices concerned counts anew; the later, the higher the number.

    It is kept here once, and taken over by each device when it is next looked at: there may be 100,000 of them.
    """

    number: int
    at: int


NO_MARK = Mark(0, 0)


@dataclass(slots=True)
class Bridge:
    """What a bridge last said of itself."""

    online: bool = True
    backlog: bool = False
    backlog_until: int = 0  # when the wait for its end is over
    returned_at: int = 0  # when it last came back after it was gone
    lost_at: int = 0
    returned: bool = (
        False  # it has just come back without one: its devices are given a moment to say how they are
    )
    heard_at: int = 0  # when it last said anything of itself
    mark: Mark = NO_MARK
    ending: bool = False  # its backlog has been read, and what rested is being worked through

    @property
    def said(self) -> tuple[bool, bool]:
        """Online, and sending what it had stored, as it said itself."""
        return self.online, self.backlog and not self.returned and not self.ending


@dataclass(slots=True)
class CatchUp:
    """A backlog being read since `began`; over when our marker is back and nothing old has come for a while."""

    began: int
    token: str
    marker_back: int | None = None
    last_old: int = 0
    ending: bool = False  # all has been read, and what rested is being worked through

    def over(self, now: int, quiet: int, at_most: int) -> bool:
        """Whether it ends now."""
        return now - self.began >= at_most or self.complete(now, quiet)

    def complete(self, now: int, quiet: int) -> bool:
        """Whether all has come: our marker, and for a while nothing old."""
        return self.marker_back is not None and now >= max(self.marker_back, self.last_old) + quiet

    def next_look(self, quiet: int, at_most: int) -> int:
        """When to look again."""
        end = self.began + at_most
        return end if self.marker_back is None else min(end, max(self.marker_back, self.last_old) + quiet)


class SightState:
    """Link, bridges, catch-up."""

    def __init__(self, *, link: bool) -> None:
        self.link = link
        self.starting = False  # begun from a store, and the broker is not there yet
        self.catch_up: CatchUp | None = None
        self.bridges: dict[str, Bridge] = {}
        self.connections = 0
        self.lost_at = 0  # when the broker last went
        self.anew_at = 0  # when silence last began to count anew, as the broker came back
        self.mark = NO_MARK  # for devices of bridges that have said nothing of themselves
        self.marks = 0  # how many there were
        self.changed = False  # since it was stored

    def full_for(self, bridge: str) -> bool:
        """Whether a bridge is one too many."""
        return bridge not in self.bridges and len(self.bridges) >= MOST_BRIDGES

    def make_room(self, now: int, with_devices: Container[str]) -> str | None:
        """Forget the bridge that has said nothing for longest, if for a day, and that no device comes by; its name."""
        found = [
            (bridge.heard_at, name)
            for name, bridge in self.bridges.items()
            if name not in with_devices and now - bridge.heard_at > GONE_AFTER
        ]
        if not found:
            return None
        _, name = min(found)
        del self.bridges[name]
        return name

    def seen_since(self, bridge: str) -> int:
        """Since when devices of this bridge could be heard, as far as is known."""
        known = self.bridges.get(bridge)
        return max(self.anew_at, 0 if known is None else known.returned_at)

    def lost(self, bridge: str) -> bool:
        """Whether devices of this bridge cannot be seen."""
        return not self.link or ((known := self.bridges.get(bridge)) is not None and not known.online)

    def backlogged(self, bridge: str) -> bool:
        """Whether what this bridge's devices send may be old."""
        if self.starting or self.catch_up is not None:
            return True
        return (known := self.bridges.get(bridge)) is not None and known.backlog

    def resting(self, bridge: str) -> bool:
        """Whether rule deadlines of this bridge's devices rest: it is lost, or its backlog is being read."""
        if not self.link or self.starting or self.catch_up is not None:
            return True
        known = self.bridges.get(bridge)
        return known is not None and (known.backlog or not known.online)

    def mark_of(self, bridge: str) -> Mark:
        """The last return of sight for the devices of this bridge."""
        known = self.bridges.get(bridge)
        return self.mark if known is None else known.mark

    def returns(self, now: int, bridge: str | None = None, *, unless_since: int | None = None) -> None:
        """Sight returns, for all devices or those of one bridge: their silence counts anew from `now`.

        Not for those for which it did so at `unless_since` or later already.
        """
        self.marks += 1
        mark = Mark(self.marks, now)
        for name, known in self.bridges.items() if bridge is None else ((bridge, self.bridges[bridge]),):
            if unless_since is None or self.seen_since(name) < unless_since:
                known.mark = mark
        if bridge is None and (unless_since is None or self.anew_at < unless_since):
            self.mark = mark
        self.changed = True

    def dump(self) -> dict[str, Any]:
        """What survives a restart: what bridges said. The link is found anew."""
        return {
            "connections": self.connections,
            "anew_at": self.anew_at,
            "bridges": {
                name: [
                    b.online,
                    b.backlog,
                    b.backlog_until,
                    b.returned_at,
                    b.lost_at,
                    b.returned,
                    b.heard_at,
                    b.mark,
                    b.ending,
                ]
                for name, b in self.bridges.items()
            },
            "marks": [self.marks, self.mark],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take what `dump` gave."""
        self.connections, self.anew_at = state["connections"], state["anew_at"]
        self.marks, mark = state.get("marks", (0, (0, 0)))
        self.mark = Mark(*mark)
        self.bridges = {name: Bridge(*values) for name, values in state["bridges"].items()}
        for bridge in self.bridges.values():
            bridge.mark = Mark(*bridge.mark)

"""One drill's record, and the messages of its made-up pump.

Whatever its messages say is known here to the last field, so that nobody else's can pass for them. Editing rules: a new
field goes to the end of `FIELDS` and raises `VERSION`; what happens to a drill stands in `drills`.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, Final, NamedTuple

from monitor.core.effects import DrillAsked
from monitor.core.instants import MINUTE, SECOND, show, show_duration
from monitor.core.messages import STATE_TYPE, AlarmCondition, Snapshot
from monitor.core.site import Site
from monitor.core.topics import state_topic

DRILL_BRIDGE: Final = "drill"  # what the made-up pumps come by; no bridge may be called so
CONDITION: Final = "inactivity"  # says nothing of a line, a set or a person
PRIORITIES: Final = ("medium", "high")  # low has no alarm rule that calls anybody

# Common practice, no source, all of them.
SHORTEST, LONGEST, WAIT = 1 * MINUTE, 2 * 60 * MINUTE, 10 * MINUTE  # ms for an acceptance
AGAIN: Final = 5 * SECOND  # between two looks: may it begin, has it come back, is it all over
CLEARING: Final = 30 * SECOND  # for the message that ends the made-up trouble to come back
MOST_SENT: Final = 12  # messages of one kind that may come back; a minute's worth
MOST_LEGS: Final = 200  # of one drill; a ladder that goes round for hours says no more

# How a drill can end.
ACCEPTED, MISSED, PUT_OFF = "accepted", "missed", "put-off"
CUT_SHORT, STOPPED, BROKEN_OFF = "cut-short", "stopped", "broken-off"


WAY: Final = ("back", "raised", "told", "sent", "accepted")
"""The legs that every drill must have, in order."""


class Leg(NamedTuple):
    """One leg of the way: its name, when (ms UTC), and what is to be said of it."""

    name: str
    at: int
    said: dict[str, Any]


class Drill:
    """The record. Instants in ms UTC.

    `state`: waiting (put off), running (nobody has accepted), clearing (accepted), ended.
    """

    FIELDS = (
        "id", "unit", "device", "to", "priority", "wait", "by", "seal", "state", "asked", "begun", "until", "number",
        "sent", "concern", "outcome", "why", "ended", "legs", "due", "missed_to",
    )  # fmt: skip
    VERSION = 1
    __slots__ = FIELDS

    def __init__(
        self, *, unit: str, device: str, to: str | None, priority: str, wait: int, by: str, seal: str, at: int
    ) -> None:
        """`to`: the one person whom it goes to, else the unit's ladder; `seal`: a secret of this drill alone."""
        self.id = hashlib.sha256(f"{unit}|{seal}|{at}".encode()).hexdigest()[:12]
        self.unit, self.device = unit, device
        self.to = to
        self.priority, self.wait, self.by, self.seal = priority, wait, by, seal
        self.state = "waiting"
        self.asked = at
        self.begun: int | None = None
        self.until = at + wait  # when it is given up
        self.number = 0  # of the newest message
        self.sent: list[int] = []  # when those were sent that may come back now, the newest last
        self.concern: str | None = None
        self.outcome: str | None = None
        self.why = ""
        self.ended: int | None = None
        self.legs: list[Leg] = []
        self.due: int | None = at
        self.missed_to: str | None = None  # whom the unit's last missed drill went to ("": its ladder)

    @property
    def over(self) -> bool:
        """Whether nothing of it is left to do."""
        return self.state == "ended"

    @property
    def started(self) -> int:
        """From when the legs are timed."""
        return self.asked if self.begun is None else self.begun

    def leg(self, name: str, at: int, **said: Any) -> None:
        """Keep one leg of its way."""
        if len(self.legs) < MOST_LEGS or name == "ended":
            self.legs.append(Leg(name, at, said))

    def has(self, name: str) -> bool:
        """Whether it has come so far."""
        return any(leg.name == name for leg in self.legs)

    def first(self, name: str, **said: Any) -> Leg | None:
        """The first leg of this name of which this is said."""
        for leg in self.legs:
            if leg.name == name and said.items() <= leg.said.items():
                return leg
        return None

    def lacks(self) -> str:
        """The first leg that it has not come to."""
        return next((name for name in WAY if not self.has(name)), WAY[-1])

    def report(self, site: Site) -> dict[str, Any]:
        """What there is to say of it; people by their duty label."""
        legs = []
        for name, at, said in self.legs:
            person = said.get("person")
            legs.append([name, at, said | ({"person": site.called(person)} if person else {})])
        return {
            "drill": self.id, "unit": self.unit, "state": self.state, "outcome": self.outcome, "why": self.why,
            "started": self.started, "until": self.until, "ended": self.ended, "legs": legs,
        }  # fmt: skip

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Drill:
        """The record from what `dump` gave, after a trip through JSON."""
        drill = cls(unit="", device="", to=None, priority="", wait=0, by="", seal="", at=0)
        for field in cls.FIELDS:
            setattr(drill, field, state[field])
        drill.legs = [Leg(*leg) for leg in drill.legs]
        return drill

    # ---- its messages ------------------------------------------------------------------------------------------------

    def message_id(self, number: int) -> str:
        """What nobody can know before it is sent: without the seal the next one cannot be told from this."""
        sealed = hashlib.sha256(f"{self.seal}|{self.id}|{number}".encode()).hexdigest()[:24]
        return f"drill-{self.id}-{number}-{sealed}"

    def send(self, now: int, *, first: bool) -> None:
        """Number another message; `first` of its kind: those before it count no more."""
        self.number += 1
        self.sent = [*([] if first else self.sent[1 - MOST_SENT :]), now]

    def snapshots(self, site: Site) -> list[Snapshot]:
        """Its messages that may come back now, as they must look, the newest last."""
        first = self.number - len(self.sent) + 1
        return [self._snapshot(site, number, at) for number, at in enumerate(self.sent, first)]

    def _snapshot(self, site: Site, number: int, at: int) -> Snapshot:
        trouble = AlarmCondition(CONDITION, "", self.priority, "enabled", at)
        return Snapshot(
            site=site.name, unit=self.unit, device=self.device, source=f"urn:bridge:{DRILL_BRIDGE}",
            id=self.message_id(number), bridge=DRILL_BRIDGE, time=at, sequence=number,
            activity="stopped" if self.state == "running" else "idle",
            alarms=(trouble,) if self.state == "running" else (),
            mains=None, battery_percent=None, battery_low=None, rate_ml_h=None, delivered_ml=None, target_ml=None,
            dropped=(),
        )  # fmt: skip

    def payload(self, site: Site) -> bytes:
        """The newest as it is published."""
        snapshot = self.snapshots(site)[-1]
        alarms = [
            {
                "condition": alarm.condition,
                "priority": alarm.priority,
                "since": show(snapshot.time),
                "inactivation": alarm.inactivation,
            }
            for alarm in snapshot.alarms
        ]
        event = {
            "specversion": "1.0", "id": snapshot.id, "source": snapshot.source, "type": STATE_TYPE,
            "subject": self.device, "time": show(snapshot.time), "datacontenttype": "application/json",
            "data": {"sequence": snapshot.sequence, "activity": snapshot.activity, "alarms": alarms},
        }  # fmt: skip
        return json.dumps(event, separators=(",", ":")).encode()

    def topic(self, site: Site) -> str:
        """Where it is published."""
        return state_topic(site.prefix, site.name, self.unit, self.device)

    def made(self, identifier: str) -> bool:
        """Whether this is the id of a message that this drill has sent."""
        number = identifier.split("-")[2:3]
        if not number or not number[0].isascii() or not number[0].isdecimal() or len(number[0]) > 9:
            return False
        return 1 <= int(number[0]) <= self.number and self.message_id(int(number[0])) == identifier


def refusal(asked: DrillAsked, site: Site, last: Drill | None) -> str | None:
    """Why a drill cannot be; `last` is the unit's last one."""
    if asked.unit not in site.units:
        return f"there is no unit {asked.unit}; units: {', '.join(site.units) or 'none'}"
    if asked.to is not None and asked.to not in site.people:
        return f"nobody here has the id {asked.to}; it must be a person of the site file"
    if asked.priority not in PRIORITIES:
        return f"priority is {asked.priority}, not {' or '.join(PRIORITIES)}"
    if not SHORTEST <= asked.wait <= LONGEST:
        return f"it must wait between {show_duration(SHORTEST)} and {show_duration(LONGEST)}"
    if not site.drill_rules():
        return "the rules that it could make hold are switched off"
    if last is not None and not last.over:
        return f"one of {asked.unit} is under way; try again in a few minutes"
    return None

"""The checks of a notice, by how often; and the cautions that stand wherever a person meets Second Bell.

Editing rules: the person comes first, then the tube, then line, set, pump, service. No text here tells
anybody to feed: somebody licensed decides that, under local policy. Nothing is taken from a pump's manual.
A test scans every text for what must not be said.
"""

import re
from collections.abc import Iterable, Sequence
from typing import Final, Protocol

from monitor.core.messages import UNREADABLE_ALARM, AlarmCondition

CAUTION_SHORT: Final = "Do not rely on Second Bell in place of the pump's own alarm."

CAUTION: Final = (
    # "Distributed information system": IEC 60601-1-8 (domain §1); no confirmed receipt, so no risk control.
    "Second Bell is a distributed information system about alarm conditions: "
    "its messages can come late or not at all. "
    f"{CAUTION_SHORT} "
    "The maker's instructions and local policy come first. "
    "Accepting does not silence the pump."
)

_DANGER: Final = "Vomiting, breathless, or the tube moved: do not feed; call for help by local policy."
PERSON: Final = f"Look at the person first. {_DANGER}"
PERSON_EACH: Final = f"At each pump, look at the person first. {_DANGER}"
PERSON_HOME: Final = f"Ask the carer to look at the person first. {_DANGER}"
GLUCOSE: Final = (
    # Domain §5 (NHS Scotland) and §11: what to give and how often to test is the local plan's to say.
    "An unnoticed stop is dangerous for this person: follow the local plan for a feed that has stopped, "
    "and its glucose tests."
)
TUBE: Final = "Then the tube: check its position by local policy before anything goes through it."
DISCONNECT: Final = "Before a set or a pump is changed, or a set is primed: disconnect it from the person."
LICENSED: Final = (
    "Whether the person is fed now is decided by somebody licensed to do so, under local policy."
)
NO_ANSWER: Final = "Nobody answers the phone: follow the local policy for that."

_FAULT: Final = (
    "The pump reports a fault of its own: use another pump by local policy, and keep this one for service."
)
_POWER: Final = "Power: plug the pump in, and see that it shows that it is on mains."
_NAMED: Final = "Read what the pump's display says: it names the condition."

BY_CONDITION: Final = {
    "downstream-occlusion": (
        "Blocked after the pump (downstream): kink, closed clamp, clog, the person lying on the tube?"
    ),
    "upstream-occlusion": (
        "Blocked before the pump (upstream): container empty or not vented, set kinked, closed clamp?"
    ),
    "occlusion": (
        "Blocked, side not told: before the pump container, vent, clamp; after it kink, clamp, clog?"
    ),
    "container-empty": "Container empty: how much was given? The plan and local policy say what comes next.",
    "set-misloaded": "The giving set does not sit right: see how it lies in the pump, as the maker shows it.",
    "battery-low": _POWER,
    "battery-depleted": _POWER,
    "supply-fault": "Power: try another socket; see that the lead holds.",
    "drive-fault": _FAULT,
    "sensor-fault": _FAULT,
    "device-fault": _FAULT,
    UNREADABLE_ALARM: _NAMED,
}
"""What to look at first for an alarm condition; those that say nothing about line or pump have no row."""

MOST_CONDITIONS: Final = 2
"""Alarm conditions with their own check in one notice: more would push the rest off a phone's screen (cp)."""

_RANK: Final = {"high": 0, "medium": 1, "low": 2}
_TOUCHES_SET = re.compile(r"\b(?:giving set|another pump|prim(?:e|ed|ing))\b", re.IGNORECASE)


class RuleChecks(Protocol):
    """What a rule file's `[checks]` gives."""

    @property
    def first(self) -> tuple[str, ...]:
        """For every time."""
        ...

    @property
    def second(self) -> tuple[str, ...]:
        """Added from the 2nd time on."""
        ...

    @property
    def third(self) -> tuple[str, ...]:
        """Added from the 3rd time on."""
        ...


def checks(
    rule_checks: RuleChecks,
    times: int,
    *,
    setting: str,
    alarms: Sequence[AlarmCondition] = (),
    delivering: bool = False,
    glucose_risk: bool = False,
    scope: str = "device",
    about: str = "alarms",
) -> tuple[str, ...]:
    """The checks of one notice in order: person, tube, then line, set, pump, service.

    `times` counts from 1; `setting` is "ward" or "home", where a nurse asks a carer by phone; `scope`
    is the rule's, "device" or "unit"; what it is `about` may concern no pump at all.
    """
    home = setting == "home"
    along = [*_by_condition(alarms), *rule_checks.first]
    if times >= 2:
        along += rule_checks.second
    if times >= 3:
        along += rule_checks.third
    along = list(dict.fromkeys(along))
    touching = next((index for index, check in enumerate(along) if _TOUCHES_SET.search(check)), None)
    if touching is not None:
        along.insert(touching, DISCONNECT)
    if about == "drill":
        return tuple(along)
    before = [PERSON_HOME if home else PERSON_EACH if scope == "unit" else PERSON]
    if glucose_risk and not delivering:
        before.append(GLUCOSE)
    before.append(TUBE)
    after = [] if delivering else [LICENSED]
    if home:
        after.append(NO_ANSWER)
    return (*before, *along, *after)


def _by_condition(alarms: Iterable[AlarmCondition]) -> list[str]:
    """The checks of the most urgent alarm conditions, each said once."""
    ranked = sorted(alarms, key=lambda alarm: _RANK.get(alarm.priority, 1))
    found = [BY_CONDITION[alarm.condition] for alarm in ranked if alarm.condition in BY_CONDITION]
    return list(dict.fromkeys(found))[:MOST_CONDITIONS]

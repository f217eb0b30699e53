"""The facts that a notice is made of: what is known about one concern when somebody is told.

Built by the engine, read by `notices`. No field may hold a person's name.
"""

from dataclasses import dataclass
from typing import Final

from monitor.core.messages import PRIORITIES, AlarmCondition
from monitor.core.wording import WHY, Why

SETTINGS: Final = ("ward", "home")
"""Where the pumps are: a nurse goes there, or phones a carer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RateFacts:
    """What the rest of a feed would need, for somebody licensed to decide; in mL and mL/h (`progress.Progress`)."""

    needed_ml_h: float
    allowed_ml_h: float
    cannot_ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Everything a notice may say about one concern; ValueError for an unknown `why`, priority, setting.

    Instants and durations are ms. `raised_at` is when the rule began to hold, `since` the start of its run or
    its first onset, `times` how often it held for this device within the concern and its relapses (1: first).
    `holder` and `next_who` are duty labels ("night nurse 2"), never names; `code` is what this person types.
    """

    concern: str
    rule: str
    sentence: str
    hazard: str
    priority: str
    site: str
    unit: str
    place: str | None
    pager_place: str | None
    device: str  # "" when the concern is about a unit
    setting: str
    why: str
    now: int
    raised_at: int
    since: int | None
    times: int
    alarms: tuple[AlarmCondition, ...]
    activity: str
    last_seen: int  # 0: never
    reporting_interval: int
    unreadable: int
    clock_doubtful: bool
    mains: bool | None
    battery_percent: float | None
    battery_low: bool | None
    rate_ml_h: float | None
    delivered_ml: float | None
    target_ml: float | None
    feed_due: bool
    delivering: bool
    glucose_risk: bool
    checks: tuple[str, ...]  # from `guidance.checks`
    code: str
    holder: str | None
    next_at: int | None  # when somebody else is told if nobody accepts; None: nobody is
    next_who: str | None  # None: all who were told, again
    recheck_at: int | None
    late_by: int | None
    settled: str | None  # why it is over and what the pump does now, in words; no person's name
    places: tuple[str, ...]  # of a unit: each pump's place and last known trouble
    told_before: int
    onsets: tuple[tuple[int, AlarmCondition], ...] = ()  # of a rule that counts them: when, and what
    drill: bool = False
    place_since: int | None = None
    reason: str = ""  # why the rule holds, as a sentence
    ended: int | None = None  # when it was over, for what is told only afterwards
    shortfall_ml: float | None = None  # of what was to be given by now
    left_ml: float | None = None  # of the plan's target; None: only the pump's counter tells
    kcal_per_ml: float | None = None
    minutes_left: float | None = None  # of the battery, as forecast
    hanging: tuple[tuple[str, int], ...] = ()  # what hangs, and for how long (ms)
    rate: "RateFacts | None" = None
    link: str | None = None  # what opens it on this person's phone

    def __post_init__(self) -> None:
        if self.why not in WHY or self.priority not in PRIORITIES or self.setting not in SETTINGS:
            raise ValueError(
                f"no such why, priority or setting: {self.why!a}, {self.priority!a}, {self.setting!a}"
            )

    @property
    def told_as(self) -> Why:
        """Why it is told."""
        return WHY[self.why]

    @property
    def unit_wide(self) -> bool:
        """Whether it is about all the pumps of a unit."""
        return self.rule == "sight-lost" or not self.device

    @property
    def stale(self) -> bool:
        """Whether the values are older than one reporting interval."""
        return self.now - self.last_seen > self.reporting_interval

    @property
    def begun(self) -> int:
        """When it began, as an instant."""
        return self.raised_at if self.since is None else self.since

    @property
    def lasted(self) -> int:
        """For how long it has been so, in ms, never negative."""
        return max(0, self.now - self.begun)

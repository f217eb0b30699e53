"""Signals that follow from a plan and a battery: asked for when a rule or a notice wants them, never stored.

They change at snapshots only, as what they are made of does.
"""

from __future__ import annotations

from monitor.core.battery import Reports, Runs, losing_charge, minutes_left
from monitor.core.messages import Plan
from monitor.core.plans import Zone
from monitor.core.progress import FeedingDay, Progress, feeding_day, progress


class Signals:
    """What rules see of a picture beside what was told."""

    __slots__ = ("_day", "_progress")

    activity: str
    acted: int
    counter_ml: float | None
    day_start: int | None
    delivering: bool
    feed_ended: bool
    given_known: bool
    given_ml: float
    rate_ml_h: float | None
    reports: Reports
    runs: Runs
    target_ml: float | None
    window_start: int | None
    zone: Zone
    _day: FeedingDay | None
    _plan: Plan | None
    _progress: Progress | None

    @property
    def progress(self) -> Progress | None:
        """How the feeding day stands; None without a plan of windows, outside them, or when the feed was ended."""
        if self.window_start is None or self._plan is None or self.feed_ended:
            return None
        if self._progress is None:
            day = self._day  # of a day's snapshots only the first looks for it
            if day is None or not day.start <= self.acted < day.end:
                self._day = day = feeding_day(self._plan, self.zone, self.acted)
            if day is None or not day.spans:
                return None
            given = self.given_ml if self.given_known and self.counter_ml is not None else None
            self._progress = progress(self._plan, day, self._wanted(), given, self.acted)
        return self._progress

    @property
    def in_window(self) -> bool | None:
        """Whether feed is planned now; None without a plan of windows."""
        return None if self._plan is None or not self._plan.windows else self.window_start is not None

    @property
    def shortfall_ml(self) -> float | None:
        """What is missing of what was to be given by now, in mL; None if it is not known."""
        return None if (now := self.progress) is None else now.shortfall_ml

    @property
    def shortfall_percent(self) -> float | None:
        """The same in percent of what is wanted in the feeding day."""
        now = self.progress
        if now is None or now.shortfall_ml is None or not now.target_ml:
            return None
        return 100 * now.shortfall_ml / now.target_ml

    @property
    def unfit_percent(self) -> float | None:
        """What no longer fits the windows left at the highest allowed rate, in percent of what is wanted."""
        now = self.progress
        if now is None or now.cannot_ml is None or not now.target_ml:
            return None
        return 100 * now.cannot_ml / now.target_ml

    @property
    def over_rate(self) -> bool | None:
        """Whether it delivers faster than the plan's highest allowed rate; None if that is not known."""
        highest = None if self._plan is None else self._plan.max_rate_ml_h
        if highest is None or self.rate_ml_h is None:
            return None
        # The rate of a flush is not the feed's.
        return self.activity == "feeding" and self.rate_ml_h > highest

    @property
    def over_target_percent(self) -> float | None:
        """How far what was given in the feeding day is over what is wanted, in %; None if not over or not known."""
        wanted = self._wanted()
        if self.day_start is None or not wanted or not self.given_known or self.given_ml <= wanted:
            return None
        return 100 * (self.given_ml - wanted) / wanted

    @property
    def feed_kind(self) -> str | None:
        """The plan's kind of feed."""
        return None if self._plan is None else self._plan.feed_kind

    @property
    def container_hung_for(self) -> int | None:
        """For how long the container has hung, in ms."""
        hung = None if self._plan is None else self._plan.container_hung
        return None if hung is None else self.acted - hung

    @property
    def set_hung_for(self) -> int | None:
        """For how long the giving set has hung, in ms."""
        hung = None if self._plan is None else self._plan.set_hung
        return None if hung is None else self.acted - hung

    @property
    def minutes_left(self) -> float | None:
        """Minutes until the battery is empty, as forecast from this unplugged stretch; None if that is unknown."""
        return minutes_left(self.reports) if self.reports else None

    @property
    def losing_charge(self) -> bool | None:
        """Whether the battery falls although it is on the mains; None if that is unknown."""
        return losing_charge(self.runs) if self.runs else None

    def _wanted(self) -> float | None:
        """The volume wanted in the feeding day: the plan's, else the pump's own."""
        planned = None if self._plan is None else self._plan.target_ml
        return planned if planned is not None else self.target_ml

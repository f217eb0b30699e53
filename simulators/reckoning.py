"""What a person's plan asked for, what really reached her, and for how long it did not, and why.

Everything is piecewise linear between two changes at the bed, so the sums are exact: `turn` is called at each change
and takes what was so since the one before. Instants are ms UTC.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simulators.feeding_days import Schedule
from simulators.instants import HOUR, MINUTE, whole_ms
from simulators.scenario import PumpPlan
from simulators.truth import Ledger, Trouble

# cp: a dose short by less than this has been given.
_TIDY_ML = 0.05
# design: behind by over 10 % of the target or 100 mL, from when on somebody needs to know.
_BEHIND_ML, _BEHIND_SHARE = 100.0, 0.10
_NOISE_ML = 1e-6
# design: at glucose risk a hold is for 30 min at most; then somebody has to look again.
_UNFED_MS = 30 * MINUTE

Why = Literal["feeding", "purpose", "flat", "stopped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """One person's feed from the start of a run until now; volumes in mL, times in ms.

    Of the time that feed was due and the drive did not move it, `dead_battery_ms` was for want of charge, `held_ms`
    on purpose and `stopped_ms` for any other reason. `needed_ms` is the part of the latter in which a trouble of that
    pump needed somebody, `needed_ml` what the plan asked for in it, and `glucose_stopped_ms` the same time at glucose
    risk.
    """

    device: str
    kcal_per_ml: float
    due_ml: float
    given_ml: float
    needed_ml: float
    needed_ms: int
    glucose_stopped_ms: int
    dead_battery_ms: int
    held_ms: int
    stopped_ms: int


class Reckoning:
    """The account of one person; *start* is the run's, *given_ml* what she had of the feeding day before it."""

    def __init__(
        self, schedule: Schedule, *, start: int, given_ml: float, counter_ml: float, target_ml: float
    ) -> None:
        self.plan = Ledger("")
        self._schedule, self._start, self._target = schedule, start, target_ml
        self._step = min(_BEHIND_ML, _BEHIND_SHARE * target_ml)
        self._level = self._step
        self._at = start
        self._counter = counter_ml
        self._why: Why = "stopped"
        self._due = False
        self._lost = False
        self._day = schedule.days[0] if schedule.days else 0
        self._today = given_ml
        self.given_ml = 0.0
        self.stopped: list[tuple[int, int]] = []  # due, not fed and not on purpose
        self.resting: list[tuple[int, int]] = []  # due and not fed, for whatever reason
        self._ms: dict[Why, int] = {"feeding": 0, "purpose": 0, "flat": 0, "stopped": 0}

    def turn(self, at: int, counter_ml: float) -> None:
        """Take what was so until now; *counter_ml* is what has reached the person by this feed's count."""
        gained = counter_ml - self._counter
        self._counter = counter_ml
        if gained > 0 and not self._lost:
            self.given_ml += gained
            self._today += gained
        if at > self._at:
            if self._due:
                self._ms[self._why] += at - self._at
                if self._why in ("stopped", "flat"):
                    _note(self.stopped, self._at, at)
                if self._why != "feeding":
                    _note(self.resting, self._at, at)
            self._at = at

    def restart(self, counter_ml: float) -> None:
        """Another feed, or another pump, counts from here."""
        self._counter = counter_ml

    def now(self, at: int, why: Why, *, flow_ml_h: float, lost: bool) -> int | None:
        """Say what is so from *at*, the instant of the last turn, on; return when to look again, if at all."""
        self._why, self._lost = why, lost
        since = at - self._start
        window = self._schedule.window(since)
        if window is not None and window.day != self._day:
            self._day, self._today, self._level = window.day, 0.0, self._step
        self._due = window is not None and self._today < self._target - _TIDY_ML
        if window is None:
            self.plan.end("behind-plan", at, "mended-at-bedside")
            return None
        asked = self._schedule.asked_ml(self._day, since)
        behind = asked - self._today
        known = self.plan.token("behind-plan") is not None
        if known and behind <= self._level - _NOISE_ML:
            self.plan.end("behind-plan", at, "came-back")
        elif not known and behind >= self._level - _NOISE_ML:
            self.plan.begin("behind-plan", at, needed_from=at)
        falls = self._schedule.flow_ml_h(asked) - (0.0 if lost else flow_ml_h)
        missing = self._level - behind if self.plan.token("behind-plan") is None else behind - self._level
        if self.plan.token("behind-plan") is not None:
            falls = -falls
        if falls <= 0:
            return None
        look = at + max(1, whole_ms((missing + 2 * _NOISE_ML) / falls * HOUR))
        return look if look - self._start < window.end else None

    def told(self, at: int) -> None:
        """Somebody who can decide about it has seen that the feed is behind: it needs telling again if it grows."""
        if self.plan.token("behind-plan") is not None:
            self.plan.end("behind-plan", at, "mended-by-nurse")
            behind = self._schedule.asked_ml(self._day, at - self._start) - self._today
            self._level = behind + self._step

    @property
    def due(self) -> bool:
        """Say whether feed was due at the last change."""
        return self._due

    def unfed(self, at: int) -> list[Trouble]:
        """Return the rests that somebody has to watch over at glucose risk, on purpose or not.

        NHS Scotland's guidance asks for other glucose and hourly tests until the feed goes on.
        """
        return [
            Trouble(
                device="",
                kind="unfed-at-risk",
                began=begin,
                needed_from=begin + _UNFED_MS,
                ended=None if end == at else end,
                how="open" if end == at else "came-back",
            )
            for begin, end in self.resting
            if end - begin > _UNFED_MS
        ]

    def balance(self, at: int, plan: PumpPlan, troubles: Iterable[Trouble]) -> Balance:
        """Return the account up to *at*, the instant of the last turn; *troubles* are those that needed somebody."""
        needed_ms = overlap(self.stopped, needed(troubles, at))
        return Balance(
            device=plan.id,
            kcal_per_ml=plan.kcal_per_ml or 1.0,
            needed_ml=plan.rate_ml_h * needed_ms / HOUR,
            needed_ms=needed_ms,
            due_ml=self._schedule.due_ml(at - self._start),
            given_ml=self.given_ml,
            glucose_stopped_ms=needed_ms if plan.glucose_risk else 0,
            dead_battery_ms=self._ms["flat"],
            held_ms=self._ms["purpose"],
            stopped_ms=self._ms["stopped"] + self._ms["flat"],
        )


def _note(spans: list[tuple[int, int]], begin: int, end: int) -> None:
    if spans and spans[-1][1] == begin:
        begin = spans.pop()[0]
    spans.append((begin, end))


def needed(troubles: Iterable[Trouble], at: int) -> list[tuple[int, int]]:
    """Return when somebody was needed, each instant once, in order."""
    found: list[tuple[int, int]] = []
    for begin, end in sorted((one.needed_from, at if one.ended is None else one.ended) for one in troubles):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((begin, end))
    return found


def overlap(these: list[tuple[int, int]], those: list[tuple[int, int]]) -> int:
    """Return for how long two sets of spans overlap, each apart within itself."""
    return sum(max(0, min(end, last) - max(begin, first)) for begin, end in these for first, last in those)

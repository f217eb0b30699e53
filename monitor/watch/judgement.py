"""What is wrong with the monitor, and when to say so: pure. Beats, the link and instants in; what to tell out.

Instants are ms of a clock that only runs, never the wall clock: one that is set must neither tell nor hide anything.
What the monitor's own clock says is only compared with itself.

Editing rules: what can be wrong is a row of `Wrong` and of `GROUP`; its words stand in `words`. When in doubt, tell:
silence of this process is what it is there against.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from monitor.core.instants import SECOND
from monitor.watch.beats import Beat

# Common practice, no source.
STEADY: Final = 30 * SECOND  # ms, or the patience if that is less, that all must be well before that is told
ASLEEP: Final = 10 * SECOND  # ms without a look, after which it is us who were away: all counts anew


class Wrong(StrEnum):
    """What can be wrong."""

    BROKER = "broker"  # it cannot be reached from here
    NEVER = "never"  # no presence of the monitor is there at all
    LOST = "lost"  # its last will came: killed, cut off, or hung
    STOPPED = "stopped"  # it said that it was stopped
    SILENT = "silent"  # it said it was there, and says nothing more
    STUCK = "stuck"  # it speaks, and what it last stored gets no newer
    LATE = "late"  # it speaks, and its deadlines are overdue
    UNSTORED = "unstored"  # it says that it cannot store


GROUP: Final[dict[Wrong, str]] = {
    Wrong.BROKER: "unseen",
    Wrong.NEVER: "gone",
    Wrong.LOST: "gone",
    Wrong.STOPPED: "gone",
    Wrong.SILENT: "gone",
    Wrong.STUCK: "hangs",
    Wrong.LATE: "hangs",
    Wrong.UNSTORED: "unstored",
}
"""What needs the same first step: going from one of a group to another is not told anew."""


class Finding(NamedTuple):
    """Something is wrong `since` an instant, or, not `exact`, since that instant at the latest."""

    wrong: Wrong
    since: int
    exact: bool = True


class Say(NamedTuple):
    """What is to be told: that something is wrong, for the `times`-th time, or (`back_at`) that all is well again."""

    finding: Finding
    times: int
    back_at: int | None = None
    began: int = 0  # when the trouble began that this is about


@dataclass(slots=True)
class _Trouble:
    finding: Finding
    began: int
    told_at: int
    times: int = 1
    well_since: int | None = None


class Judgement:
    """Of one monitor. `patience` and `repeat` in ms."""

    def __init__(self, now: int, *, patience: int, repeat: int) -> None:
        self._patience, self._repeat = patience, repeat
        self._steady = min(STEADY, patience)
        self._looked = self._not_before = now
        self._link_since: int | None = None
        self._unlinked_since = now
        self._unlinked_exact = False
        self._beat: Beat | None = None
        self._heard_at = now  # when it last spoke
        self._heard_itself = False  # and not the broker for it, which had kept what it said
        self._gone_at: int | None = None
        self._gone_exact = False
        self._ill_since: int | None = None  # since when there was no moment at which all was well
        self._group, self._group_since = "", now  # what it needs first, and since when
        self._trouble: _Trouble | None = None

    @property
    def trouble(self) -> Finding | None:
        """What has been told and is not over."""
        return None if self._trouble is None else self._trouble.finding

    # ---- in ------------------------------------------------------------------------------------------------------

    def link_up(self, now: int) -> None:
        """The broker is there."""
        self._link_since = now

    def link_down(self, now: int) -> None:
        """It is not, or no longer."""
        if self._link_since is not None:
            self._link_since, self._unlinked_since, self._unlinked_exact = None, now, True

    def hear(self, beat: Beat, now: int, *, retained: bool) -> None:
        """A presence came; a `retained` one was said some time before."""
        if beat.online:
            if not (retained and beat == self._beat):
                self._heard_at, self._heard_itself = now, not retained
            self._gone_at = None
        elif self._gone_at is None:
            self._gone_at, self._gone_exact = now, not retained
        self._beat = beat

    # ---- out -----------------------------------------------------------------------------------------------------

    def look(self, now: int) -> Say | None:
        """What is to be told now, if anything; to be asked each second or so."""
        if now - self._looked > ASLEEP:
            self._not_before = now
        self._looked = now
        doubt = self._doubt(now)
        if doubt is None:
            self._ill_since, self._group = None, ""
            return self._well(now)
        finding, began = doubt
        self._ill_since = began if self._ill_since is None else min(began, self._ill_since)
        if (group := GROUP[finding.wrong]) != self._group:
            self._group, self._group_since = group, now
        trouble = self._trouble
        if trouble is not None:
            trouble.well_since = None
            return self._again(trouble, finding, now)
        if now - max(self._ill_since, self._not_before) < self._patience:
            return None
        self._trouble = _Trouble(finding, finding.since, now)
        return Say(finding, 1, began=finding.since)

    def _again(self, trouble: _Trouble, finding: Finding, now: int) -> Say | None:
        """Tell it again if it is time, or if it has long needed another first step than was told."""
        other = GROUP[finding.wrong] != GROUP[trouble.finding.wrong]
        other = other and now - self._group_since >= self._patience
        if now - trouble.told_at < (self._patience if other else self._repeat):
            return None
        trouble.finding, trouble.told_at, trouble.times = finding, now, trouble.times + 1
        return Say(finding, trouble.times, began=trouble.began)

    def _well(self, now: int) -> Say | None:
        trouble = self._trouble
        if trouble is None:
            return None
        if trouble.well_since is None:
            trouble.well_since = now
        if now - trouble.well_since < self._steady:
            return None
        self._trouble = None
        return Say(trouble.finding, trouble.times, back_at=trouble.well_since, began=trouble.began)

    def _doubt(self, now: int) -> tuple[Finding, int] | None:
        """What is not as it should be at this moment, and since when it can be held against anybody."""
        link, beat = self._link_since, self._beat
        if link is None:
            return Finding(Wrong.BROKER, self._unlinked_since, self._unlinked_exact), self._unlinked_since
        if beat is None:
            return Finding(Wrong.NEVER, link, exact=False), link
        if self._gone_at is not None:
            wrong = Wrong.STOPPED if beat.stopped else Wrong.LOST
            return Finding(wrong, self._gone_at, self._gone_exact), self._gone_at
        due = self._heard_at + beat.interval_ms
        if now > due:
            return Finding(Wrong.SILENT, self._heard_at, self._heard_itself), due
        if beat.unstored_since is not None:
            return self._by_its_clock(Wrong.UNSTORED, beat.at - beat.unstored_since)
        if beat.last_step is not None and (age := beat.at - beat.last_step) > beat.interval_ms:
            return self._by_its_clock(Wrong.STUCK, age)
        if beat.late_ms > 0:
            return self._by_its_clock(Wrong.LATE, beat.late_ms)
        return None

    def _by_its_clock(self, wrong: Wrong, age: int) -> tuple[Finding, int]:
        """Something that had lasted for so long when the monitor spoke."""
        since = self._heard_at - max(0, age)
        return Finding(wrong, since), since

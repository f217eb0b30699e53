"""One bed: a pump, the people around it, what befalls it, and the ledger of what really went wrong.

Everything here is a deed at an instant, noted in the world's diary. What belongs to one episode is noted
with `_soon` and falls away as soon as somebody has worked on the pump; what is sure to happen is noted with
`_surely`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from random import Random

from simulators.carer import Carer, Course
from simulators.diary import Deed, Diary
from simulators.instants import MINUTE, SECOND, whole_ms
from simulators.pump import Pump
from simulators.reading import Alarm, Priority, Side
from simulators.scenario import PumpPlan, Scenario
from simulators.truth import IN_HAND_MS, How, Kind, Ledger, Trouble

_OCCLUSION = "occlusion"


class Bed:
    """One pump and its bedside; *touched* is called whenever something may have changed."""

    def __init__(
        self, plan: PumpPlan, scenario: Scenario, *, at: int, diary: Diary, touched: Callable[[Bed], None]
    ) -> None:
        self.plan = plan
        self._diary = diary
        self._touched = touched
        self._habits = scenario.carers
        self._carer = Carer(scenario.carers, scenario.hardware, Random(f"{scenario.seed}/carer/{plan.id}"))
        gauge = Random(f"{scenario.seed}/gauge/{plan.id}")
        left = plan.container_ml if plan.container_left_ml is None else plan.container_left_ml
        self.pump = Pump(
            scenario.hardware,
            at=at,
            rate_ml_h=plan.rate_ml_h,
            target_ml=plan.target_ml,
            delivered_ml=plan.delivered_ml,
            container_ml=left,
            mains=plan.mains,
            charge=plan.battery_charge,
            health=plan.battery_health,
            gauge_phase=gauge.uniform(0, 2 * math.pi),
        )
        self.feed_open = plan.feeding
        if plan.feeding:
            self.pump.start(at)
        else:
            self.pump.switch_off(at)
        self.ledger = Ledger(plan.id)
        self.in_sight = True
        self._episode = 0
        self._wake_at: int | None = None
        self._engaged = False
        self._seen: frozenset[tuple[str, int]] = frozenset()
        self._script: list[Course] = []
        self._comes_back: tuple[int, Side, list[Course], float | None] | None = None
        self._last_course = Course()

    # What befalls it.

    def block(
        self,
        at: int,
        side: Side,
        courses: list[Course],
        *,
        found_min: float | None = None,
        back_after: int | None = None,
    ) -> None:
        """Block one side of the line; *courses* say what the bedside does about each alarm of it.

        Once really mended, it blocks one more time after *back_after* milliseconds, if that is given.
        """
        if back_after is not None:
            self._comes_back = (back_after, side, courses, found_min)
        self.pump.block(at, side)
        self._script = list(courses)
        self._find(at, self.ledger.begin("line-blocked", at), found_min)
        self.touch()

    def break_down(
        self,
        at: int,
        condition: str,
        priority: Priority,
        courses: list[Course],
        *,
        found_min: float | None = None,
    ) -> None:
        """Let the pump find a fault in itself."""
        if self.pump.activity == "off":
            return
        self._script = list(courses)
        self.pump.break_down(at, condition, priority)
        self._find(at, self.ledger.begin("device-fault", at), found_min)
        self.touch()

    def befall(self, at: int, condition: str) -> None:
        """Let a cause of the background befall a feeding pump; the bedside decides by chance."""
        if self.pump.activity != "feeding" or self._engaged or self.ledger.kinds():
            return
        if condition == "downstream-occlusion":
            self.block(at, "downstream", [])
        elif condition == "upstream-occlusion":
            self.block(at, "upstream", [])
        else:
            self.break_down(at, condition, "medium", [])

    def move(
        self, at: int, minutes: float, *, forgets_plug: bool | None, found_min: float | None = None
    ) -> None:
        """Take the bed off its socket for some minutes; None leaves the forgetting to chance."""
        if not self.pump.mains:
            return
        self.pump.unplug(at)
        arrives = at + whole_ms(minutes * MINUTE)
        if self._carer.forgets_plug() if forgets_plug is None else forgets_plug:
            if forgets_plug:
                self._script = [
                    Course()
                ]  # a forgetting that was asked for: nobody hears the battery alarm either
            self._find(at, self.ledger.begin("unplugged", at, needed_from=arrives), found_min)
        else:
            self._surely(arrives, self._plug)
        self.touch()

    def change_container(
        self, at: int, minutes: float, *, forgets_restart: bool, found_min: float | None = None
    ) -> None:
        """Hold the feed, hang a full container, prime; then restart, or forget to."""
        if self.pump.activity != "feeding":
            return
        self._episode += 1
        self.pump.replace_container(at, self.plan.container_ml)
        primes = at + whole_ms(minutes * MINUTE / 2)
        leaves = at + whole_ms(minutes * MINUTE)
        self._soon(primes, self.pump.prime)
        if forgets_restart:
            self._script = [Course()]  # nobody hears the inactivity alarm either
            self._find(at, self.ledger.begin("left-idle", at, needed_from=leaves), found_min)
        else:
            self._soon(leaves, self._restart)
        self.touch()

    def flush(self, at: int, ml: float) -> None:
        """Flush in mid-feed."""
        self.pump.flush(at, ml)
        self.touch()

    def hide(self, at: int, minutes: float) -> None:
        """Take the pump out of radio sight; it goes on feeding."""
        self.in_sight = False
        self.ledger.begin("out-of-sight", at, needed_from=at)
        self._surely(at + whole_ms(minutes * MINUTE), self._reappear)

    def begin_feed(self, at: int, *, delivered_ml: float = 0.0) -> None:
        """Begin the day's feed, unless one is still running."""
        if not self.feed_open and not self._engaged:
            self.feed_open = True
            self._episode += 1
            # A fresh set, and somebody who looks at all of it.
            self._open_line(at, "mended-at-bedside", Course(clear_after=0))
            self.pump.repair(at)
            self._plug(at)
            for kind in ("container-empty", "device-fault", "left-idle"):
                self.ledger.end(kind, at, "mended-at-bedside")
            self.pump.new_feed(at, container_ml=self.plan.container_ml, delivered_ml=delivered_ml)
            self.touch()

    def attend(self, at: int) -> None:
        """Let the nurse who was sent for mend whatever is really wrong; she cannot mend a radio shadow."""
        self._work(at, "mended-by-nurse", Course(clear_after=0), thorough=True)

    # What the world asks of it.

    def touch(self) -> None:
        """Have the world look at this bed at the end of the instant."""
        self._touched(self)

    def settle(self, at: int) -> None:
        """Let the pump come to *at*, let the bedside hear its new alarms, and note when it changes next."""
        self.pump.advance(at)
        self._listen(at)
        due = self.pump.next_at()
        if due is not None and due != self._wake_at:
            self._wake_at = due
            self._diary.note(due, self._wake)

    def troubles(self, at: int) -> list[Trouble]:
        """Return what needed somebody here, up to *at*."""
        return self.ledger.troubles(at)

    # What the bedside does.

    def _wake(self, at: int) -> None:
        if at == self._wake_at:
            self._wake_at = None
            self.touch()

    def _listen(self, at: int) -> None:
        alarms = self.pump.alarms
        now = frozenset((alarm.condition, alarm.since) for alarm in alarms)
        fresh = [alarm for alarm in alarms if (alarm.condition, alarm.since) not in self._seen]
        self._seen = now
        if fresh and not self._engaged:
            self._take_up(at, fresh[0])
        elif not now and self._engaged:
            # It went silent without anybody clearing it: those on their way turn round.
            self._engaged = False
            self._episode += 1

    def _take_up(self, at: int, alarm: Alarm) -> None:
        self._engaged = True
        course = self._script.pop(0) if self._script else self._course(at, alarm)
        for offset in course.mutes:
            self._soon(at + offset, self._mute)
        if course.clear_after is not None:
            self._soon(at + course.clear_after, partial(self._work, how="mended-at-bedside", course=course))
        self._last_course = course
        kind = self._kind(alarm.condition)
        if kind == "container-empty":
            self.ledger.begin(kind, at)
        if kind is not None and (course.clear_after is None or course.clear_after > IN_HAND_MS):
            heard = course.mutes[0] if course.mutes else 0
            # Who mutes it so late that it was in nobody's hand is no answer to it.
            self.ledger.need(kind, at + heard if heard <= IN_HAND_MS else at)

    def _course(self, _at: int, alarm: Alarm) -> Course:
        return self._carer.course(alarm.condition)

    def _kind(self, condition: str) -> Kind | None:
        return _cause(condition)

    @property
    def held_until(self) -> int | None:
        """Until when the feed is held on purpose; None if it is not."""
        return None

    @property
    def over_for_now(self) -> bool:
        """Whether the feed is over for now."""
        return False

    def _on_purpose(self, _at: int) -> bool:
        """Say whether the feed is paused by somebody who will go on with it herself."""
        return False

    def _mute(self, at: int) -> None:
        self.pump.mute(at)
        self.touch()

    def _work(self, at: int, how: How, course: Course, *, thorough: bool = False) -> None:
        """Do with both hands what the alarms say, or, thoroughly, what is really wrong."""
        self.pump.advance(at)
        heard = {alarm.condition for alarm in self.pump.alarms}
        self._episode += 1
        self._engaged = False
        if thorough:
            self._script = []
        if thorough or any(condition.endswith(_OCCLUSION) for condition in heard):
            self._open_line(at, how, course)
        if "container-empty" in heard or (thorough and self.pump.container_ml(at) <= 0):
            self.pump.replace_container(at, self.plan.container_ml)
            self.ledger.end("container-empty", at, how)
        if thorough or any(_cause(condition) == "device-fault" for condition in heard):
            self.pump.repair(at)
            self.ledger.end("device-fault", at, how)
        if thorough or any(condition.startswith("battery-") for condition in heard):
            self._plug(at, how)
        if thorough and self.feed_open:
            self.pump.switch_on(at)
        self.pump.clear(at)
        hands_ms = whole_ms(self._habits.hands_s * SECOND)
        if self.pump.activity == "finished":
            self._soon(at + hands_ms, self._end_feed)
        elif self.feed_open and self.pump.activity in ("held", "idle") and not self._on_purpose(at):
            if course.forgets_restart:
                self.ledger.begin("left-idle", at, needed_from=at + hands_ms)
            else:
                self._soon(at + hands_ms, partial(self._restart, how=how))
        self.touch()

    def _open_line(self, at: int, how: How, course: Course) -> None:
        blocked: list[Side] = [side for side, line in self.pump.sides.items() if line.blocked]
        for side in blocked:
            self.pump.unblock(at, side)
            if course.again_after is not None:
                self._soon(at + course.again_after, partial(self._block_again, side=side))
        if not course.mends:
            self._left_unmended(at, how)
            return
        mended = "line-blocked" in self.ledger.kinds()
        self.ledger.end("line-blocked", at, how)
        if mended and self._comes_back is not None:
            after, side, courses, found_min = self._comes_back
            self._comes_back = None
            self._surely(at + after, partial(self.block, side=side, courses=courses, found_min=found_min))

    def _left_unmended(self, at: int, _how: How) -> None:
        self.ledger.need("line-blocked", at)

    def _block_again(self, at: int, side: Side) -> None:
        self.pump.block(at, side)
        self.touch()

    def _plug(self, at: int, how: How = "mended-at-bedside") -> None:
        if not self.pump.mains:
            self.pump.plug(at)
        self.ledger.end("unplugged", at, how)
        self.touch()

    def _restart(self, at: int, how: How = "mended-at-bedside") -> None:
        self.pump.start(at)
        self.ledger.end("left-idle", at, how)
        self.touch()

    def _end_feed(self, at: int) -> None:
        self.feed_open = False
        self.pump.switch_off(at)
        self._plug(at)

    def _reappear(self, at: int) -> None:
        self.in_sight = True
        self.ledger.end("out-of-sight", at, "came-back")
        self.touch()

    def _find(self, at: int, token: object, found_min: float | None) -> None:
        if found_min is not None:
            self._surely(at + whole_ms(found_min * MINUTE), partial(self._found, token=token))

    def _found(self, at: int, token: object) -> None:
        if self.ledger.lasts(token):
            self._work(at, "mended-at-bedside", Course(clear_after=0), thorough=True)

    def _surely(self, at: int, deed: Deed) -> None:
        self._diary.note(at, deed)

    def _soon(self, at: int, deed: Deed) -> None:
        episode = self._episode

        def unless_over(now: int) -> None:
            if self._episode == episode:
                deed(now)
                self.touch()

        self._diary.note(at, unless_over)


def _cause(condition: str) -> Kind | None:
    """Return the kind of trouble behind an alarm condition; None where there is nothing to mend."""
    if condition.endswith(_OCCLUSION):
        return "line-blocked"
    if condition == "container-empty":
        return "container-empty"
    if condition.startswith("battery-"):
        return "unplugged"
    if condition == "inactivity":
        return "left-idle"
    return None if condition == "delivery-complete" else "device-fault"

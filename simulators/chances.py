"""What chance brings to one bed of a study world in its day: what is done on purpose, and what goes wrong.

All of it is drawn before the day begins, each thing from a stream of its own named by seed, thing and pump. So what
somebody does at one pump moves nothing at another, and a day with nothing going wrong has the same deeds done on
purpose at the same instants.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from random import Random
from typing import Final

from simulators.diary import Deed
from simulators.instants import DAY, HOUR, MINUTE, whole_ms
from simulators.planned_bed import PlannedBed
from simulators.world_figures import NightFigures

Note = Callable[[int, Deed], None]

# The run begins at noon; night is from 21:00 to 07:00.
_EVENING: Final = 9 * HOUR
_MORNING: Final = 19 * HOUR
_YEAR_DAYS: Final = 365.0
_LEAST_LEFT_MIN: Final = 5.0
_MOST_LEFT_MIN: Final = 40.0  # cp: a container is changed in time when so many minutes of it are left


class Chances:
    """The day of one bed, noted in a diary by *note*."""

    def __init__(
        self,
        bed: PlannedBed,
        figures: NightFigures,
        *,
        seed: int,
        start: int,
        note: Note,
        spare: Callable[[], PlannedBed | None],
    ) -> None:
        self._bed, self._figures, self._seed, self._start, self._note = bed, figures, seed, start, note
        self._spare = spare

    def purposes(self) -> None:
        """Note what is done on purpose, and the short gaps of the radio; nothing of it is anybody's trouble."""
        self._feeds(causes=False)
        self._holds()
        self._gaps()

    def all(self) -> None:
        """Note what is done on purpose and what goes wrong."""
        self._feeds(causes=True)
        self._holds(causes=True)
        self._gaps()
        self._causes()

    # On purpose.

    def _feeds(self, *, causes: bool) -> None:
        bed, bedside, wrong = self._bed, self._figures.bedside, self._figures.causes
        if bed.feed_open:
            self._containers(
                0, bed.pump.container_ml(self._start), Random(self._name("containers-0")), causes
            )
        for number, span in enumerate(bed.windows):
            draw = Random(self._name(f"feed-{number}"))
            # Of several feeds a day, those of the first day go on from what was given before noon.
            first = span.day not in (bed.windows[0].day, bed.windows[number - 1].day)
            first = first or len(bed.plan.windows) == 1
            late = _lognormal_min(draw, bedside.start_late_median_min.value, bedside.start_late_sigma.value)
            more = _lognormal_min(draw, bedside.stop_late_median_min.value, bedside.stop_late_sigma.value)
            unplugged, rate, seen = (draw.random() for _ in range(3))
            # Somebody who is late is there before the window is over.
            late = min(late, (span.end - span.begin) // 2)
            if span.begin >= 0:
                begin = span.begin + late
                deed = partial(
                    bed.open_feed,
                    first=first,
                    unplugged=causes and unplugged < wrong.starts_unplugged.value,
                    wrong_rate=causes and rate < wrong.rate_wrong.value,
                    seen_ms=_after(seen, bedside.plug_seen_h.value),
                )
                self._at(begin, deed)
                self._containers(begin, bed.plan.container_ml, draw, causes)
                self._at(span.begin, _look(bed))
            self._at(span.end, _look(bed))
            # Who gives a bolus stays until it has run; a feed of hours is stopped when it is time.
            self._at(span.end + more + (late if bed.plan.bolus_ml else 0), bed.close_feed)

    def _containers(self, begin: int, left_ml: float, draw: Random, causes: bool) -> None:
        """Note when containers would be changed in time, if the feed ran without a pause until then."""
        bed, bedside = self._bed, self._figures.bedside
        target, rate = bed.plan.bolus_ml or bed.plan.target_ml or 0.0, bed.plan.rate_ml_h
        wanted = target - (bed.plan.delivered_ml if begin == 0 else 0.0)
        given = left_ml
        while given < wanted:
            early, in_time, forgets = (
                draw.uniform(_LEAST_LEFT_MIN, _MOST_LEFT_MIN),
                draw.random(),
                draw.random(),
            )
            at = begin + whole_ms(given / rate * HOUR) - whole_ms(early * MINUTE)
            if (not causes or in_time < bedside.changes_in_time.value) and at > begin:
                forgotten = causes and forgets < self._figures.causes.restart_forgotten.value
                minutes = bedside.change_min.value
                self._at(at, partial(bed.next_container, minutes=minutes, forgets_restart=forgotten))
            given += bed.plan.container_ml - early * rate / 60

    def _holds(self, *, causes: bool = False) -> None:
        figures = self._figures.deliberate
        for what, each_day, at_night, median, sigma in (
            ("care", figures.care_holds_per_day, figures.care_at_night, figures.care_hold_median_min,
             figures.care_hold_sigma),
            ("procedure", figures.procedures_per_day, figures.procedures_at_night, figures.procedure_median_min,
             figures.procedure_sigma),
        ):  # fmt: skip
            for at, draw in self._times(what, each_day.value, at_night.value):
                ms = _lognormal_min(draw, median.value, sigma.value)
                if what == "care" and _EVENING <= at < _MORNING:
                    ms = max(1, ms // 2)
                announced, forgets = draw.random(), draw.random()
                deed = partial(
                    self._bed.hold_for,
                    ms=ms,
                    announced=announced < figures.announced_of(ms),
                    forgets_restart=causes and forgets < self._figures.causes.restart_forgotten.value,
                )
                self._at(at, deed)
        for at, draw in self._times("swap", figures.swaps_per_day.value):
            self._at(at, partial(self._swap, announced=draw.random() < figures.announced.value))
        for at, draw in self._times("move", figures.moves_per_day.value, 0.2):
            ms, share, seen = (
                _lognormal_min(draw, figures.move_median_min.value, 0.6),
                draw.random(),
                draw.random(),
            )
            deed = partial(
                self._bed.take_off,
                ms=ms,
                forgets=causes and share < self._figures.causes.plug_forgotten.value,
                seen_ms=_after(seen, self._figures.bedside.plug_seen_h.value),
            )
            self._at(at, deed)

    def _swap(self, at: int, *, announced: bool) -> None:
        spare = self._spare()
        if spare is not None and self._bed.windows:
            self._bed.swap(at, spare, announced=announced)

    def _gaps(self) -> None:
        figures = self._figures.deliberate
        for at, draw in self._times("gap", figures.radio_gaps_per_day.value):
            ms = _lognormal_min(draw, figures.radio_gap_median_min.value, figures.radio_gap_sigma.value)
            self._at(at, partial(self._bed.lose_sight, ms=ms))

    # What goes wrong.

    def _causes(self) -> None:
        bed, figures = self._bed, self._figures.causes
        for at, draw in self._times(
            "alarm", 24 * figures.alarms_per_hour.value * (1 - figures.by_feed.value)
        ):
            self._at(at, partial(bed.alarm, condition=self._condition(draw)))
        # So often in a life of the tube that the published share of tubes clogs at least once.
        clogs = -math.log(1 - figures.clogs_in_tube_life.value) / figures.tube_life_days.value
        for at, draw in self._fed("clog", clogs):
            ms = _lognormal_min(draw, figures.declog_median_min.value, 0.6)
            self._at(at, partial(bed.clog, tries=int(figures.clog_tries.value), ms=ms))
        for at, draw in self._fed("slip", figures.tubes_out_per_year.value / _YEAR_DAYS):
            seen = _after(draw.random(), figures.tube_seen_h.value)
            ms = _lognormal_min(draw, 60 * figures.tube_back_median_h.value, figures.tube_back_sigma.value)
            self._at(at, partial(bed.slip, seen_ms=seen, ms=ms))
        for at, _ in self._fed("fault", figures.faults_per_year.value / _YEAR_DAYS):
            self._at(at, bed.fail)
        for at, _ in self._fed("charger", figures.chargers_per_year.value / _YEAR_DAYS):
            self._at(at, bed.fail_charger)
        for at, draw in self._times("power", figures.power_cuts_per_year.value / _YEAR_DAYS):
            ms = _lognormal_min(draw, figures.power_cut_median_min.value, figures.power_cut_sigma.value)
            self._at(at, partial(bed.cut_power, ms=ms))

    def _condition(self, draw: Random) -> str:
        share, figures = draw.random(), self._figures.causes
        if share < figures.downstream.value:
            return "downstream-occlusion"
        if share < figures.downstream.value + figures.upstream.value:
            return "upstream-occlusion"
        return draw.choice(("set-misloaded", "sensor-fault"))

    # How it is drawn.

    def _times(
        self, what: str, each_day: float, at_night: float | None = None
    ) -> Iterator[tuple[int, Random]]:
        """Yield when something comes about in a day, as often as it does on average, and the stream to go on with."""
        if each_day <= 0:
            return
        draw = Random(self._name(what))
        for number in range(_count(draw, each_day)):
            if at_night is None:
                at = draw.randrange(DAY)
            elif draw.random() < at_night:
                at = draw.randrange(_EVENING, _MORNING)
            else:
                at = draw.randrange(DAY - (_MORNING - _EVENING))
                at += _MORNING - _EVENING if at >= _EVENING else 0
            yield at, Random(f"{self._name(what)}/{number}")

    def _fed(self, what: str, each_day: float) -> Iterator[tuple[int, Random]]:
        """Yield the same within the windows of a plan: what happens so often in a person's day happens being fed."""
        spans = [(max(0, span.begin), min(DAY, span.end)) for span in self._bed.windows if span.end > 0]
        whole = sum(end - begin for begin, end in spans)
        for share, draw in self._times(what, each_day):
            left = share * whole // DAY
            for begin, end in spans:
                if left < end - begin:
                    yield begin + left, draw
                    break
                left -= end - begin

    def _name(self, what: str) -> str:
        return f"{self._seed}/{what}/{self._bed.plan.id}"

    def _at(self, offset: int, deed: Deed) -> None:
        if 0 <= offset <= DAY:
            self._note(self._start + offset, deed)


def _look(bed: PlannedBed) -> Deed:
    return lambda _at: bed.touch()


def _count(draw: Random, mean: float) -> int:
    """Draw how often something comes about that does so independently, *mean* times on average (Poisson)."""
    below, number, left = math.exp(-mean), 0, draw.random()
    while left > below:
        left *= draw.random()
        number += 1
    return number


def _lognormal_min(draw: Random, median_min: float, sigma: float) -> int:
    return max(1, whole_ms(median_min * math.exp(sigma * draw.gauss(0, 1)) * MINUTE))


def _after(share: float, mean_h: float) -> int:
    """Turn a share of 1 into a waiting time without a memory, of this mean."""
    return max(1, whole_ms(-math.log(1 - share) * mean_h * HOUR))

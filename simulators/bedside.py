"""Those at the bedside of one pump of a study world: who is awake, what they do about an alarm, when they look.

Each answer is drawn from a stream named by pump, condition and how many of that condition came before: a nurse who
came to this pump earlier changes what happens here as little as can be, and elsewhere nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from random import Random
from typing import Final

from simulators.carer import Carer, Course
from simulators.hardware import Hardware
from simulators.instants import HOUR, MINUTE, SECOND, whole_ms
from simulators.reading import Alarm
from simulators.scenario import Carers
from simulators.world_figures import NightFigures

_NOON_H: Final = 12  # a run begins at noon
_MOST_MUTES: Final = 60
_GETTING_UP_MS: Final = 30 * MINUTE  # cp: what waited for the morning is seen to within so long after waking


class Bedside:
    """The people at one pump; with *causes* False they are as good as people can be."""

    def __init__(
        self, figures: NightFigures, hardware: Hardware, *, device: str, seed: int, start: int, causes: bool
    ) -> None:
        self._figures, self._hardware, self._causes = figures, hardware, causes
        self._device, self._seed, self._start = device, seed, start
        self._before = Counter[str]()
        bedside = figures.bedside
        self._awake = Carers(
            median_s=bedside.answer_median_s.value,
            sigma=bedside.answer_sigma.value,
            mutes_first=bedside.mutes_first.value,
            leaves_unmended=bedside.leaves_unmended.value,
            forgets_restart=figures.causes.restart_forgotten.value,
            hands_s=bedside.hands_s.value,
        )
        self._asleep = self._awake.model_copy(
            update={"median_s": bedside.asleep_median_s.value, "sigma": bedside.asleep_sigma.value}
        )

    def course(self, at: int, alarm: Alarm, *, again: bool, in_vain: bool) -> Course:
        """Decide about an alarm; *again*: flushed open it will close again, *in_vain*: clearing takes nothing away."""
        figures, condition = self._figures.bedside, alarm.condition
        draw = self._stream("answer", condition)
        if not self._causes:
            return Course(clear_after=whole_ms(figures.answer_median_s.value * SECOND))
        asleep = self.is_asleep(at)
        carer = Carer(self._asleep if asleep else self._awake, self._hardware, draw)
        hears, mutes, found = draw.random(), draw.random(), self.found_after(at, draw.random())
        if alarm.priority == "low" and not condition.startswith("battery-"):
            if asleep or (condition == "inactivity" and hears >= figures.hears_reminder.value):
                return Course()
        elif asleep and hears < figures.sleeps_through.value:
            return Course()
        if mutes < figures.mutes_only.value or (in_vain and asleep):
            pauses = max(1, min(_MOST_MUTES, found // whole_ms(self._hardware.audio_pause_s * SECOND)))
            return Course(
                mutes=tuple(mute for mute in carer.mutes(carer.answer_ms(), pauses) if mute < found)
            )
        course = carer.course(condition)
        if course.clear_after is not None and course.clear_after > found:
            mutes_before = tuple(mute for mute in course.mutes if mute < found)
            course = replace(course, clear_after=found, mutes=mutes_before)
        if again and course.again_after is None:
            course = replace(course, again_after=whole_ms(draw.uniform(4.0, 20.0) * MINUTE))
        return course

    def is_asleep(self, at: int) -> bool:
        """Say whether they sleep; never, if those two times of day agree."""
        begin, end = self._figures.bedside.asleep_from_h.value, self._figures.bedside.asleep_until_h.value
        hour = (_NOON_H + (at - self._start) / HOUR) % 24
        return begin <= hour < end if begin <= end else hour >= begin or hour < end

    def seen_after(self, at: int, ms: int) -> int:
        """Return after how long what would be seen *ms* after *at* is seen: nobody sees anything asleep."""
        if not self.is_asleep(at + ms):
            return ms
        hour = (_NOON_H + (at + ms - self._start) / HOUR) % 24
        sleeps_ms = whole_ms((self._figures.bedside.asleep_until_h.value - hour) % 24 * HOUR)
        return ms + sleeps_ms + ms % _GETTING_UP_MS

    def found_after(self, at: int, share: float) -> int:
        """Return after how long whatever is wrong and visible is found; so much of a round is still to go."""
        return self.seen_after(at, max(1, whole_ms(share * self._figures.bedside.round_h.value * HOUR)))

    def round_after(self, at: int, what: str) -> int:
        """Draw after how long somebody comes round."""
        return self.found_after(at, self._stream("round", what).random())

    def announces(self, what: str, ms: int) -> bool:
        """Draw whether a hold of so long that has just come about is announced by the button."""
        return self._stream("button", what).random() < self._figures.deliberate.announced_of(ms)

    def announces_again(self) -> bool:
        """Draw whether the button is pressed again before what was announced is over."""
        return self._stream("button", "again").random() < self._figures.deliberate.announced_again.value

    def _stream(self, deed: str, about: str) -> Random:
        name = f"{deed}/{self._device}/{about}"
        self._before[name] += 1
        return Random(f"{self._seed}/{name}/{self._before[name]}")

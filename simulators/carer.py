"""The people at the bedside: how long until they come, and what they do or forget when they are there.

The delay until an alarm is cleared is lognormal with median 46 s and sigma 1.58, fitted to 987,240 pump
alarms (Vitoux 2018). Whoever takes longer than a short while may pause the sound first, and
pause it again each time it comes back; that changes what is heard, not when the alarm is over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from simulators.hardware import Hardware
from simulators.instants import MINUTE, SECOND, whole_ms
from simulators.scenario import Carers

# cp: nobody pauses a sound that she is about to clear.
_WORTH_MUTING_MS = 60 * SECOND
# cp: a line that was only flushed open closes again after a while.
_AGAIN_MIN = (8.0, 25.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What the bedside does about one alarm, counted from its onset; *clear_after* None: nobody clears it."""

    clear_after: int | None = None
    mutes: tuple[int, ...] = ()
    again_after: int | None = None
    forgets_restart: bool = False

    @property
    def mends(self) -> bool:
        """Say whether the cause is really taken away."""
        return self.clear_after is not None and self.again_after is None


class Carer:
    """The bedside of one pump; the same seed behaves the same."""

    def __init__(self, habits: Carers, hardware: Hardware, draw: Random) -> None:
        self._habits = habits
        self._pause_ms = whole_ms(hardware.audio_pause_s * SECOND)
        self._draw = draw

    def answer_ms(self) -> int:
        """Draw the delay until somebody clears an alarm."""
        longest = self._habits.longest_s
        while True:
            seconds = self._draw.lognormvariate(math.log(self._habits.median_s), self._habits.sigma)
            # The shortest draws, too, are whole milliseconds after the onset.
            if longest is None or seconds <= longest:
                return max(1, whole_ms(seconds * SECOND))
            if longest < self._habits.median_s:
                return whole_ms(longest * SECOND)

    def course(self, condition: str) -> Course:
        """Decide by chance what is done about an alarm."""
        clear_after = self.answer_ms()
        mutes: tuple[int, ...] = ()
        if clear_after > _WORTH_MUTING_MS and self._draw.random() < self._habits.mutes_first:
            first = whole_ms(self._draw.uniform(0.3, 0.8) * clear_after)
            mutes = tuple(
                at for at in self.mutes(first, clear_after // self._pause_ms + 1) if at < clear_after
            )
        again_after = None
        if condition.endswith("occlusion") and self._draw.random() < self._habits.leaves_unmended:
            again_after = whole_ms(self._draw.uniform(*_AGAIN_MIN) * MINUTE)
        return Course(
            clear_after=clear_after,
            mutes=mutes,
            again_after=again_after,
            forgets_restart=self._draw.random() < self._habits.forgets_restart,
        )

    def mutes(self, first: int, times: int) -> Iterator[int]:
        """Yield the instants of *times* mutes: the later ones a few seconds after the sound has come back."""
        at = first
        for _ in range(times):
            yield at
            at += self._pause_ms + whole_ms(self._draw.uniform(4.0, 18.0) * SECOND)

    def forgets_plug(self) -> bool:
        """Decide whether the plug is forgotten after the bed was moved."""
        return self._draw.random() < self._habits.forgets_plug

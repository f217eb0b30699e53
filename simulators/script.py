"""What the bedside does about the alarms of a scripted happening, in the terms of `Course`."""

from __future__ import annotations

from simulators.carer import Carer, Course
from simulators.happenings import Fault, LineBlocks
from simulators.instants import MINUTE, SECOND, whole_ms


def courses(happening: LineBlocks | Fault, carer: Carer) -> list[Course]:
    """Return a course for each alarm in turn; *carer* only adds the seconds that no two people share."""
    answers = [whole_ms(seconds * SECOND) for seconds in happening.answer_s]
    if happening.carer == "nobody":
        return [Course()]
    if happening.carer == "mutes":
        return [Course(mutes=tuple(carer.mutes(answers[0], happening.mutes)))]
    again_min = happening.again_min if isinstance(happening, LineBlocks) else ()
    unmended = [
        Course(clear_after=answers[place % len(answers)], again_after=whole_ms(minutes * MINUTE))
        for place, minutes in enumerate(again_min)
    ]
    return [*unmended, Course(clear_after=answers[len(again_min) % len(answers)])]

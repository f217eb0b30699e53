"""One device's shift: what it did when, what was given and planned, and what nobody could see.

Editing rules: unknown stays unknown, never zero; nothing here knows a rule or a person.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from monitor.core.chronicle import UNSEEN, Mark
from monitor.core.messages import Plan
from monitor.core.plans import Zone
from monitor.core.progress import HOUR, feeding_day, scheduled_ml
from monitor.reports.spans import Span

FED, STOPPED, UNKNOWN, OFF = "delivering", "stopped", "unseen", "off"
"""What a pump does, as the upper line of its strip shows it."""
BEGINNING, END = "not seen at the beginning", "not seen at the end"
RESTARTED = "its counter began again"
UNTOLD = "the pump does not tell what it has delivered"
"""What makes a volume doubtful."""


class Piece(NamedTuple):
    """From `start` until `end` (ms UTC) it was so."""

    start: int
    end: int
    doing: str
    muted: bool
    alarm: str
    on_battery: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """A device's shift. Volumes in mL; None: not known. `seen_for` and the like in ms."""

    device: str
    place: str
    pieces: tuple[Piece, ...]
    given_ml: float | None
    planned_ml: float | None
    kcal_per_ml: float | None
    complete: bool  # False: it was not seen all the time, so that more may have been given
    doubts: tuple[str, ...]

    @property
    def missed_ml(self) -> float | None:
        """What of the plan was not given."""
        if self.given_ml is None or self.planned_ml is None:
            return None
        return max(0.0, self.planned_ml - self.given_ml)

    @property
    def fed_last(self) -> int | None:
        """Until when it delivered last, ms UTC; None if it was not seen to."""
        return max((piece.end for piece in self.pieces if piece.doing == FED), default=None)

    def time(self, doing: str) -> int:
        """For how long it did this, in ms."""
        return sum(piece.end - piece.start for piece in self.pieces if piece.doing == doing)


def pieces(
    marks: Sequence[Mark], span: Span, heard_last: int | None, unseen: int = UNSEEN
) -> tuple[Piece, ...]:
    """The shift from its marks, in order, the last one before it among them; what was not heard is unseen.

    `heard_last` is when the device was heard last by the end of the shift, None if that is not known. Silent for
    longer than `unseen` (ms): from then on nobody can say what it did, unless it had said that it is off.
    """
    found: list[Piece] = []
    at = span.start
    for place, mark in enumerate(marks):
        following = marks[place + 1] if place + 1 < len(marks) else None
        until = span.end if following is None else following.at
        heard = (heard_last or mark.at) if following is None else following.heard
        silent = max(mark.at, heard)
        seen_until = until if until - silent <= unseen or rests(mark, following) else silent
        for begins, ends, lost in ((mark.at, seen_until, False), (seen_until, until, True)):
            start, end = max(begins, at), min(ends, span.end)
            if start >= end:
                continue
            if at < start:
                found.append(_unseen(at, start))
            found.append(_unseen(start, end) if lost else _piece(mark, start, end))
            at = end
    if at < span.end:
        found.append(_unseen(at, span.end))
    return tuple(_joined(found))


def rests(mark: Mark, following: Mark | None) -> bool:
    """Whether a pump that is not heard of is off, as it has said: it delivered nothing until it was heard again."""
    if mark.activity != "off":
        return False
    if following is None or following.delivered_ml is None or mark.delivered_ml is None:
        return True
    return following.delivered_ml == mark.delivered_ml or following.delivered_ml == 0


def _unseen(start: int, end: int) -> Piece:
    return Piece(start, end, UNKNOWN, False, "", False)


def _piece(mark: Mark, start: int, end: int) -> Piece:
    doing = FED if mark.delivering else OFF if mark.activity in ("off", "finished") else STOPPED
    if mark.activity == "unknown":
        doing = UNKNOWN
    return Piece(start, end, doing, mark.muted, mark.alarm, mark.mains is False)


def _joined(found: Iterable[Piece]) -> list[Piece]:
    joined: list[Piece] = []
    for piece in found:
        if joined and joined[-1].end == piece.start and joined[-1][2:] == piece[2:]:
            joined[-1] = joined[-1]._replace(end=piece.end)
        else:
            joined.append(piece)
    return joined


class Given(NamedTuple):
    """What was given in mL, None if that is not known; whether it is all; and what makes it doubtful."""

    ml: float | None
    complete: bool
    doubts: tuple[str, ...]


def given(marks: Sequence[Mark], span: Span, unseen: int = UNSEEN) -> Given:
    """What was given in the shift by the pump's own counter, at least.

    Between two marks the counter is taken to have risen evenly: marks are never more than half an hour apart while
    the pump is heard. The last mark is the newest that was heard by the end of the shift, or the first after it. What
    was given while it was silent for longer than `unseen` (ms) counts if all of that time lies in the shift.
    """
    told = [mark for mark in marks if mark.delivered_ml is not None]
    inside = [mark for mark in marks if span.start <= mark.at < span.end]
    untold = any(mark.delivering for mark in inside) and all(mark.delivered_ml is None for mark in inside)
    if not told or untold:
        return Given(None, False, (UNTOLD,) if marks else ())
    doubts: list[str] = []
    fresh = told[0].heard == 0 and (told[0].delivered_ml or 0.0) < 1  # its first word: nothing given by then
    if told[0].at > span.start + unseen and not fresh:
        doubts.append(BEGINNING)
    later = [mark for mark in marks if told[-1].at < mark.at < span.end]
    rested = told[-1].activity == "off" and all(mark.activity == "off" for mark in later)
    if told[-1].at < span.end - unseen and not rested:
        doubts.append(END)
    complete, total = not doubts, 0.0
    known = any(span.start <= mark.at < span.end for mark in told) or rested
    for before, after, silent in _stretches(marks, unseen):
        counter, risen_to = before.delivered_ml or 0.0, after.delivered_ml or 0.0
        if after.at <= span.start or before.at >= span.end or after.at <= before.at:
            continue
        resting = silent and rests(before, after)
        risen = risen_to if risen_to < counter else risen_to - counter
        if risen_to < counter and not resting:
            doubts.append(RESTARTED)
            complete = complete and not silent  # what it showed at last, nobody knows
        if silent and risen > 0 and not span.start <= before.at < after.at <= span.end:
            doubts += [BEGINNING] * (before.at < span.start) + [END] * (after.at > span.end)
            complete = False
            continue
        known = True
        within = min(after.at, span.end) - max(before.at, span.start)
        total += risen * within / (after.at - before.at)
    return Given(total if known else None, complete and known, tuple(dict.fromkeys(doubts)))


def _stretches(marks: Sequence[Mark], unseen: int) -> Iterator[tuple[Mark, Mark, bool]]:
    """Each two marks between which the counter is not known, and whether the pump was silent for long in between."""
    last: Mark | None = None
    silent = False
    for place, mark in enumerate(marks):
        if place:
            silent = silent or mark.at - max(marks[place - 1].at, mark.heard) > unseen
        if mark.delivered_ml is None:
            continue
        if last is not None:
            yield last, mark, silent
        last, silent = mark, False


def planned(plan: Plan | None, zone: Zone, span: Span, target_ml: float | None) -> float | None:
    """What the plan wanted in the shift, mL; None without a plan that tells."""
    if plan is None or not plan.windows:
        return None
    total, at = 0.0, span.start
    while at < span.end:
        day = feeding_day(plan, zone, at)
        if day is None:
            return None
        until = min(day.end, span.end)
        by_end = scheduled_ml(day, target_ml, until)
        by_start = scheduled_ml(day, target_ml, at)
        if by_end is None or by_start is None:
            return None
        total += by_end - by_start
        at = until if until > at else at + HOUR
    return total

"""What whoever comes on duty asks first, answered in a few words: for the top of the page, the mail, the terminal.

What is open and whose; who was given less than planned; what keeps coming back.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from monitor.core.instants import MINUTE
from monitor.core.phrases import clock, for_how_long, missing, times
from monitor.reports.handover import Handover, Row
from monitor.reports.nights import UNKNOWN, Night

MOST: Final = 4  # lines of one answer: what is beyond is counted, and stands below
MOST_WHATS: Final = 2  # troubles of one pump
MUCH_ML: Final = 100  # as the shipped rule behind-plan; there with its reasons and source
MUCH_SHARE: Final = 0.1
MUCH_UNSEEN: Final = (
    10 * MINUTE
)  # common practice, no source: as long as feed may be due and not given unsaid
MUCH: Final = "10 % or 100 mL"
QUESTIONS: Final = ("What is open, and whose", "Who was given less than planned", "What keeps coming back")


class Answer(NamedTuple):
    """An answer: its question, the short of it, the first few, and how many more there are."""

    question: str
    short: str
    lines: tuple[str, ...]
    more: int


def answers(report: Handover) -> tuple[Answer, Answer, Answer]:
    """The three answers, the most urgent line of each first."""
    return (_open(report), _underfed(report), _repeated(report))


def as_text(report: Handover) -> str:
    """The three answers as plain text."""
    parts = []
    for answer in answers(report):
        lines = [f"  - {line}" for line in answer.lines]
        if answer.more:
            lines.append(f"  - and {answer.more} more")
        parts.append("\n".join([f"{answer.question}: {answer.short}", *lines]))
    if unseen := not_seen(report):
        parts.append(unseen)
    return "\n\n".join(parts)


def not_seen(report: Handover) -> str:
    """How much of the shift nobody saw, in a sentence; "" if it is next to nothing: it bounds all three answers."""
    blind = [(night.time(UNKNOWN), night) for night in report.nights]
    long = [(time, night) for time, night in blind if time >= MUCH_UNSEEN]
    parts = []
    if long:
        longest, night = max(long, key=lambda one: one[0])
        parts.append(
            f"{len(long)} of {len(report.nights)} pumps for 10 min or more (longest: {night.place}, "
            f"{for_how_long(longest)})"
        )
    if report.gaps:
        parts.append(f"Second Bell itself was blind {times(len(report.gaps))}")
    return f"Not all was seen: {'; '.join(parts)}." if parts else ""


def natural(*texts: str) -> tuple[tuple[tuple[bool, int, str], ...], ...]:
    """A key that sorts as a person does: bay 2 before bay 10."""
    return tuple(
        tuple(
            (part.isdecimal(), int(part) if part.isdecimal() else 0, part)
            for part in re.split(r"(\d+)", text)
        )
        for text in texts
    )


def _answer(question: int, short: str, lines: list[str]) -> Answer:
    kept = lines if len(lines) == MOST + 1 else lines[:MOST]  # "and 1 more" takes as long as the one
    return Answer(QUESTIONS[question], short, tuple(kept), len(lines) - len(kept))


def _open(report: Handover) -> Answer:
    nobody = sum(not row.holder for row in report.live)
    if not report.live:
        return _answer(0, "nothing known to be open" if report.blind else "nothing is open", [])
    short = (
        f"{len(report.live)} open, {nobody or 'none'} with NOBODY"
        if nobody
        else (f"{len(report.live)} open, each with somebody")
    )
    return _answer(0, short, [_row(row, report) for row in report.live])


def _row(row: Row, report: Handover) -> str:
    since = clock(row.begun, report.as_of, report.zone)
    return f"{row.priority.upper()} {row.place}: {row.what} since {since}: {row.holder or 'NOBODY has it'}"


def _underfed(report: Handover) -> Answer:
    with_plan = [night for night in report.nights if night.planned_ml is not None]
    short = report.underfed
    much = [night for night in short if _is_much(night)]
    unknown = [night for night in with_plan if night.given_ml is None]
    lines = [_missed(night) for night in sorted(short, key=lambda night: not _is_much(night))]
    # Unknown stands before what is of no weight: it may be the most of all.
    lines[len(much) : len(much)] = [f"{night.place}: unknown" for night in sorted(unknown, key=_by_place)]
    said = []
    if much:
        said.append(f"{len(much)} of {len(with_plan)} by {MUCH} or more")
    elif len(unknown) < len(with_plan):
        said.append(f"nobody {'known ' if unknown else ''}by {MUCH}")
    said += [f"{len(short) - len(much)} by less"] if len(short) > len(much) else []
    said += [f"{len(unknown)} unknown"] if unknown else []
    lacking = len(report.nights) - len(with_plan)
    said += [f"no plan known of {lacking}"] if lacking or not with_plan else []
    return _answer(1, ", ".join(said), lines)


def _is_much(night: Night) -> bool:
    missed = night.missed_ml or 0
    return missed >= MUCH_ML or missed >= MUCH_SHARE * (night.planned_ml or 0) > 0


def _by_place(night: Night) -> tuple[tuple[tuple[bool, int, str], ...], ...]:
    return natural(night.place, night.device)


def _missed(night: Night) -> str:
    bound = "" if night.complete else "up to "
    return f"{night.place}: {bound}{missing(night.missed_ml or 0, night.kcal_per_ml)} less"


def _repeated(report: Handover) -> Answer:
    lines = []
    for one in report.repeated:
        whats = [what if often == 1 else f"{what} ({times(often)})" for what, often in one.what[:MOST_WHATS]]
        whats += ["and more"] if len(one.what) > MOST_WHATS else []
        counted = (
            f", {times(one.times)}" if one.times > 1 else ""
        )  # what comes again and again says so itself
        lines.append(f"{one.place}{counted}: {'; '.join(whats)}")
    pumps = len(report.repeated)
    short = "nothing" if not pumps else f"{pumps} pump{'s' if pumps > 1 else ''} in trouble more than once"
    return _answer(2, short, lines)

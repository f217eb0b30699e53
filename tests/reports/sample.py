"""A made-up shift of a made-up ward, for the tests of the page; nothing in it is measured."""

from __future__ import annotations

from monitor.adapters.zones import zone_table
from monitor.core.chronicle import Mark
from monitor.core.load import load
from monitor.core.messages import Plan, Window
from monitor.reports.handover import Asked, Gap, Handover, Noted, Repeated, Row
from monitor.reports.nights import Night, given, pieces, planned
from monitor.reports.spans import Span, shift
from monitor.reports.survival import acceptance
from monitor.sitefile.shifts_table import SHIFTS

MINUTE, HOUR = 60_000, 3_600_000
ZONE = zone_table("Europe/London")
SPAN: Span = shift("night", SHIFTS, ZONE, 1_773_540_000_000)
PLAN = Plan(
    windows=(Window(20 * 60, 6 * 60, None),), target_ml=1000, rate_ml_h=100, max_rate_ml_h=125, kcal_per_ml=1.5,
    glucose_risk=False, feed_kind=None, container_hung=None, set_hung=None,
)  # fmt: skip


def mark(minutes: float, activity: str, ml: float, **more: object) -> Mark:
    """A mark so many minutes after the shift began."""
    at = SPAN.start + round(minutes * MINUTE)
    told = {
        "heard": at - MINUTE,
        "delivering": activity == "feeding",
        "muted": False,
        "alarm": "",
        "mains": True,
    }
    return Mark(at=at, activity=activity, delivered_ml=ml, given_ml=ml, **(told | more))  # type: ignore[arg-type]


def _night(place: str, device: str, marks: list[Mark], heard: float = 720) -> Night:
    seen = given([*marks, marks[-1]._replace(at=SPAN.start + round(heard * MINUTE))], SPAN)
    return Night(
        device=device,
        place=place,
        pieces=pieces(marks, SPAN, SPAN.start + round(heard * MINUTE)),
        given_ml=seen.ml,
        planned_ml=planned(PLAN, ZONE, SPAN, 1000),
        kcal_per_ml=1.5,
        complete=seen.complete,
        doubts=seen.doubts,
    )


def nights() -> tuple[Night, ...]:
    """Three pumps: one that went well, one that blocked again and again, one that was out of sight."""
    well = [mark(0, "feeding", 0), mark(590, "feeding", 1000), mark(600, "finished", 1000)]
    blocked = [
        mark(0, "feeding", 0), mark(130, "stopped", 200, alarm="medium", muted=True), mark(170, "feeding", 200),
        mark(200, "stopped", 250, alarm="medium"), mark(206, "feeding", 250, mains=False),
        mark(330, "stopped", 430, alarm="high", muted=True, mains=False), mark(345, "feeding", 430),
        mark(600, "feeding", 780), mark(610, "off", 780),
    ]  # fmt: skip
    unseen = [mark(0, "feeding", 0), mark(180, "feeding", 300, heard=SPAN.start + 95 * MINUTE)]
    return (
        _night("bay 1 bed 1", "pump-0101", well),
        _night("bay 1 bed 2", "pump-0102", blocked),
        _night("bay 2 bed 4", "pump-0108", unseen, heard=500),
    )


def handover() -> Handover:
    """The whole report."""
    begun = SPAN.start + 330 * MINUTE
    live = (
        Row("abc", "high", "bay 1 bed 2", "pump-0102", "alarm standing", begun, "open", "", None, 2, None, "", False),
        Row(
            "abd", "medium", "bay 2 bed 4", "pump-0108", "pump out of sight", begun + HOUR, "accepted", "night nurse 2",
            begun + 2 * HOUR, 1, None, "", False,
        ),
    )  # fmt: skip
    over = (
        Row(
            "abe", "medium", "bay 1 bed 2", "pump-0102", "line blocked again and again", begun - 2 * HOUR, "settled",
            "", None, 3, begun, "it feeds again, no alarm", False,
        ),
    )  # fmt: skip
    told = [SPAN.start + minutes * MINUTE for minutes in (134, 135, 150, 210, 334, 335, 336, 420)]
    return Handover(
        site="larkfield", unit="Elm ward", span=SPAN, as_of=SPAN.end, zone=ZONE, zone_name="Europe/London", live=live,
        over=over, nights=nights(),
        accepted=acceptance([(95_000, True), (125_000, True), (610_000, False), (241_000, True)]), by_itself=2,
        asked=(
            Asked("night nurse 1", load(told, SPAN.start, SPAN.end)),
            Asked("charge nurse", load(told[-2:], SPAN.start, SPAN.end)),
        ),
        repeated=(
            Repeated("bay 1 bed 2", "pump-0102", 3, (("line blocked again and again", 2), ("alarm standing", 1))),
        ),
        gaps=(Gap(SPAN.start + 95 * MINUTE, SPAN.start + 180 * MINUTE, "bridge north-7 was away"),),
        holds=(Noted(SPAN.start + 400 * MINUTE, "bay 1 bed 1 on hold until 03:10, by night nurse 1: bath"),),
        drills=(Noted(SPAN.start + 30 * MINUTE, "drill: reached night nurse 1 in 9 s, accepted after 48 s"),),
        changes=(), unreadable=0, entries=207, root="ab" * 32,
    )  # fmt: skip

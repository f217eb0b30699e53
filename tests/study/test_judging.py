"""What a night was worth, on troubles and notices that can be worked out by hand."""

from __future__ import annotations

import pytest

from monitor.core.instants import HOUR, MINUTE, SECOND
from monitor.study.judging import Course, Deed, Told, Yardsticks, judge
from monitor.study.night_record import NightRecord
from simulators.reckoning import Balance
from simulators.truth import TO_KNOW, Kind, Trouble

NOON = 1_800_000_000_000
EVENING, MORNING, END = NOON + 8 * HOUR, NOON + 20 * HOUR, NOON + 24 * HOUR


def at(minutes: float) -> int:
    """So many minutes after the evening began."""
    return EVENING + round(minutes * MINUTE)


def trouble(
    device: str,
    needed: float,
    ended: float | None,
    *,
    began: float | None = None,
    kind: Kind = "line-blocked",
) -> Trouble:
    """A trouble, in minutes after the evening began."""
    return Trouble(
        device=device,
        kind=kind,
        began=at(needed if began is None else began),
        needed_from=at(needed),
        ended=None if ended is None else at(ended),
        how="open" if ended is None else "mended-at-bedside",
    )


def told(minutes: float, *subjects: str, person: str = "nurse-1", rule: str = "unattended") -> Told:
    """A notice that was carried; without subjects it asks for nothing."""
    return Told(at(minutes), person, tuple((subject, rule) for subject in subjects))


def deed(minutes: float, subject: str, person: str = "nurse-1") -> Deed:
    """Somebody accepted, or came."""
    return Deed(at(minutes), person, subject)


def balance(
    device: str,
    due: float,
    given: float,
    *,
    needed_ml: float = 0,
    glucose_min: float = 0,
    battery_min: float = 0,
) -> Balance:
    """What was due and given, at 1.5 kcal/mL."""
    return Balance(
        device=device,
        kcal_per_ml=1.5,
        due_ml=due,
        given_ml=given,
        needed_ml=needed_ml,
        needed_ms=0,
        glucose_stopped_ms=round(glucose_min * MINUTE),
        dead_battery_ms=round(battery_min * MINUTE),
        held_ms=0,
        stopped_ms=0,
    )


def judged(nobody: list[Trouble], course: Course) -> NightRecord:
    """The record of a course, by the night with nobody told."""
    yard = Yardsticks(
        nobody=Course(end=END, troubles=nobody),
        night=(EVENING, MORNING),
        units_of={"north-7": {"elm"}},
    )
    return judge(course, yard, world="ward", strategy="s", seed=1, nurses=2, seconds=0.0)


def test_a_trouble_that_outlasts_a_quarter_of_an_hour_is_reached_by_a_call_about_its_pump() -> None:
    """Told 7 min after somebody was needed, accepted 2 min later; what passes sooner does not count."""
    nobody = [trouble("p1", 10, 40), trouble("p2", 10, 25)]
    here = [trouble("p1", 10, 22), trouble("p2", 10, 25)]
    record = judged(nobody, Course(end=END, told=[told(17, "p1")], accepted=[deed(19, "p1")], troubles=here))
    assert (record.troubles, record.lasting, record.reached, record.accepted, record.averted) == (
        2,
        1,
        1,
        1,
        0,
    )
    assert record.told_ms == (7 * MINUTE,)
    assert record.accepted_ms == (9 * MINUTE,)
    assert record.missed == ()


def test_exactly_a_quarter_of_an_hour_does_not_outlast_it() -> None:
    """The line itself is not beyond it."""
    assert judged([trouble("p1", 10, 25)], Course(end=END)).lasting == 0
    assert judged([trouble("p1", 10, 25.001)], Course(end=END)).lasting == 1


def test_one_that_begins_just_before_the_end_of_the_run_cannot_outlast_it() -> None:
    """What is open at the end lasts until then."""
    last = (END - EVENING) / MINUTE
    assert judged([trouble("p1", last - 10, None)], Course(end=END)).lasting == 0
    assert judged([trouble("p1", last - 16, None)], Course(end=END)).lasting == 1


def test_a_call_about_another_pump_or_after_its_end_reaches_nobody() -> None:
    """It is missed, and the record says which."""
    nobody = [trouble("p1", 10, 40)]
    record = judged(nobody, Course(end=END, told=[told(20, "p2"), told(41, "p1")], troubles=nobody))
    assert (record.reached, len(record.missed)) == (0, 1)
    [missed] = record.missed
    assert (missed.device, missed.kind, missed.needed_from, missed.ended) == (
        "p1",
        "line-blocked",
        at(10),
        at(40),
    )


def test_told_before_somebody_was_needed_is_told_at_once() -> None:
    """The alarm was forwarded before it came out that nobody would see to it: 0 ms, not less."""
    nobody = [trouble("p1", 10, 40, began=8)]
    record = judged(nobody, Course(end=END, told=[told(9, "p1")], troubles=nobody))
    assert record.told_ms == (0,)


def test_a_trouble_that_does_not_come_about_is_averted() -> None:
    """Somebody was at the pump before, and nothing is wrong with it at that time here."""
    nobody = [trouble("p1", 10, 40), trouble("p1", 60, 90)]
    course = Course(
        end=END, told=[told(12, "p1")], accepted=[deed(13, "p1")], came=[deed(17, "p1")],
        troubles=[trouble("p1", 10, 17)],
    )  # fmt: skip
    record = judged(nobody, course)
    assert (record.lasting, record.reached, record.averted, record.missed) == (2, 1, 1, ())


def test_a_trouble_that_comes_about_all_the_same_is_not_averted() -> None:
    """Somebody was at the pump before, and later it was stopped again: nobody was told of that."""
    nobody = [trouble("p1", 10, 40), trouble("p1", 60, 90)]
    course = Course(
        end=END, told=[told(12, "p1")], accepted=[deed(13, "p1")], came=[deed(17, "p1")],
        troubles=[trouble("p1", 10, 17), trouble("p1", 62, 90)],
    )  # fmt: skip
    record = judged(nobody, course)
    assert (record.reached, record.averted, len(record.missed)) == (1, 0, 1)


def test_who_was_on_her_way_when_it_began_reaches_it() -> None:
    """She had accepted before for another reason, is told nothing more, and comes while it lasts."""
    nobody = [trouble("p1", 10, 40)]
    course = Course(
        end=END, told=[told(5, "p1")], accepted=[deed(7, "p1")], came=[deed(12, "p1")],
        troubles=[trouble("p1", 10, 12)],
    )  # fmt: skip
    record = judged(nobody, course)
    assert (record.told_ms, record.accepted_ms, record.missed) == ((0,), (0,), ())


def test_a_bridge_that_is_gone_is_told_by_its_units() -> None:
    """A concern about the unit reaches it and is real; one about another unit is neither."""
    nobody = [trouble("north-7", 10, 40, kind="bridge-lost")]
    record = judged(nobody, Course(end=END, told=[told(11, "unit:elm", rule="sight-lost")], troubles=nobody))
    assert (record.reached, record.real) == (1, 1)
    record = judged(
        nobody, Course(end=END, told=[told(11, "unit:rowan", rule="sight-lost")], troubles=nobody)
    )
    assert (record.reached, record.real) == (0, 0)


def test_what_is_real_is_judged_in_the_night_itself() -> None:
    """One of its pumps has, when it is carried, a trouble that needs somebody then or later, or did a minute before."""
    here = [trouble("p1", 10, 20, began=8)]
    calls = [
        told(7.9, "p1"),  # nothing has begun
        told(9, "p1"),  # begun, and it will need somebody
        told(10, "p1"),
        told(19, "p1", "p2"),  # one of both
        told(19, "p2", rule="standing-alarm"),
        told(21, "p1"),  # over for exactly a minute
        told(21.001, "p1"),
        told(15),  # asks for nothing
    ]
    record = judged([], Course(end=END, told=sorted(calls), troubles=here))
    assert (record.notices, record.calls, record.real) == (8, 7, 4)
    assert record.calls_of == {"standing-alarm": (1, 0), "unattended": (6, 4)}


def test_what_an_early_call_averts_was_real() -> None:
    """Until somebody comes this night is that with nobody told; after, it is its own."""
    nobody = [trouble("p1", 10, 60, began=2)]
    course = Course(end=END, told=[told(5, "p1"), told(30, "p1")], came=[deed(8, "p1")])
    assert judged(nobody, course).real == 1


def test_what_is_low_alone_is_for_awareness_and_no_call() -> None:
    """It reaches somebody all the same."""
    nobody = [trouble("p1", 10, 60, kind="charger-fault")]
    low = Told(at(12), "nurse-1", (), (("p1", "not-charging"),))
    record = judged(nobody, Course(end=END, told=[low], troubles=nobody))
    assert (record.notices, record.calls, record.aware, record.reached) == (1, 0, 1, 1)


def test_only_what_is_carried_at_night_counts_as_notices() -> None:
    """20:00 to 08:00: what comes by day is not a nurse's night."""
    morning = (MORNING - EVENING) / MINUTE
    calls = [told(-1, "p1"), told(0, "p1"), told(morning - 1, "p1"), told(morning, "p1")]
    record = judged([], Course(end=END, told=calls))
    assert (record.notices, record.calls, record.wakings) == (2, 2, 1)  # the first was called a minute before


def test_the_worst_ten_minutes_of_one_person() -> None:
    """Two notices exactly 10 min apart are not within 10 min; those of others do not add up."""
    notices = [told(0, "p1"), told(4), told(9, "p1"), told(9.5, "p1", person="charge"), told(10), told(20)]
    assert judged([], Course(end=END, told=notices)).worst == 3


def test_a_waking_is_a_call_after_half_an_hour_without_one() -> None:
    """Needless is one that tells of nothing that needs anybody; what asks for nothing wakes nobody."""
    here = [trouble("p1", 0, 50)]
    calls = [
        told(5, "p1"),  # wakes, rightly
        told(20, "p2"),
        told(49.999, "p2"),  # too soon after the last
        told(80, "p2"),  # wakes, for nothing
        told(85, person="charge"),
        told(90, "p2", person="charge"),  # wakes, for nothing
    ]
    record = judged([], Course(end=END, told=calls, troubles=here))
    assert (record.wakings, record.needless) == (3, 2)


def test_what_was_not_given() -> None:
    """Of each pump what was due less what was given, never below nothing; and what a trouble kept from it."""
    course = Course(
        end=END,
        balances=[
            balance("p1", 1000, 700, needed_ml=200, glucose_min=30),
            balance("p2", 500, 520),
            balance("p3", 600, 590, needed_ml=25, battery_min=45),
        ],
    )
    record = judged([], course)
    assert record.pumps == 3
    assert record.due_ml == 2100
    assert record.lost_ml == 310  # 300 + 0 + 10
    assert record.lost_kcal == 465
    # Of p3 more than is missing: what was not given in time was caught up later.
    assert record.trouble_ml == 225
    assert record.trouble_kcal == 337.5
    assert (record.glucose_min, record.battery_min) == (30, 45)


def test_a_notice_on_its_way_when_it_ended_is_no_false_one() -> None:
    """Up to a minute."""
    here = [trouble("p1", 10, 20)]
    assert judged([], Course(end=END, told=[told(20 + 59 * SECOND / MINUTE, "p1")], troubles=here)).real == 1


@pytest.mark.parametrize("kind", sorted(TO_KNOW))
def test_what_somebody_only_has_to_know_of_is_no_trouble(kind: Kind) -> None:
    """It is counted nowhere, however long it lasts, and does not keep another trouble from being averted."""
    known = trouble("p1", 10, 400, kind=kind)
    record = judged([known], Course(end=END, troubles=[known]))
    assert (record.troubles, record.lasting, record.averted, record.missed) == (0, 0, 0, ())
    assert record.fate_of == {}
    course = Course(end=END, came=[deed(5, "p1")], troubles=[known])
    record = judged([trouble("p1", 10, 40)], course)
    assert (record.lasting, record.averted, record.missed) == (1, 1, ())


@pytest.mark.parametrize("kind", sorted(TO_KNOW - {"behind-plan"}))
def test_a_call_about_what_somebody_has_to_know_of_is_counted_apart(kind: Kind) -> None:
    """Not as real; while it lasts and for a minute after, about that pump, as one only to know of."""
    here = [trouble("p1", 10, 20, kind=kind)]
    calls = [told(9, "p1"), told(12, "p1"), told(13, "p2"), told(21, "p1"), told(22, "p1")]
    record = judged([], Course(end=END, told=calls, troubles=here))
    assert (record.calls, record.real, record.to_know) == (5, 0, 2)
    both = [*here, trouble("p1", 11, 40)]
    record = judged([], Course(end=END, told=calls, troubles=both))
    assert (record.calls, record.real, record.to_know) == (5, 3, 0)


def test_that_a_feed_is_behind_is_told_only_by_the_rule_that_says_so() -> None:
    """What says that a pump stands still, of one that feeds and is behind, is wrong all the same."""
    here = [trouble("p1", 10, 40, kind="behind-plan")]
    rules = ("behind-plan", "over-plan", "idle-past-limit", "unattended", "stopped-at-glucose-risk")
    calls = [told(12 + place, "p1", rule=rule) for place, rule in enumerate(rules)]
    record = judged([], Course(end=END, told=calls, troubles=here))
    assert (record.calls, record.real, record.to_know) == (5, 0, 1)
    both = Told(at(12), "nurse-1", (("p1", "idle-past-limit"), ("p1", "behind-plan")))
    record = judged([], Course(end=END, told=[both], troubles=here))
    assert (record.calls, record.real, record.to_know) == (1, 0, 1)


def test_what_is_low_beside_a_call_is_a_part_of_it() -> None:
    """One notice is one call, or one for awareness, never both."""
    nobody = [trouble("p1", 10, 40)]
    low = Told(at(12), "nurse-1", (), (("p1", "behind-plan"),))
    mixed = Told(at(14), "nurse-1", (("p2", "unattended"),), (("p1", "behind-plan"),))
    record = judged(nobody, Course(end=END, told=[low, mixed], troubles=nobody))
    assert (record.notices, record.calls, record.aware) == (2, 1, 1)
    assert record.told_ms == (2 * MINUTE,)


def test_a_call_about_what_will_need_somebody_is_real() -> None:
    """From its beginning on; and so is one about what would have, had nobody come."""
    nobody = [trouble("p1", 20, 60, began=10)]
    calls = [told(9, "p1"), told(12, "p1"), told(30, "p1")]
    course = Course(end=END, told=calls, came=[deed(15, "p1")])
    record = judged(nobody, course)
    assert (record.calls, record.real, record.averted + record.reached) == (3, 1, 1)


def test_of_each_kind_of_trouble_it_is_known_how_many_were_reached() -> None:
    """Of those that were neither too short nor averted, by kind."""
    nobody = [
        trouble("p1", 10, 40),
        trouble("p2", 10, 40),
        trouble("p3", 10, 20),
        trouble("p4", 10, 60, kind="unplugged"),
        trouble("p5", 30, 60, kind="left-idle"),
    ]
    course = Course(
        end=END, told=[told(12, "p1")], came=[deed(20, "p5")], troubles=nobody[:4],
    )  # fmt: skip
    record = judged(nobody, course)
    assert record.fate_of == {"left-idle": (0, 0), "line-blocked": (2, 1), "unplugged": (1, 0)}
    assert record.averted == 1
    assert record.lasting == record.reached + record.averted + len(record.missed)

"""Who is told next: rungs, empty rungs, the end of a ladder, low, unknown units, unlisted pumps."""

from __future__ import annotations

import pytest

from monitor.core.instants import MINUTE
from monitor.core.ladders import Ladder, Rung, call, people_of
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import Rule, parse
from monitor.testing import START, Bench, ward
from tests.core.stories import RINGING, mended, only, ringing, unattended

ROTA = Rota(
    [Span("n1", "nurse", "*", 0, 100), Span("n2", "nurse", "*", 50, 100), Span("c1", "charge", "*", 0, 100)]
)
LADDER = Ladder((Rung(("role:nurse",), 3), Rung(("role:charge", "person:n1"), 5)), repeat=10)

LOW = """
id = "low-thing"
sentence = "Something to know of."
hazard = "Nothing that hurries."
about = "alarms"
pattern = "lasting"
[[when]]
for = "patience"
priority = "low"
[when.condition]
field = "alarm_active"
is = true
[thresholds.patience]
value = "1 min"
looser = "higher"
reason = "made up for a test"
source = "none"
[checks]
first = ["Look at it when you can."]
[[traces]]
name = "holds"
until = "2 min"
holds = ["1 min"]
steps = [{ at = "0 s", alarms = [{ condition = "inactivity" }] }]
[[traces]]
name = "quiet"
until = "2 min"
steps = [{ at = "0 s", activity = "feeding" }]
"""


def low_rule() -> Rule:
    """A rule of low priority, as none of the shipped ones is."""
    return parse(LOW, "low-thing.toml")


def test_a_rung_is_who_is_on_duty_there_now() -> None:
    """Roles are looked up, persons named count only while on duty, and nobody twice."""
    assert people_of(LADDER.rungs[0], "elm", 60, ROTA) == ("n1", "n2")
    assert people_of(LADDER.rungs[1], "elm", 10, ROTA) == ("c1", "n1")
    assert people_of(LADDER.rungs[1], "elm", 100, ROTA) == ()


def test_an_empty_rung_is_passed_over_at_once() -> None:
    """Nobody on duty, or all refused: the next rung, and it is said which were empty."""
    assert call(LADDER, 0, "elm", 10, ROTA, "last") == (0, ("n1",), 3, ())
    assert call(LADDER, 0, "elm", 10, ROTA, "last", frozenset({"n1"})) == (1, ("c1",), 5, (0,))


def test_past_the_end_everybody_on_duty_and_the_last_resort() -> None:
    """Also those who refused; and the last resort even if nobody at all is on duty."""
    assert call(LADDER, 2, "elm", 60, ROTA, "last", frozenset({"n1"})) == (
        2,
        ("n1", "n2", "c1", "last"),
        10,
        (),
    )
    assert call(LADDER, 0, "elm", 100, ROTA, "last") == (2, ("last",), 10, (0, 1))


def test_nobody_on_duty_is_never_silence() -> None:
    """With no nurse on duty the charge nurse is told at the time at which the nurses would have been."""
    rota = Rota([Span("nurse-1", "nurse", "*", 0, START), Span("charge", "charge", "*", 0, FOR_EVER)])
    bench = unattended(only("unattended", rota=rota))
    assert {told.person for told in bench.notices()} == {"charge"}


def test_with_nobody_at_all_the_last_resort_is_told_again_and_again() -> None:
    """An empty rota: the last resort at once, and at the repeat interval for as long as it is open."""
    rota = Rota([Span(name, "nurse", "*", 0, START) for name in ("nurse-1", "nurse-2", "charge")])
    bench = unattended(only("unattended", rota=rota))
    assert [told.person for told in bench.notices()] == ["manager"]
    bench.at("01:05:30")
    assert [told.person for told in bench.notices()] == ["manager"] * 5


def test_an_unknown_unit_goes_to_the_last_resort() -> None:
    """A pump in a unit that the site does not know: whoever is last, and "place not recorded" in the mail."""
    bench = Bench(only("unattended"))
    for carrier, outcome in (("pager", "refused"),):
        bench.carriers[carrier].fails(outcome)
    bench.snapshot("pump-77", unit="attic", activity="stopped", alarms=[RINGING])
    bench.at("00:05:20")
    told = bench.assert_told("manager", "raised", by="mail")
    assert {told.person for told in bench.notices()} == {"manager"}
    assert "pump-77 (place not recorded)" in told.subject
    bench.at("00:15:30")
    bench.assert_told("manager", "round-again")


def test_an_unlisted_pump_in_a_known_unit_has_its_units_ladder() -> None:
    """Watched with the shipped rules and its topic's unit, "place not recorded"."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-77", activity="stopped", alarms=[RINGING])
    bench.at("00:05:10")
    assert "pump-77, no place" in bench.assert_told("nurse-1").text


def test_low_goes_to_its_first_rung_only() -> None:
    """Low is for awareness: told once, and no wait runs, however long it lasts."""
    bench = Bench(ward([low_rule()]))
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:01:10")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}
    bench.at("03:00:00")
    bench.assert_nobody_told()
    assert bench.assert_open("pump-1").due() is None


def test_low_is_told_once_to_the_last_resort_too() -> None:
    """Even where the ladder is empty a low concern is not repeated."""
    bench = Bench(ward([low_rule()]))
    bench.snapshot("pump-9", unit="attic", alarms=[RINGING])
    bench.at("02:00:00")
    assert [told.person for told in bench.notices()] == ["manager"]


def test_low_at_a_recheck_stays_on_its_first_rung() -> None:
    """Accepted and still so: whoever has it and the first rung hear of it again, no manager in the night."""
    bench = Bench(ward([low_rule()]))
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:01:10")
    bench.accept("nurse-1", "pump-1")
    bench.notices()
    bench.at("00:25:00")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}
    bench.at("03:00:00")
    assert not any(told.person in ("charge", "manager") for told in bench.told)


def test_low_that_relapses_does_not_climb() -> None:
    """Back within the window: its first rung is told that it is back, and no other."""
    bench = Bench(ward([low_rule()]))
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:01:10")
    bench.accept("nurse-1", "pump-1")
    mended(bench)
    bench.at("00:05:00")
    bench.assert_settled("pump-1")
    bench.snapshot("pump-1", alarms=[RINGING | {"since": bench.now}])
    bench.at("02:00:00")
    assert [told.person for told in bench.notices()] == ["nurse-1"]


def test_a_ladder_goes_round_at_most_once_at_one_instant() -> None:
    """Everybody declines at one instant, over and over: one round, and the next at the repeat interval."""
    bench = unattended()
    for _ in range(3):
        for person in ("nurse-1", "nurse-2", "charge"):
            bench.decline(person, "pump-1")
    bench.pass_by("10 s")
    assert [(told.person, told.items[0][1]) for told in bench.notices()] == [("manager", "round-again")]
    assert bench.concern("pump-1").wait_at == bench.told[-1].at + 10 * MINUTE


def test_an_open_concern_that_moves_is_told_where_it_is_now() -> None:
    """The pump is wheeled to another ward with its concern open: that ward's nurse hears at once, others not again."""
    spans = [Span("nurse-1", "nurse", "elm", 0, FOR_EVER), Span("nurse-2", "nurse", "oak", 0, FOR_EVER),
             Span("charge", "charge", "*", 0, FOR_EVER)]  # fmt: skip
    bench = unattended(only("unattended", rota=Rota(spans)))
    assert {told.person for told in bench.notices()} == {"nurse-1"}
    bench.snapshot("pump-1", unit="oak")
    bench.pass_by("6 s")
    assert [told.person for told in bench.notices()] == ["nurse-2"]
    bench.at("00:15:30")
    assert [told.person for told in bench.notices()] == ["charge"]


def test_a_round_is_not_repeated_at_the_instant_of_the_last() -> None:
    """Accepted and handed back at the very instant of a round: nobody is called twice at it, and all again later."""
    bench = unattended()
    for person in ("nurse-1", "nurse-2", "charge"):
        bench.decline(person, "pump-1")  # the round begins now
    bench.accept("manager", "pump-1")
    bench.hand_back("manager", "pump-1")
    rounds = [h.now for h in bench.happened if h.event == "called" and h.detail["rung"] == 2]
    assert rounds == [bench.now]
    bench.pass_by("10 min 10 s")
    rounds = [h.now for h in bench.happened if h.event == "called" and h.detail["rung"] == 2]
    assert len(rounds) == 2
    assert "manager" in {told.person for told in bench.notices()}


def test_who_handed_back_is_not_the_next_to_be_asked() -> None:
    """Alone on both rungs she handed it back: the last resort is asked at once, not she again."""
    alone = Ladder((Rung(("role:charge",), 10 * MINUTE), Rung(("role:charge",), 10 * MINUTE)))
    bench = unattended(only("unattended", ladders={("*", "medium"): alone}))
    bench.accept("charge", "pump-1")
    bench.pass_by("10 s")
    bench.hand_back("charge", "pump-1")
    bench.pass_by("6 s")
    assert "manager" in {told.person for told in bench.notices(why="handed-back")}


def test_a_person_told_on_two_rungs_is_still_told_each_time() -> None:
    """Who stands on both rungs hears again when the second is due."""
    twice = Ladder(
        (Rung(("person:charge",), 10 * MINUTE), Rung(("person:charge", "role:nurse"), 10 * MINUTE))
    )
    bench = unattended(only("unattended", ladders={("*", "medium"): twice}))
    bench.at("00:15:30")
    assert {told.person for told in bench.notices()} == {"charge", "nurse-1", "nurse-2"}


@pytest.mark.parametrize("priority", ["high", "medium", "low"])
def test_a_priority_without_a_ladder_uses_mediums(priority: str) -> None:
    """A site that gives only a ladder for medium has that one for all."""
    site = only("unattended", ladders={("*", "medium"): LADDER})
    assert site.ladder("elm", priority) is LADDER
    assert site.ladder("attic", priority).rungs == ()


def test_two_pumps_are_two_concerns_in_one_notice() -> None:
    """What comes within the gather time goes as one, with each one's own code."""
    bench = Bench(only("unattended"))
    ringing(bench)
    ringing(bench, "pump-2")
    bench.at("00:05:20")
    told = bench.notices("nurse-1")
    assert len(told) == 1
    assert bench.code("nurse-1", "pump-1") in told[0].text
    assert bench.code("nurse-1", "pump-2") in told[0].text


def test_a_whole_ladder_to_the_minute() -> None:
    """A role, a person and several on one rung, each with its wait; then all and the last resort, again and again.

    Each is told by the first of her carriers, by the next where that fails; nobody accepts for 75 minutes.
    """
    rungs = (
        Rung(("role:nurse",), 10 * MINUTE),
        Rung(("person:charge", "person:day-1"), 5 * MINUTE),  # day-1 is not on duty before 07:00
        Rung(("person:technical", "role:charge"), 10 * MINUTE),
    )
    site = only("unattended", ladders={("*", "medium"): Ladder(rungs, repeat=15 * MINUTE)})
    bench = Bench(site, reporting=0)
    bench.carriers["pager"].fails("refused", address="4472")  # nurse 2 is reached by mail alone
    ringing(bench)
    bench.at("01:15:00")
    told = [
        ((one.at - START) // MINUTE, one.person, one.carrier)
        for one in sorted(bench.told, key=lambda one: (one.at // MINUTE, one.person))
    ]
    everybody = [
        ("charge", "pager"), ("manager", "pager"), ("nurse-1", "pager"), ("nurse-2", "mail"), ("technical", "pager")
    ]  # fmt: skip
    assert told == [
        (5, "nurse-1", "pager"), (5, "nurse-2", "mail"),
        (15, "charge", "pager"),
        (20, "charge", "pager"), (20, "technical", "pager"),
        *((30, *one) for one in everybody),
        *((45, *one) for one in everybody),
        *((60, *one) for one in everybody),
    ]  # fmt: skip
    assert {concern for one in bench.told for concern, _ in one.items} == {bench.concern("pump-1").id}
    bench.assert_open("pump-1")

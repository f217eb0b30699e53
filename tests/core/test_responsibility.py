"""Every row of the concern table through the real engine: who is told, who has it, what settles it."""

from __future__ import annotations

import itertools

import pytest

from monitor.core.instants import MINUTE, SECOND
from monitor.core.ladders import Ladder, Rung
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.testing import START, Bench, alarm, ward
from tests.core.explosions import full_ward, lose_mains
from tests.core.stories import FAULT, RINGING, mended, only, ringing, unattended


def test_a_rule_that_holds_tells_rung_one() -> None:
    """None, rule holds: open, and everybody of the first rung is told, nobody else."""
    bench = unattended()
    concern = bench.assert_open("pump-1", "unattended")
    assert concern.raised_at == START + 1 * SECOND + 5 * MINUTE
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}
    assert bench.assert_told("nurse-1").at == START + 5 * MINUTE + 8 * SECOND  # 2 s lateness, 5 s gathering
    bench.assert_not_told("charge")


def test_nothing_is_told_before_its_time() -> None:
    """An alarm answered before the rule's patience is nobody's concern."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:04:59")
    mended(bench)
    bench.at("00:30:00")
    assert bench.told == []
    assert bench.concerns("pump-1") == []


def test_a_rule_that_holds_again_joins_the_open_concern() -> None:
    """Open, rule holds: counted, and told nobody anew: muted and ringing again before anything was mended."""
    bench = unattended()
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", inactivation="audio-paused")])
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:11:30")
    concern = bench.assert_open("pump-1", "unattended")
    assert concern.times == 2
    bench.assert_nobody_told()


def test_a_further_condition_is_told_to_who_has_it() -> None:
    """Accepted, rule holds: the acceptor, and nobody else, hears of it; she need not accept again."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", inactivation="audio-paused")])
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[alarm("container-empty")])
    bench.at("00:11:30")
    assert [told.person for told in bench.notices()] == ["nurse-1"]
    assert "need not accept again" not in bench.assert_told("nurse-1", "further").text  # a page
    assert "You have this pump." in bench.assert_told("nurse-1", "further").text
    bench.assert_accepted("pump-1", "nurse-1")


def test_a_further_condition_that_reaches_nobody_opens_it_again() -> None:
    """If the acceptor cannot be told of what came on top, it is as if she had handed back."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", inactivation="audio-paused")])
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[alarm("container-empty")])
    for address in ("4471", "nurse-1@ward.invalid"):
        for carrier in bench.carriers.values():
            carrier.fails("refused", address=address)
    bench.at("00:11:30")
    bench.assert_open("pump-1")
    bench.assert_told("charge", "recheck")


def test_wait_over_tells_the_next_rung_from_the_send() -> None:
    """Open, wait over: ten minutes after the sending of the first notice, not after the raising."""
    bench = unattended()
    sent = bench.assert_told("nurse-1").at
    bench.until(sent + 10 * MINUTE - 1)
    bench.assert_nobody_told()
    bench.until(sent + 10 * MINUTE + 5 * SECOND)
    assert [told.person for told in bench.notices()] == ["charge"]
    bench.assert_told("charge", "next-rung")


def test_high_waits_three_minutes_and_gathers_nothing() -> None:
    """A high concern is told the moment it is taken up; its next rung three minutes after the send."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT])
    bench.at("00:02:02")
    assert bench.assert_told("nurse-1").at == START + 2 * MINUTE + 2 * SECOND
    bench.at("00:05:01")
    bench.assert_nobody_told()
    bench.at("00:05:02")
    assert [told.person for told in bench.notices()] == ["charge"]


def test_past_the_last_rung_everybody_and_the_last_resort_again_and_again() -> None:
    """Past its last rung: all rungs and the last resort, at the repeat interval, for as long as it is open."""
    bench = unattended()
    everybody = {"nurse-1", "nurse-2", "charge", "manager"}
    bench.at("00:25:20")
    assert {told.person for told in bench.notices(why="round-again")} == everybody
    rounds = []
    for _ in range(12):
        bench.pass_by("10 min 5 s")
        rounds.append({told.person for told in bench.notices()})
    assert rounds == [everybody] * 12
    at = [told.at for told in bench.told if told.person == "manager"]
    assert all(later - sooner == 10 * MINUTE + 5 * SECOND for sooner, later in itertools.pairwise(at))
    assert "STILL nobody has it" in bench.told[-1].text


def test_an_accept_is_heard_by_everyone_told_and_stops_the_ladder() -> None:
    """Open, accept: everyone told hears who has it, by duty label, and nobody is called any more."""
    bench = unattended()
    said = bench.accept("nurse-1", "pump-1")
    assert said.startswith("You have bay 3 bed 1 (alarm unanswered).")
    assert "not silenced" in said
    bench.at("00:20:00")
    assert [told.person for told in bench.notices()] == ["nurse-2"]
    assert "Night nurse 1 has it." in bench.assert_told("nurse-2", "taken").text
    bench.assert_accepted("pump-1", "nurse-1")


def test_accept_before_a_notice_left_spares_it() -> None:
    """A call that was still being gathered when somebody accepted is not sent, and neither is its "taken"."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:05:04")
    assert bench.told == []
    bench.accept("nurse-1", "pump-1")
    bench.at("00:10:00")
    assert bench.told == []


def test_settled_before_a_notice_left_spares_it() -> None:
    """A concern that settled while its notice was being gathered is told to nobody, nor is its end."""
    bench = Bench(only("low-power-unplugged"))
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:01:03")
    bench.assert_open("pump-1")
    bench.snapshot("pump-1", mains=True)
    bench.at("00:05:00")
    bench.assert_settled("pump-1")
    assert bench.told == []


def test_an_end_is_not_told_once_it_is_back() -> None:
    """A stand-down still being gathered when the concern relapses is not sent: nobody hears "over" of what is open."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    bench.snapshot("pump-1", mains=True, time=bench.now - 70 * SECOND)  # it comes late, and
    bench.snapshot("pump-1", mains=False, time=bench.now - 69 * SECOND)  # is unplugged again at once
    bench.at("00:04:00")
    assert [why for told in bench.notices() for _, why in told.items if told.person == "nurse-1"] == [
        "relapsed"
    ]
    bench.assert_open("pump-1")


def test_the_holder_accepting_again_changes_nothing() -> None:
    """Accepted, accept by the holder: said so, told nobody."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("10 s")
    assert bench.accept("nurse-1", "pump-1").startswith("You already have bay 3 bed 1")
    assert bench.take_over("nurse-1", "pump-1").startswith("You already have bay 3 bed 1")
    bench.pass_by("1 min")
    bench.assert_nobody_told()


def test_taking_over_tells_both() -> None:
    """Accepted, take over: the new holder has it, both hear it, nobody else; the recheck starts anew."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.at("00:10:00")
    bench.take_over("nurse-2", "pump-1")
    bench.pass_by("10 s")
    assert [told.person for told in bench.notices(why="taken-over")] == ["nurse-1"]
    told = bench.assert_told("nurse-2", "yours-now").text
    assert "You have it now." in told
    assert "Take over" not in told
    assert len(bench.notices()) == 2
    concern = bench.assert_accepted("pump-1", "nurse-2")
    assert concern.recheck_at == START + 30 * MINUTE


def test_declined_by_one_of_two_waits_for_the_other() -> None:
    """Open, decline: counted; the next rung is told only once all of this one have declined."""
    bench = unattended()
    said = bench.decline("nurse-1", "pump-1")
    assert said == "Declined. Unless somebody takes it, more are told at 22:15."
    bench.pass_by("30 s")
    bench.assert_nobody_told()
    assert bench.decline("nurse-2", "pump-1") == "Declined; the next are told now."
    bench.pass_by("5 s")
    assert [told.person for told in bench.notices()] == ["charge"]


def test_declined_by_the_last_rung_tells_everybody() -> None:
    """When nobody is left on the ladder everybody and the last resort are told at once, once at that instant."""
    bench = unattended()
    for person in ("nurse-1", "nurse-2", "charge"):
        bench.decline(person, "pump-1")
        bench.pass_by("6 s")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2", "charge", "manager"}
    for person in ("nurse-1", "nurse-2", "charge", "manager"):
        bench.decline(person, "pump-1")
    bench.pass_by("1 min")
    bench.assert_nobody_told()  # they have all just said no; they are asked again at the repeat interval
    bench.pass_by("10 min")
    bench.assert_told("manager", "round-again")


def test_a_notice_that_failed_counts_as_a_decline() -> None:
    """One nurse declines, the other cannot be reached by any of her ways: the next rung at once."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:05:04")
    for carrier in bench.carriers.values():
        carrier.fails("refused", address={"pager": "4472", "mail": "nurse-2@ward.invalid"}[carrier.name])
    bench.at("00:05:20")
    bench.decline("nurse-1", "pump-1")
    bench.pass_by("6 s")
    bench.assert_told("charge", "next-rung")


def test_handing_back_calls_the_next_rung_at_once() -> None:
    """Accepted, hand back by the holder: open, the next rung at once, who is told why."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.at("00:06:00")
    assert bench.hand_back("nurse-1", "pump-1").startswith("Handed back: bay 3 bed 1 (alarm unanswered);")
    bench.pass_by("5 s")
    assert [told.person for told in bench.notices(why="handed-back")] == ["charge"]
    bench.assert_open("pump-1")


def test_declining_what_one_has_is_handing_it_back() -> None:
    """Accepted, decline by the holder: as hand back."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.at("00:06:00")
    bench.decline("nurse-1", "pump-1")
    bench.pass_by("5 s")
    bench.assert_told("charge", "handed-back")
    bench.assert_open("pump-1")


@pytest.mark.parametrize("answer", ["decline", "hand-back"])
def test_what_another_has_cannot_be_given_away(answer: str) -> None:
    """Accepted, decline or hand back by somebody else: recorded, and the holder keeps it."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    said = bench.answer(answer, "nurse-2", bench.code("nurse-2", "pump-1")).text
    assert said == "Recorded. night nurse 1 has it; nothing is asked of you."
    bench.pass_by("10 s")
    bench.assert_accepted("pump-1", "nurse-1")


def test_a_raised_priority_calls_the_first_rung_of_the_higher_ladder() -> None:
    """Open, priority raised: the high ladder's first rung, and its waits anew."""
    site = only("unattended")
    charge_first = Ladder((Rung(("role:charge",), 3 * MINUTE), Rung(("role:nurse",), 3 * MINUTE)))
    bench = unattended(ward(site.rules, ladders={**site.ladders, ("*", "high"): charge_first}))
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")])
    assert [(told.person, told.items[0][1]) for told in bench.notices()] == [("charge", "priority-raised")]
    bench.at("00:08:59")
    bench.assert_nobody_told()
    bench.at("00:09:00")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}


def test_a_raised_priority_opens_what_was_accepted() -> None:
    """Accepted, priority raised: open; the acceptor and that ladder's first rung are told."""
    high, medium = Ladder((Rung(("role:charge",), MINUTE),)), Ladder((Rung(("role:nurse",), MINUTE),))
    bench = unattended(only("unattended", ladders={("*", "high"): high, ("*", "medium"): medium}))
    bench.accept("nurse-1", "pump-1")
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")])
    assert {told.person for told in bench.notices(why="priority-raised")} == {"nurse-1", "charge"}
    bench.assert_open("pump-1")


def test_the_acceptor_who_is_called_anyway_is_paged_once() -> None:
    """She took it after it had climbed; it rises to high, whose first rung she is on: one page, not two at once."""
    bench = full_ward(1)
    lose_mains(bench, 15)
    bench.pass_by("12 min")
    bench.accept("nurse-1", "pump-0")
    lose_mains(bench, 4)
    bench.pass_by("1 min 10 s")
    assert sorted(told.person for told in bench.notices(why="priority-raised")) == ["nurse-1", "nurse-2"]


def test_a_recheck_that_is_still_troubled_opens_it() -> None:
    """Accepted, recheck due, still troubled: open, the acceptor and the next rung."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.at("00:25:09")
    bench.assert_accepted("pump-1", "nurse-1")
    bench.at("00:25:20")
    assert {told.person for told in bench.notices(why="recheck")} == {"nurse-1", "charge"}
    bench.assert_open("pump-1")


def test_a_quiet_recheck_stays_and_looks_again() -> None:
    """Accepted, recheck due, nothing new: a line that blocked three times and now runs stays hers, unpaged."""
    bench = Bench(only("repeated-occlusion"))
    for minute in (0, 5, 10):
        bench.at(f"00:{minute:02d}:00")
        bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": bench.now}])
        bench.pass_by("30 s")
        mended(bench)
    bench.at("00:10:40")
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("10 s")
    bench.at("00:30:45")
    bench.assert_nobody_told()
    bench.assert_accepted("pump-1", "nurse-1")
    bench.at("00:40:10")
    bench.assert_settled("pump-1")


def test_a_new_onset_at_a_recheck_is_still_trouble() -> None:
    """For what recurs "still troubled" is a new onset, even if the line runs at the moment of the recheck."""
    bench = Bench(only("repeated-occlusion"))
    for minute in (0, 5, 10, 20):
        bench.at(f"00:{minute:02d}:00")
        bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": bench.now}])
        bench.pass_by("30 s")
        mended(bench)
        if minute == 10:
            bench.accept("nurse-1", "pump-1")
    bench.at("00:31:00")
    bench.assert_told("nurse-1", "recheck")
    bench.assert_told("charge", "recheck")


def test_the_acceptors_duty_ends() -> None:
    """Accepted, the acceptor's duty ends: open at rung 1 of the new duty, "was with …"; she gets nothing."""
    bench = unattended(start=START + 8 * 60 * MINUTE + 50 * MINUTE)  # 06:50
    bench.accept("nurse-1", "pump-1")
    bench.at("00:10:10")
    assert [told.person for told in bench.notices() if told.person != "nurse-2"] == ["day-1"]
    assert bench.assert_told("day-1", "duty").text.startswith("MEDIUM B3/1")
    bench.assert_open("pump-1")
    mail = bench.assert_told("day-1")
    assert "Open as you come on duty." in mail.text


def test_new_holders_of_the_rungs_reached_are_told() -> None:
    """Open, duty changes: who comes on duty on a rung that was reached hears of it, the others do not again."""
    bench = unattended(start=START + 8 * 60 * MINUTE + 52 * MINUTE)
    bench.at("00:08:10")
    assert [told.person for told in bench.notices()] == ["day-1"]
    bench.assert_told("day-1", "duty")


def test_somebody_off_duty_who_accepts_keeps_it() -> None:
    """Only a duty that ends takes a concern away: an off-duty acceptor keeps it over others' changes."""
    spans = [Span("nurse-1", "nurse", "*", 0, FOR_EVER), Span("nurse-2", "nurse", "*", 0, START),
             Span("charge", "charge", "*", START + 20 * MINUTE, FOR_EVER)]  # fmt: skip
    bench = unattended(only("unattended", rota=Rota(spans)))
    bench.accept("nurse-2", "pump-1")
    bench.at("00:21:00")
    bench.assert_accepted("pump-1", "nurse-2")

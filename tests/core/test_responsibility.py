"""Every row of the concern table through the real engine: who is told, who has it, what settles it."""

from __future__ import annotations

import itertools

import pytest

from monitor.core.concerns import State
from monitor.core.instants import MINUTE, SECOND
from monitor.core.ladders import Ladder, Rung
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.testing import START, Bench, alarm, ward
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
    assert {told.person for told in bench.notices(why="taken-over")} == {"nurse-1", "nurse-2"}
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


def test_settling_needs_the_rule_ended_and_the_device_safe() -> None:
    """Muting an unattended alarm is no all-clear: the rule has ended, the concern stays open and climbs."""
    bench = unattended()
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", inactivation="audio-off")])
    bench.at("00:15:20")
    assert not bench.concern("pump-1").holding
    bench.assert_open("pump-1")
    bench.assert_told("charge", "next-rung")


def test_switching_off_in_mid_feed_is_no_all_clear() -> None:
    """Switching the pump off ends the alarm and not the concern: feed is due and nothing feeds."""
    bench = unattended()
    bench.at("00:06:00")
    bench.snapshot("pump-1", activity="off", alarms=[])
    bench.at("00:30:00")
    bench.assert_open("pump-1")
    bench.assert_told("manager")


def test_settles_after_a_minute_of_feeding() -> None:
    """Feeding for 60 s with no medium or high alarm condition is safe again; 59 s are not."""
    bench = unattended()
    bench.at("00:06:00")
    mended(bench)
    bench.at("00:07:01")
    bench.assert_open("pump-1")
    bench.at("00:07:02")
    concern = bench.assert_settled("pump-1")
    assert concern.settled_at == START + 7 * MINUTE
    bench.pass_by("5 s")
    assert {told.person for told in bench.notices(why="stand-down")} == {"nurse-1", "nurse-2"}


def test_a_low_alarm_does_not_keep_it_unsafe() -> None:
    """A low priority alarm condition beside the feed does not hold a concern open."""
    bench = unattended()
    bench.at("00:06:00")
    bench.snapshot("pump-1", activity="feeding", alarms=[alarm("battery-low", "low")])
    bench.at("00:07:02")
    bench.assert_settled("pump-1")


def test_an_alarm_within_the_minute_starts_it_anew() -> None:
    """Fifty seconds of feed, an alarm, and feed again: safe only a minute after the last."""
    bench = unattended()
    bench.at("00:06:00")
    mended(bench)
    bench.at("00:06:50")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": bench.now}])
    bench.at("00:06:55")
    mended(bench)
    bench.at("00:07:56")
    bench.assert_open("pump-1")
    bench.at("00:07:57")
    bench.assert_settled("pump-1")


def test_settles_when_no_feed_is_due() -> None:
    """No feed due and no alarm active is safe at once."""
    bench = unattended()
    bench.at("00:06:00")
    bench.snapshot("pump-1", activity="finished", alarms=[])
    bench.at("00:06:06")
    concern = bench.assert_settled("pump-1")
    assert concern.settled == "no feed is due; the pump is finished, no alarm"


def test_the_stand_down_goes_to_all_told_and_only_to_them() -> None:
    """Settles: all who were told, not who was not reached yet; the acceptor too."""
    bench = unattended()
    bench.at("00:15:20")
    bench.accept("charge", "pump-1")
    bench.at("00:16:00")
    mended(bench)
    bench.at("00:17:10")
    assert {told.person for told in bench.notices(why="stand-down")} == {"nurse-1", "nurse-2", "charge"}
    assert "OVER MEDIUM B3/1" in bench.assert_told("nurse-2").text
    before = len(bench.told)
    bench.at("02:00:00")
    assert len(bench.told) == before


def test_a_withdrawal_needs_a_reason_and_is_told() -> None:
    """Withdrawn: settled, everyone told hears it, with the reason in the mail."""
    bench = unattended()
    refused = bench.answer("withdraw", "charge", bench.code("charge", "pump-1"))
    assert (refused.ok, refused.text) == (False, "Nothing was done: say why it is withdrawn.")
    assert (
        bench.withdraw("charge", "pump-1", "pump out of service")
        == "Withdrawn; everybody who was told hears it."
    )
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices(why="withdrawn")} == {"nurse-1", "nurse-2"}
    assert bench.assert_settled("pump-1").settled == "withdrawn: pump out of service"
    bench.at("00:40:00")
    bench.assert_nobody_told()


def test_a_rule_switched_off_withdraws_its_concerns() -> None:
    """A concern whose rule is gone after a restart is withdrawn, with the site's reason, not left to ring for ever."""
    bench = unattended()
    site = only("unattended", switched_off={"unattended": "new alarm lamps on trial"})
    bench.restart(site)
    bench.pass_by("10 s")
    concern = bench.assert_settled("pump-1")
    assert concern.settled == "its rule was switched off: new alarm lamps on trial"
    assert {told.person for told in bench.notices(why="withdrawn")} == {"nurse-1", "nurse-2"}


def test_within_the_window_the_last_acceptor_is_told_first() -> None:
    """Settled, rule holds within the window: the same concern, counted, its last acceptor first, alone."""
    bench = unattended()
    first = bench.concern("pump-1").id
    bench.accept("nurse-2", "pump-1")
    mended(bench)
    bench.at("00:10:00")
    bench.assert_settled("pump-1")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": bench.now}])
    bench.at("00:15:10")
    concern = bench.assert_open("pump-1")
    assert (concern.id, concern.times) == (first, 2)
    assert [told.person for told in bench.notices()] == ["nurse-2"]
    bench.at("00:25:20")
    assert {told.person for told in bench.notices()} == {"charge"}


def test_within_the_window_without_an_acceptor_on_duty_the_rung_reached() -> None:
    """Settled, relapsed, nobody had accepted: the rung that had been reached."""
    bench = unattended()
    bench.at("00:15:20")
    mended(bench)
    bench.at("00:17:00")
    bench.assert_settled("pump-1")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": bench.now}])
    bench.at("00:22:10")
    assert [told.person for told in bench.notices(why="relapsed")] == ["charge"]


@pytest.mark.parametrize(("after", "same"), [(30 * MINUTE - 1, True), (30 * MINUTE, False)])
def test_after_the_window_it_is_a_new_concern(after: int, same: bool) -> None:
    """The relapse window is 30 minutes from the settling to the new holding, the end excluded."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    bench.snapshot("pump-1", mains=True)
    settled = bench.now
    bench.until(settled + after - MINUTE)
    bench.snapshot("pump-1", mains=False)
    bench.pass_by("2 min")
    assert len(bench.concerns("pump-1")) == (1 if same else 2)
    bench.assert_told("nurse-1", "relapsed" if same else "raised")


def test_an_accept_answers_all_open_concerns_of_the_pump() -> None:
    """Two concerns of one pump: one accept, both hers; another pump's stays open."""
    bench = Bench(only("unattended", "low-power-unplugged"))
    ringing(bench, mains=False, battery_percent=15)
    ringing(bench, "pump-2")
    bench.at("00:05:12")
    said = bench.accept("nurse-1", "pump-1", "unattended")
    assert said.startswith("You have bay 3 bed 1 (alarm unanswered) and 1 more of the same pump.")
    bench.assert_accepted("pump-1", "nurse-1", "unattended")
    bench.assert_accepted("pump-1", "nurse-1", "low-power-unplugged")
    bench.assert_open("pump-2")


def test_what_is_handed_back_or_taken_over_goes_together() -> None:
    """Who hands back or loses one concern of a pump loses all of it: nobody is left with a code she never got."""
    bench = Bench(only("unattended", "standing-alarm"))
    ringing(bench)
    bench.at("00:05:12")
    bench.accept("nurse-1", "pump-1", "unattended")
    bench.at("00:11:00")
    bench.assert_accepted("pump-1", "nurse-1", "standing-alarm")  # covered, without a page
    assert "and 1 more" in bench.take_over("nurse-2", "pump-1", "unattended")
    bench.assert_accepted("pump-1", "nurse-2", "standing-alarm")
    assert "and 1 more" in bench.hand_back("nurse-2", "pump-1", "unattended")
    bench.assert_open("pump-1", "unattended")
    bench.assert_open("pump-1", "standing-alarm")


def test_a_new_one_of_equal_priority_starts_accepted_without_a_page() -> None:
    """Somebody with her hands on the line is not paged about the same line."""
    bench = Bench(only("unattended", "standing-alarm"))
    ringing(bench)
    bench.at("00:05:12")
    bench.accept("nurse-1", "pump-1")
    bench.at("00:06:00")
    bench.at("00:11:00")
    bench.assert_accepted("pump-1", "nurse-1", "standing-alarm")
    bench.assert_nobody_told()


def test_a_new_one_of_higher_priority_opens() -> None:
    """A higher one is told, to her as well, though she has the pump for something less urgent."""
    bench = Bench(only("unattended", "low-power-unplugged"))
    ringing(bench)
    bench.at("00:05:12")
    bench.accept("nurse-1", "pump-1")
    bench.snapshot("pump-1", mains=False, battery_percent=3)
    bench.at("00:06:20")
    concern = bench.assert_open("pump-1", "low-power-unplugged")
    assert concern.priority == "high"
    bench.assert_told("nurse-1", "raised")


def test_a_raised_priority_does_not_come_with_a_further_condition() -> None:
    """A concern that joins with a higher priority is told as raised, once, not also as "you have this already"."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", inactivation="audio-paused")])
    bench.at("00:06:00")
    bench.snapshot("pump-1", alarms=[FAULT])
    bench.at("00:08:30")
    assert [why for told in bench.notices("nurse-1") for _, why in told.items] == ["priority-raised"]
    bench.assert_open("pump-1")


def test_every_open_concern_has_something_due() -> None:
    """Between any two instants of these stories an open concern has its next instant."""
    bench = unattended()
    for _ in range(60):
        bench.pass_by("1 min")
        concern = bench.concern("pump-1")
        assert concern.state is State.OPEN
        assert concern.due() is not None
        assert concern.due() > bench.now  # type: ignore[operator]

"""When a concern settles, comes back, or is taken together with others of its pump."""

from __future__ import annotations

import pytest

from monitor.core.concerns import State
from monitor.core.instants import MINUTE
from monitor.testing import START, Bench, alarm
from tests.core.stories import FAULT, RINGING, mended, only, ringing, unattended


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

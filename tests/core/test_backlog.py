"""The backlog that is read when the broker is back: true durations, nobody told of what is over, nobody forgotten."""

from __future__ import annotations

from monitor.core.instants import MINUTE, SECOND
from monitor.core.messages import Plan
from monitor.core.site import DeviceEntry
from monitor.testing import START, Bench, alarm
from tests.core.stories import FAULT, RINGING, mended, only, unattended


def reading(bench: Bench) -> bool:
    """Whether the broker's backlog is being read."""
    return bench.engine.sight.catch_up is not None


def backlogged() -> Bench:
    """A feeding pump, the broker gone for 40 min and back: what was kept is about to come."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:01:00")
    bench.link_down()
    bench.at("00:41:00")
    bench.link_up()
    return bench


def test_what_began_and_ended_in_the_backlog_is_recorded_and_not_told() -> None:
    """Durations are true though all came at once: unattended for 10 min, mended, missed; nobody is told."""
    bench = backlogged()
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT], time=START + 5 * MINUTE)
    bench.snapshot("pump-1", activity="feeding", alarms=[], time=START + 15 * MINUTE)
    bench.snapshot("pump-1", time=START + 20 * MINUTE)
    bench.marker_back()
    bench.at("01:00:00")
    assert bench.told == []
    concern = bench.assert_settled("pump-1")
    assert (concern.raised_at, concern.settled_at) == (START + 7 * MINUTE, START + 16 * MINUTE)
    assert [h.event for h in bench.happened if h.concern == concern.id] == ["raised", "settled", "missed"]


def test_a_relapse_in_the_backlog_is_not_told_either() -> None:
    """Told before the loss, over and back and over again in the backlog: one stand-down for the first, no more."""
    bench = unattended()
    mended(bench)
    bench.at("00:06:40")
    bench.assert_settled("pump-1")
    bench.link_down()
    bench.at("00:40:00")
    bench.link_up()
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": None}], time=START + 10 * MINUTE)
    bench.snapshot("pump-1", activity="feeding", alarms=[], time=START + 20 * MINUTE)
    bench.snapshot("pump-1", time=START + 25 * MINUTE)
    bench.marker_back()
    bench.at("00:50:00")
    assert bench.concern("pump-1").times == 2
    bench.assert_settled("pump-1")
    bench.assert_nobody_told()


def test_a_relapse_in_the_backlog_that_is_still_open_is_told_as_one() -> None:
    """Its last acceptor first, and late since it came back, not since it was first raised."""
    bench = unattended()
    bench.accept("nurse-2", "pump-1")
    mended(bench)
    bench.at("00:06:40")
    bench.link_down()
    bench.at("00:40:00")
    bench.link_up()
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING], time=START + 15 * MINUTE)
    bench.snapshot("pump-1", time=START + 39 * MINUTE)
    bench.marker_back()
    bench.at("00:40:10")
    assert [told.person for told in bench.notices()] == ["nurse-2"]
    assert bench.concern("pump-1").late_by == 20 * MINUTE + SECOND  # from 00:20:00, when it held again
    assert "Back again." in bench.assert_told("nurse-2", "relapsed").text


def test_what_is_still_open_is_told_at_once_saying_how_late() -> None:
    """When the backlog ends, not before; with "last seen" and the lateness."""
    bench = backlogged()
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING], time=START + 5 * MINUTE)
    bench.snapshot("pump-1", time=START + 30 * MINUTE)
    bench.pass_by("10 s")
    assert bench.told == []
    bench.silent.add("pump-1")
    bench.marker_back()
    bench.pass_by("6 s")
    text = bench.assert_told("nurse-1", "raised").text
    assert "Told 31 min late." in text
    assert "last seen 22:30" in text  # when that was true, not when it came


def test_a_raised_priority_in_the_backlog_waits_for_its_end() -> None:
    """An open concern that rose and settled within the backlog calls nobody anew; its end is told."""
    bench = unattended()
    bench.pass_by("20 s")
    bench.link_down()
    bench.at("00:08:00")
    bench.link_up()
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")], time=START + 6 * MINUTE)
    bench.snapshot("pump-1", activity="feeding", alarms=[], time=START + 6 * MINUTE + 10 * SECOND)
    bench.snapshot("pump-1", time=START + 7 * MINUTE + 30 * SECOND)
    bench.marker_back()
    bench.at("00:10:00")
    assert {why for told in bench.notices() for _, why in told.items} == {"stand-down"}


def test_a_raised_priority_that_stays_is_told_after_the_backlog() -> None:
    """The acceptor and the higher ladder's first rung, once the backlog is read."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("20 s")
    bench.link_down()
    bench.at("00:08:00")
    bench.link_up()
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")], time=START + 6 * MINUTE)
    bench.snapshot("pump-1", time=START + 7 * MINUTE + 55 * SECOND)
    bench.pass_by("1 s")
    bench.assert_nobody_told()
    bench.marker_back()
    bench.pass_by("1 s")
    assert {told.person for told in bench.notices(why="priority-raised")} == {"nurse-1", "nurse-2"}
    bench.assert_open("pump-1")


def test_expired_waits_make_one_step() -> None:
    """40 min without a broker are one next rung, not three and a round."""
    bench = unattended()
    bench.pass_by("20 s")
    bench.link_down()
    bench.engine.advance(bench.now + 40 * MINUTE)  # as a machine that slept would
    bench.now += 40 * MINUTE
    bench.work()
    bench.pass_by("6 s")
    assert [told.person for told in bench.told if told.items[0][1] == "next-rung"] == ["charge"]


def test_waits_rest_while_the_backlog_is_read() -> None:
    """The accept that was under way when the broker went is read before the next rung is called."""
    bench = unattended()
    concern = bench.concern("pump-1")
    bench.link_down()
    assert concern.wait_at is not None
    bench.until(concern.wait_at - SECOND)
    bench.link_up()
    bench.pass_by("5 s")
    bench.assert_nobody_told()
    bench.button("pump-1", "nurse-1", "accept")
    bench.marker_back()
    bench.pass_by("1 min")
    bench.assert_accepted("pump-1", "nurse-1")
    assert {why for told in bench.notices() for _, why in told.items} <= {"taken"}


def test_it_ends_a_second_after_the_marker_if_nothing_old_comes() -> None:
    """The marker, then 1 s in which nothing older than the tolerance came."""
    bench = backlogged()
    bench.marker_back()
    bench.pass_by("999 ms")
    assert reading(bench)
    bench.snapshot("pump-1", time=START + 5 * MINUTE)  # old: the second starts anew
    bench.pass_by("999 ms")
    assert reading(bench)
    bench.pass_by("1 ms")
    assert not reading(bench)
    said = [h.detail for h in bench.happened if h.event == "caught-up"]
    assert said == [{"took": 1999, "complete": True}]


def test_it_ends_after_a_minute_at_most_and_that_is_said() -> None:
    """Without the marker after 60 s, however much old still comes."""
    bench = backlogged()
    for second in range(59):
        bench.pass_by("1 s")
        bench.snapshot("pump-1", time=START + 5 * MINUTE + second * SECOND)
    assert reading(bench)
    bench.pass_by("1 s")
    assert not reading(bench)
    assert [h.detail["complete"] for h in bench.happened if h.event == "caught-up"] == [False]


def test_it_is_not_complete_while_old_messages_keep_coming() -> None:
    """The marker is back, yet old messages keep coming: after 60 s it ends, and is said not to be complete."""
    bench = backlogged()
    bench.marker_back()
    for number in range(120):
        assert reading(bench)
        bench.snapshot("pump-1", time=START + 5 * MINUTE + number * SECOND)
        bench.pass_by("500 ms")
    assert not reading(bench)
    said = [h.detail for h in bench.happened if h.event == "caught-up"]
    assert said == [{"took": 60_000, "complete": False}]


def test_somebody_elses_marker_ends_nothing() -> None:
    """The marker of an earlier connection is not this one's."""
    bench = backlogged()
    old = bench.marker
    bench.link_down()
    bench.link_up()
    bench.marker, new = old, bench.marker
    bench.marker_back()
    bench.pass_by("10 s")
    assert reading(bench)
    bench.marker = new
    bench.marker_back()
    bench.pass_by("1 s")
    assert not reading(bench)


def test_a_broker_that_flaps_silences_nobody() -> None:
    """Lost again in mid-backlog: what was read so far is told, and waits that came due meanwhile go on."""
    bench = unattended()
    concern = bench.concern("pump-1")
    bench.link_down()
    assert concern.wait_at is not None
    bench.until(concern.wait_at - SECOND)
    bench.link_up()
    bench.snapshot("pump-2", activity="stopped", alarms=[FAULT], time=bench.now - 6 * MINUTE)
    bench.snapshot("pump-2", time=bench.now - 5 * SECOND)
    bench.pass_by("5 s")  # the wait comes due while the backlog is read
    bench.link_down()
    bench.pass_by("10 s")
    bench.assert_told("charge", "next-rung")
    assert bench.assert_open("pump-2").due() is not None
    assert [told.person for told in bench.told if told.items[0][0] == bench.concern("pump-2").id] != []


AT_RISK = Plan((), None, None, None, None, True, None, None, None)


def stop_in_backlog(bench: Bench) -> None:
    """A feed that must not stop was held from 00:05 to 00:25 of the backlog."""
    bench.snapshot("pump-1", activity="held", time=START + 5 * MINUTE)
    bench.snapshot("pump-1", activity="feeding", time=START + 25 * MINUTE)
    bench.snapshot("pump-1", time=START + 39 * MINUTE)


def test_a_stop_at_glucose_risk_in_the_backlog_is_told_once() -> None:
    """To the first rung, saying from when to when; nobody is asked to accept, and nobody is told again."""
    place = DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 1", pager_place="B3/1", plan=AT_RISK)
    bench = Bench(only("stopped-at-glucose-risk", devices={"pump-1": place}))
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:01:00")
    bench.link_down()
    bench.at("00:41:00")
    bench.link_up()
    stop_in_backlog(bench)
    bench.marker_back()
    bench.at("02:00:00")
    concern = bench.assert_settled("pump-1")
    assert sorted((told.person, told.items) for told in bench.told) == [
        (nurse, ((concern.id, "missed"),)) for nurse in ("nurse-1", "nurse-2")
    ]
    page = bench.told[0].text
    assert page.startswith(
        "MISSED HIGH B3/1: feed due, not delivering. Was stopped 22:05-22:25, unseen. Look at"
    )
    assert "Code" not in page


def test_a_stop_without_the_risk_in_the_backlog_is_not_told() -> None:
    """The same feed without a glucose risk: recorded, and told to nobody."""
    place = DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 1", pager_place="B3/1")
    bench = Bench(only("idle-past-limit", devices={"pump-1": place}))
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:01:00")
    bench.link_down()
    bench.at("00:41:00")
    bench.link_up()
    stop_in_backlog(bench)
    bench.marker_back()
    bench.at("02:00:00")
    bench.assert_settled("pump-1")
    assert bench.told == []

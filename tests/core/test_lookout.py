"""Sight: broker and bridges that go and come, and the backlog that is read when they have come back."""

from __future__ import annotations

from monitor.core.instants import MINUTE, SECOND
from monitor.core.messages import Plan, Window
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.site import DeviceEntry
from monitor.testing import START, Bench, alarm
from tests.core.stories import FAULT, RINGING, mended, only, ringing, unattended

RISKY = Plan(
    windows=(Window(0, 0),), target_ml=None, rate_ml_h=None, max_rate_ml_h=None, kcal_per_ml=None,
    glucose_risk=True, feed_kind=None, container_hung=None, set_hung=None,
)  # fmt: skip


def pumps(**risky: bool) -> dict[str, DeviceEntry]:
    """Two listed pumps in elm, one of them at glucose risk if asked for."""
    return {
        name: DeviceEntry(
            id=name,
            unit="elm",
            place=place,
            pager_place=place[-2:],
            plan=RISKY if risky.get(name[-1:]) else None,
        )
        for name, place in (("pump-1", "bay 3 bed 1"), ("pump-2", "bay 3 bed 2"))
    }


def two_pumps(*rules: str, risk: bool = False) -> Bench:
    """One pump feeds, the other is in alarm; both are seen."""
    site = only(*(rules or ("sight-lost", "out-of-sight")), devices=pumps(**({"2": True} if risk else {})))
    bench = Bench(site)
    bench.snapshot("pump-1", activity="feeding")
    bench.snapshot("pump-2", activity="stopped", alarms=[RINGING])
    bench.at("00:10:00")
    return bench


# ---- the broker gone -----------------------------------------------------------------------------


def test_a_lost_broker_is_one_concern_of_the_unit() -> None:
    """After a minute one sight-lost, to the unit's nurses and the technical contact; no pump becomes silent."""
    bench = two_pumps()
    bench.link_down()
    bench.pass_by("59 s")
    bench.assert_nobody_told()
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2", "technical"}
    assert bench.assert_open("unit:elm", "sight-lost").priority == "medium"
    bench.pass_by("2 h")
    assert bench.concerns("pump-1") == bench.concerns("pump-2") == []
    assert len(bench.concerns("unit:elm")) == 1


def test_the_places_and_their_last_troubles_are_listed() -> None:
    """The mail lists each pump with what was wrong when last seen and when that was, the troubled one first."""
    bench = two_pumps()
    bench.carriers["pager"].fails("refused")
    bench.link_down()
    bench.pass_by("90 s")
    text = bench.assert_told("technical", by="mail").text
    lines = [line for line in text.splitlines() if line.startswith("- bay")]
    assert lines == [
        "- bay 3 bed 2: last seen 22:09, stopped by an alarm condition, "
        "in alarm: line blocked after the pump (downstream)",
        "- bay 3 bed 1: last seen 22:09, feeding, no alarm",
    ]


def test_a_broker_that_restarts_within_a_minute_is_nobodys_concern() -> None:
    """Back within the minute: nothing is raised."""
    bench = two_pumps()
    bench.link_down()
    bench.pass_by("30 s")
    bench.link_up()
    bench.marker_back()
    bench.pass_by("5 min")
    bench.assert_nobody_told()
    assert bench.concerns("unit:elm") == []


def test_with_glucose_risk_among_them_it_is_high() -> None:
    """A plan for somebody at glucose risk makes the loss of sight high."""
    bench = two_pumps(risk=True)
    bench.link_down()
    bench.pass_by("61 s")
    assert bench.assert_open("unit:elm").priority == "high"
    bench.assert_told("nurse-1", "raised")


def test_a_listed_pump_that_was_never_heard_of_counts_too() -> None:
    """At a start without a broker the site's own list says whose units are blind, at risk, and where."""
    bench = Bench(only("sight-lost", devices=pumps(**{"2": True})), link=False)
    bench.carriers["pager"].fails("refused")
    bench.at("00:01:10")
    assert bench.assert_open("unit:elm").priority == "high"
    text = bench.assert_told("technical", by="mail").text
    assert "- bay 3 bed 1: not yet seen\n- bay 3 bed 2: not yet seen" in text


def test_a_unit_without_pumps_is_not_affected() -> None:
    """The broker gone, only units that have pumps are told: a ward that has none is not woken."""
    bench = two_pumps()
    bench.link_down()
    bench.pass_by("2 min")
    bench.assert_open("unit:elm")
    assert bench.concerns("unit:oak") == []


def test_the_technical_contact_is_told_though_the_first_rung_is_empty() -> None:
    """Whichever rung is the first to be told, the technical contact hears with it, and not again with the next."""
    rota = Rota([Span("nurse-1", "nurse", "*", 0, START), Span("charge", "charge", "*", 0, FOR_EVER)])
    bench = Bench(only("sight-lost", rota=rota), link=False)
    bench.at("00:01:10")
    assert {told.person for told in bench.notices()} == {"charge", "technical"}
    bench.at("00:11:20")
    assert "technical" not in {told.person for told in bench.notices()}


def test_sight_returns_and_the_unit_is_told() -> None:
    """Once the backlog is read the sight-lost settles, with a stand-down to all who were told."""
    bench = two_pumps()
    bench.link_down()
    bench.pass_by("10 min")
    bench.link_up()
    bench.marker_back()
    bench.pass_by("1 s")
    bench.pass_by("90 s")  # a link that goes again within this time is still the same trouble
    bench.assert_settled("unit:elm")
    bench.pass_by("5 s")
    assert {"nurse-1", "nurse-2", "technical"} <= {told.person for told in bench.notices(why="stand-down")}


def test_silence_counts_anew_when_sight_returns() -> None:
    """A pump that was seen 2 min before the loss has 3 min again from its end: it is not out of sight at once."""
    bench = two_pumps()
    bench.silent |= {"pump-1", "pump-2"}
    bench.link_down()
    bench.pass_by("30 min")
    bench.link_up()
    end = bench.now
    bench.marker_back()
    bench.pass_by("1 s")
    bench.until(end + 3 * MINUTE + SECOND)
    assert bench.concerns("pump-1") == []
    bench.until(end + 3 * MINUTE + 2 * SECOND)
    bench.assert_open("pump-1", "out-of-sight")


def test_deadlines_rest_while_the_broker_is_gone() -> None:
    """An alarm that would be unattended meanwhile is told after the return, if it is still there, saying how late."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:03:00")
    bench.link_down()
    bench.at("00:40:00")
    assert bench.concerns("pump-1") == []
    bench.link_up()
    bench.snapshot("pump-1", time=bench.now - 5 * SECOND)
    bench.marker_back()
    bench.at("00:40:10")
    concern = bench.assert_open("pump-1")
    assert concern.raised_at == START + 5 * MINUTE + SECOND  # rules run on message time
    assert "Told 35 min late." in bench.assert_told("nurse-1", "raised").text


# ---- bridges -------------------------------------------------------------------------------------


def test_a_bridge_that_goes_is_its_units_concern_only() -> None:
    """Pumps of another bridge are seen as before; those of this one rest, and do not become silent."""
    bench = two_pumps("sight-lost", "out-of-sight", "unattended")
    bench.snapshot("pump-3", activity="feeding", unit="oak", bridge="south-1")  # also oak's only pump
    bench.bridge("north-7", online=True)
    bench.bridge("north-7", online=False)
    bench.pass_by("70 s")
    bench.assert_open("unit:elm", "sight-lost")
    assert bench.concerns("unit:oak") == []
    bench.pass_by("30 min")
    assert bench.concerns("pump-1") == []
    bench.bridge("north-7", online=True)
    bench.pass_by("90 s")
    bench.assert_settled("unit:elm")


def test_a_pump_that_appears_behind_a_lost_bridge_is_not_silent() -> None:
    """What the broker had kept of a pump whose bridge is gone: its unit is told, as no deadline of it can fire."""
    bench = Bench(only("sight-lost", "unattended"), reporting=0)
    bench.bridge(online=False)
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.pass_by("70 s")
    bench.assert_open("unit:elm", "sight-lost")
    bench.snapshot("pump-1", bridge="south-1")  # another bridge sees it
    bench.pass_by("90 s")
    bench.assert_settled("unit:elm", "sight-lost")


def test_a_bridges_backlog_is_read_like_the_brokers() -> None:
    """What began and ended in it is not told, what is open is told at its end, with how late."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="feeding")
    bench.snapshot("pump-2", activity="feeding")
    bench.at("00:01:00")
    bench.bridge(online=False)
    bench.at("00:41:00")
    bench.bridge(online=True, backlog=True)
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT], time=START + 5 * MINUTE)
    bench.snapshot("pump-1", activity="feeding", alarms=[], time=START + 15 * MINUTE)
    bench.snapshot("pump-1", time=START + 20 * MINUTE)
    bench.snapshot("pump-2", activity="stopped", alarms=[RINGING], time=START + 5 * MINUTE)
    bench.snapshot("pump-2", time=START + 40 * MINUTE)
    bench.pass_by("20 s")
    assert bench.told == []
    bench.bridge(online=True, backlog=False)
    bench.pass_by("6 s")
    assert {told.items[0][0] for told in bench.told} == {bench.concern("pump-2").id}
    assert "Told 31 min late." in bench.assert_told("nurse-1").text
    bench.assert_settled("pump-1")


def test_the_brokers_backlog_does_not_end_a_bridges() -> None:
    """The broker's backlog is read while a bridge still sends its own: its pumps' deadlines go on resting."""
    bench = Bench(only("unattended"), reporting=0)
    ringing(bench)
    bench.at("00:01:00")
    bench.link_down()
    bench.at("00:30:00")
    bench.bridge(online=True, backlog=True)
    bench.link_up()
    bench.marker_back()
    bench.pass_by("2 s")
    assert bench.engine.sight.catch_up is None
    assert bench.concerns("pump-1") == []
    bench.snapshot("pump-1", activity="feeding", alarms=[], time=START + 3 * MINUTE)
    bench.bridge(online=True, backlog=False)
    bench.at("00:40:00")
    assert bench.concerns("pump-1") == []


def test_a_bridges_backlog_ends_after_a_minute_at_most() -> None:
    """A bridge that never says that its backlog is read does not keep its pumps from being told; nor over a restart."""
    for restarted in (False, True):
        bench = Bench(only("unattended"))
        bench.snapshot("pump-1", activity="feeding")
        bench.bridge(online=True, backlog=True)
        bench.snapshot("pump-1", activity="stopped", alarms=[FAULT], time=START)
        if restarted:
            bench.restart()
        bench.at("00:01:01")
        assert "backlog-unfinished" in [h.event for h in bench.happened]
        bench.at("00:02:40")
        bench.assert_open("pump-1")


def test_silence_that_counts_anew_does_so_after_a_restart_too() -> None:
    """The new start of a pump's silence, as its bridge came back, is stored."""
    bench = Bench(only("out-of-sight"), reporting=0)
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:02:00")
    bench.bridge(online=True)
    bench.bridge(online=False)
    bench.at("00:10:00")
    bench.bridge(online=True)
    bench.restart()
    bench.at("00:13:01")
    assert bench.concerns("pump-1") == []
    bench.at("00:13:02")
    bench.assert_open("pump-1")


def test_a_start_waits_for_what_is_about_to_come() -> None:
    """After 40 min down the waits that ran out are not told before the broker's backlog has been read."""
    bench = unattended()
    bench.now += 40 * MINUTE
    told = len(bench.told)
    bench.restart(link=False)
    bench.pass_by("2 s")
    assert len(bench.told) == told
    bench.link_up()
    mended(bench)
    bench.snapshot("pump-1", time=bench.now)
    bench.button("pump-1", "nurse-1", "accept")
    bench.marker_back()
    bench.pass_by("10 s")
    bench.assert_accepted("pump-1", "nurse-1")
    assert not [t for t in bench.told[told:] if t.items[0][1] == "next-rung"]


def test_a_start_without_a_broker_waits_a_minute_at_most() -> None:
    """No broker for a minute after the start: who was waited for is waited for no longer."""
    bench = unattended()
    bench.now += 40 * MINUTE
    bench.restart(link=False)
    bench.pass_by("59 s")
    bench.assert_not_told("charge")
    bench.pass_by("10 s")
    bench.assert_told("charge", "next-rung")


def test_a_changed_unit_rule_does_not_ring_for_ever() -> None:
    """A sight-lost open while its threshold changes over a restart settles when sight is back."""
    bench = two_pumps("sight-lost")
    bench.link_down()
    bench.pass_by("5 min")
    bench.assert_open("unit:elm")
    site = only("sight-lost", devices=pumps(), thresholds={"sight-lost": {"patience": "2 min"}})
    bench.restart(site, link=False)
    bench.pass_by("1 min")
    bench.assert_open("unit:elm")
    bench.link_up()
    bench.marker_back()
    bench.pass_by("92 s")
    bench.assert_settled("unit:elm")


def test_a_bridge_that_flaps_silences_nobody() -> None:
    """Online 3 s, offline 1 s, over and over, with a high alarm standing: it is told, and so is the loss of sight."""
    bench = Bench(only("sight-lost", "unattended"), reporting=0)
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("device-fault", priority="high")])
    bench.bridge(online=True)
    for _ in range(60):
        bench.bridge(online=False)
        bench.pass_by("1 s")
        bench.bridge(online=True)
        bench.pass_by("3 s")
    bench.assert_open("unit:elm", "sight-lost")
    bench.assert_open("pump-1", "unattended")


def test_sight_that_goes_every_three_minutes_does_not_put_silence_off() -> None:
    """The silence of a pump counts anew from the first return, not from each of them."""
    bench = Bench(only("out-of-sight"), reporting=0)
    bench.snapshot("pump-1", activity="feeding")
    bench.bridge(online=True)
    for _ in range(4):
        bench.bridge(online=False)
        bench.pass_by("5 s")
        bench.bridge(online=True)
        bench.pass_by("2 min 50 s")
    bench.assert_open("pump-1", "out-of-sight")


def test_a_second_long_loss_soon_after_the_first_makes_no_pump_silent() -> None:
    """A bridge that is gone for 4 min, again and again, is its unit's trouble, not that of each pump behind it."""
    bench = Bench(only("out-of-sight"), reporting=0)
    bench.snapshot("pump-1", activity="feeding")
    bench.bridge(online=True)
    for _ in range(2):
        bench.bridge(online=False)
        bench.pass_by("4 min")
        bench.bridge(online=True)
        bench.pass_by("30 s")
    assert bench.concerns("pump-1") == []


def test_a_start_is_no_loss_of_sight() -> None:
    """Started three times within two minutes, the broker there each time: no unit was blind for a minute."""
    bench = two_pumps("sight-lost")
    for _ in range(3):
        bench.restart(link=False)
        bench.link_up()
        bench.marker_back()
        bench.pass_by("66 s")
    bench.pass_by("5 min")
    assert not bench.concerns("unit:elm")


def test_a_start_without_a_broker_is_a_loss_of_sight() -> None:
    """Started, and the broker is found to be gone: told a minute later; if nothing is found out, after two."""
    for says_so in (True, False):
        bench = two_pumps("sight-lost")
        bench.restart(link=False)
        if says_so:
            bench.link_down()
        bench.pass_by("59 s" if says_so else "119 s")
        assert not bench.concerns("unit:elm")
        bench.pass_by("2 s")
        bench.assert_open("unit:elm", "sight-lost")

"""The physics of one pump, held against closed forms worked out here from its constants."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.hardware import Hardware
from simulators.pump import Pump

HOUR = 3_600_000
MINUTE = 60_000


def feeding(hardware: Hardware | None = None, **numbers: Any) -> Pump:
    """Return a pump that began to feed at 0."""
    pump = Pump(hardware or Hardware(), at=0, **({"rate_ml_h": 85.0} | numbers))
    pump.start(0)
    return pump


def activity(pump: Pump) -> str:
    """Return what it is doing; a function, so that no earlier answer is remembered."""
    return pump.activity


def sounds(pump: Pump) -> list[str]:
    """Return the inactivation of each active alarm condition."""
    return [alarm.inactivation for alarm in pump.alarms]


def conditions(pump: Pump) -> list[str]:
    """Return the names of the active alarm conditions."""
    return [alarm.condition for alarm in pump.alarms]


@given(rate=st.floats(1, 400), minutes=st.integers(1, 120))
def test_delivers_rate_times_time(rate: float, minutes: int) -> None:
    """Delivered volume is rate × time as long as nothing is in the way."""
    pump = feeding(rate_ml_h=rate)
    pump.advance(minutes * MINUTE)
    assert pump.delivered_ml(minutes * MINUTE) == pytest.approx(rate * minutes / 60)
    assert pump.container_ml(minutes * MINUTE) == pytest.approx(1000 - rate * minutes / 60)


@given(cuts=st.lists(st.integers(0, 9 * HOUR), max_size=30))
def test_how_finely_time_is_cut_makes_no_difference(cuts: list[int]) -> None:
    """Stepping through any instants in between ends in exactly the same reading."""

    def night() -> Pump:
        pump = feeding(container_ml=500.0, mains=False, health=0.4, target_ml=900.0)
        pump.block(0, "downstream")
        return pump

    whole, cut = night(), night()
    for at in sorted(cuts):
        cut.advance(at)
    whole.advance(9 * HOUR)
    cut.advance(9 * HOUR)
    assert cut.reading(9 * HOUR) == whole.reading(9 * HOUR)


@given(rate=st.floats(5, 400), limit=st.floats(20, 200), compliance=st.floats(0.002, 0.05))
def test_time_to_occlusion_alarm(rate: float, limit: float, compliance: float) -> None:
    """A blocked line alarms after compliance × limit ÷ rate, so sooner at a higher rate."""
    hardware = Hardware(downstream_alarm_kpa=limit, downstream_compliance_ml_per_kpa=compliance)
    pump = feeding(hardware, rate_ml_h=rate)
    pump.block(10_000, "downstream")
    due = pump.next_at()
    assert due is not None
    assert due - 10_000 == pytest.approx(compliance * limit / rate * HOUR, abs=1)
    pump.advance(due - 1)
    assert conditions(pump) == []
    pump.advance(due)
    assert conditions(pump) == ["downstream-occlusion"]
    assert pump.alarms[0].since == due
    assert activity(pump) == "stopped"


def test_upstream_occlusion_has_its_own_limit() -> None:
    """Suction on the container's side alarms at its own limit: 0.008 mL/kPa × 60 kPa ÷ 96 mL/h = 18 s."""
    pump = feeding(rate_ml_h=96.0)
    pump.block(0, "upstream")
    pump.advance(17_999)
    assert conditions(pump) == []
    pump.advance(18_000)
    assert conditions(pump) == ["upstream-occlusion"]


def test_an_occluded_line_holds_back_what_the_pump_counts() -> None:
    """The number on the pump includes 1 mL (0.01 mL/kPa × 100 kPa) that the person gets once it is open."""
    pump = feeding()
    pump.block(0, "downstream")
    pump.advance(HOUR)
    assert pump.delivered_ml(HOUR) == pytest.approx(1.0, abs=0.0001)
    assert pump.received_ml(HOUR) == pytest.approx(0.0, abs=0.0001)
    pump.unblock(HOUR, "downstream")
    assert pump.received_ml(HOUR) == pytest.approx(1.0, abs=0.0001)


def test_cleared_without_mending_it_blocks_again() -> None:
    """Clearing takes the alarm, not the cause: after a restart the pressure builds up once more."""
    pump = feeding(rate_ml_h=90.0)
    pump.block(0, "downstream")
    pump.advance(40_000)  # 1 mL at 90 mL/h
    pump.clear(60_000)
    assert activity(pump) == "held"
    assert conditions(pump) == []
    pump.start(70_000)
    pump.advance(110_000)
    assert [(alarm.condition, alarm.since) for alarm in pump.alarms] == [("downstream-occlusion", 110_000)]


def test_audio_pause_comes_back_after_exactly_two_minutes() -> None:
    """A muted alarm is audio-paused up to, and sounds again at, mute + 120 s; its onset never moves."""
    pump = feeding(rate_ml_h=90.0)
    pump.block(0, "downstream")
    pump.advance(40_000)
    pump.mute(65_432)
    assert sounds(pump) == ["audio-paused"]
    pump.advance(65_432 + 119_999)
    assert sounds(pump) == ["audio-paused"]
    pump.advance(65_432 + 120_000)
    assert sounds(pump) == ["enabled"]
    assert pump.alarms[0].since == 40_000


def test_container_runs_empty_and_is_replaced() -> None:
    """100 mL at 50 mL/h are gone after two hours; a full container and a restart go on counting."""
    pump = feeding(rate_ml_h=50.0, container_ml=100.0)
    pump.advance(2 * HOUR - 1)
    assert activity(pump) == "feeding"
    pump.advance(2 * HOUR)
    assert (activity(pump), conditions(pump)) == ("stopped", ["container-empty"])
    pump.clear(2 * HOUR)
    pump.start(2 * HOUR)
    assert conditions(pump) == ["container-empty"]  # started empty, it stops at the same instant
    pump.replace_container(2 * HOUR, 1000.0)
    pump.clear(2 * HOUR)
    pump.start(2 * HOUR)
    assert pump.delivered_ml(3 * HOUR) == pytest.approx(150.0)


def test_finishes_at_its_target() -> None:
    """240 mL at 80 mL/h are delivered, exactly, after three hours; then it stands finished."""
    pump = feeding(rate_ml_h=80.0, target_ml=240.0)
    pump.advance(9 * HOUR)
    assert (activity(pump), conditions(pump)) == ("finished", ["delivery-complete"])
    assert pump.alarms[0].since == 3 * HOUR
    assert pump.delivered_ml(9 * HOUR) == 240.0


def test_left_held_it_gives_the_inactivity_alarm() -> None:
    """Held without a restart, it alarms after the configured time, and a restart ends that."""
    pump = feeding(Hardware(inactivity_alarm_min=10.0))
    pump.hold(5 * MINUTE)
    pump.advance(15 * MINUTE - 1)
    assert conditions(pump) == []
    pump.advance(15 * MINUTE)
    assert conditions(pump) == ["inactivity"]
    pump.start(20 * MINUTE)
    assert (activity(pump), conditions(pump)) == ("feeding", [])


def test_flush_and_priming_take_their_volume_over_their_flow() -> None:
    """A 30 mL flush at 600 mL/h takes 3 min and feeds on; 15 mL of priming take 90 s and end idle."""
    pump = feeding(rate_ml_h=60.0)
    pump.flush(HOUR, 30.0)
    assert activity(pump) == "flushing"
    pump.advance(HOUR + 3 * MINUTE)
    assert activity(pump) == "feeding"
    assert pump.delivered_ml(HOUR + 3 * MINUTE) == pytest.approx(60.0)  # water does not count as feed
    pump.hold(2 * HOUR)
    pump.prime(2 * HOUR)
    assert activity(pump) == "priming"
    pump.advance(2 * HOUR + 90_000)
    assert activity(pump) == "idle"
    assert pump.container_ml(2 * HOUR + 90_000) == pytest.approx(1000 - 117 - 15)


def test_an_occlusion_in_a_flush_belongs_to_the_flush_line() -> None:
    """What alarms while water runs is told of the flush line."""
    pump = feeding()
    pump.block(0, "downstream")
    pump.flush(1, 30.0)
    pump.advance(10_000)
    assert [(alarm.condition, alarm.line) for alarm in pump.alarms] == [("downstream-occlusion", "flush")]


def test_battery_life_is_charge_over_load() -> None:
    """Low, depleted and off come when the mAh say so: 320 mAh, 45 + 90 + 0.3 × 80 = 159 mA feeding."""
    hardware = Hardware(battery_low_percent=15.0, battery_depleted_percent=3.0)
    pump = feeding(hardware, rate_ml_h=80.0, mains=False, health=0.16)
    low = 320 * 0.85 / 159 * HOUR
    depleted = 320 * 0.97 / 159 * HOUR
    off = depleted + 320 * 0.03 / 45 * HOUR  # the drive stops, the electronics go on
    pump.advance(4 * HOUR)
    assert activity(pump) == "off"
    onsets = _onsets(feeding(hardware, rate_ml_h=80.0, mains=False, health=0.16), 4 * HOUR)
    assert onsets["battery-low"] == pytest.approx(low, abs=1)
    assert onsets["battery-depleted"] == pytest.approx(depleted, abs=1)
    assert onsets["off"] == pytest.approx(off, abs=2)


def test_mains_charges_and_ends_the_battery_alarms() -> None:
    """700 mA for 30 min put 350 mAh back, up to what the battery holds; the pump waits to be restarted."""
    pump = feeding(rate_ml_h=80.0, mains=False, health=0.16)
    pump.advance(int(320 * 0.98 / 159 * HOUR))
    assert conditions(pump) == ["battery-low", "battery-depleted"]
    plugged = 2 * HOUR
    pump.plug(plugged)
    before = pump.battery.charge_mah(plugged)
    assert (activity(pump), conditions(pump)) == ("held", [])
    assert pump.battery.charge_mah(plugged + 6 * MINUTE) == pytest.approx(before + 70)
    assert pump.battery.charge_mah(plugged + HOUR) == 320.0


@given(phase=st.floats(0, 6.28), step=st.sampled_from([1, 5]))
def test_the_gauge_errs_a_little_and_in_whole_steps(phase: float, step: int) -> None:
    """What it shows is a whole step, never further from the charge than its error and half a step."""
    hardware = Hardware(gauge_step_percent=step, gauge_error_percent=2.0)
    pump = feeding(hardware, mains=False, health=0.2, gauge_phase=phase)
    for at in range(0, 2 * HOUR, 7 * MINUTE):
        pump.advance(at)
        shown = pump.reading(at).battery_percent
        true = pump.battery.charge_mah(at) / pump.battery.capacity_mah * 100
        assert shown % step == 0
        assert abs(shown - true) <= 2.0 + step / 2 + 1e-9


def test_a_fault_comes_back_until_it_is_repaired() -> None:
    """Clearing and restarting does not help against a fault; repairing does."""
    pump = feeding()
    pump.break_down(1_000, "drive-fault", "high")
    pump.clear(2_000)
    pump.start(3_000)
    assert (activity(pump), conditions(pump)) == ("stopped", ["drive-fault"])
    pump.repair(4_000)
    pump.clear(4_000)
    pump.start(5_000)
    assert (activity(pump), conditions(pump)) == ("feeding", [])


def test_switched_off_it_is_silent() -> None:
    """Off, nothing happens by itself any more."""
    pump = feeding()
    pump.block(0, "downstream")
    pump.advance(HOUR)
    pump.switch_off(HOUR)
    assert (activity(pump), conditions(pump), pump.next_at()) == ("off", [], None)


def _onsets(pump: Pump, until: int) -> dict[str, int]:
    """Step event by event and note when each alarm began, and when it switched itself off."""
    onsets: dict[str, int] = {}
    while (due := pump.next_at()) is not None and due <= until:
        pump.advance(due)
        for alarm in pump.alarms:
            onsets.setdefault(alarm.condition, alarm.since)
        if pump.activity == "off":
            onsets["off"] = due
    return onsets


def test_pressure_already_built_up_counts() -> None:
    """Half of the 1 mL stored by feeding at 90 mL/h for 20 s; a flush at 600 mL/h fills the rest in 3 s."""
    pump = feeding(rate_ml_h=90.0)
    pump.block(0, "downstream")
    pump.flush(20_000, 30.0)
    pump.advance(22_999)
    assert conditions(pump) == []
    pump.advance(23_000)
    assert conditions(pump) == ["downstream-occlusion"]

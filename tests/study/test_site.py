"""The site of a study night: who is told, when, about which pumps."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.core.instants import HOUR, MINUTE, SECOND
from monitor.core.rota import Rota
from monitor.settings import load as load_settings
from monitor.study.site import LADDERS, first_rung, hole_in, site_of
from simulators.worlds import load
from tests.study.nights import strategy

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.parametrize("setting", ["ward", "home"])
def test_ladders_are_those_of_the_sample_site_files(setting: str) -> None:
    """What is studied is what a site begins with; low tells its first rung and nobody after it."""
    sample = load_settings(CONFIG / f"{setting}.toml", key=b"").site.ladders
    for (unit, priority), ladder in LADDERS[setting].items():
        known = sample[unit, priority]
        assert [rung.tell for rung in ladder.rungs] == [rung.tell for rung in known.rungs]
        assert ladder.repeat == known.repeat
        if priority != "low":
            assert ladder == known


def test_a_ward() -> None:
    """Each unit has its nurse, who is second nurse of the other; the charge nurse is for both."""
    world = load("ward")
    scenario = world.scenario(1)
    site = site_of(world.set("rota.hole", 0.0), scenario, strategy("Second Bell as shipped"))
    at = scenario.start_ms
    assert first_rung("ward", site.units) == ("nurse-1", "nurse-2")
    assert site.rota.on_duty("elm", "nurse", at) == ("nurse-1",)
    assert site.rota.on_duty("rowan", "nurse", at) == ("nurse-2",)
    assert site.rota.on_duty("elm", "second-nurse", at) == ("nurse-2",)
    assert site.rota.on_duty("rowan", "charge", at) == ("charge",)
    assert site.times.reporting == 60 * SECOND
    assert set(site.devices) == {pump.id for pump in scenario.pumps}


def test_a_home_service() -> None:
    """One on-call nurse and a back-up for all units, and the longer patience for homes."""
    world = load("homes")
    scenario = world.scenario(1)
    site = site_of(world.set("rota.hole", 0.0), scenario, strategy("Second Bell as shipped"))
    at = scenario.start_ms
    assert site.setting == "home"
    assert first_rung("home", site.units) == ("on-call",)
    for unit in site.units:
        assert site.rota.on_duty(unit, "on-call", at) == ("on-call",)
        assert site.rota.on_duty(unit, "back-up", at) == ("back-up",)
    assert site.times.reporting == 5 * MINUTE
    out_of_sight = next(rule for rule in site.rules_for(site.units[0], "pump") if rule.id == "out-of-sight")
    assert out_of_sight.thresholds["patience"].number == 15 * MINUTE


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_plans_are_those_of_the_world(name: str) -> None:
    """Windows in minutes of the local day, target, rates and risk as the pump's plan says."""
    world = load(name)
    scenario = world.scenario(2)
    site = site_of(world, scenario, strategy("Second Bell as shipped"))
    planned = [pump for pump in scenario.pumps if pump.windows]
    assert planned
    for pump in planned:
        plan = site.devices[pump.id].plan
        assert plan is not None
        assert len(plan.windows) == len(pump.windows)
        (begin, _), window = pump.windows[0], plan.windows[0]
        assert window.start_min == int(begin[:2]) * 60 + int(begin[3:])
        assert (plan.target_ml, plan.rate_ml_h) == (pump.target_ml, pump.rate_ml_h)
        assert (plan.max_rate_ml_h, plan.glucose_risk) == (pump.highest_rate_ml_h, pump.glucose_risk)


@pytest.mark.parametrize(("name", "role"), [("ward", "nurse"), ("homes", "on-call")])
def test_on_some_nights_the_first_rung_is_empty_for_a_while(name: str, role: str) -> None:
    """Whoever is away is away altogether, inside the night, for the time that the figure says."""
    world = load(name).set("rota.hole", 1.0)
    for seed in range(20):
        scenario = world.scenario(seed)
        begin, end = world.night(scenario)
        hole = hole_in(world.rota, scenario, world.setting, (begin, end))
        assert hole is not None
        assert begin <= hole.start < hole.end <= end
        assert hole.end - hole.start == round(world.rota.hole_min.value * MINUTE)
        rota: Rota = site_of(world, scenario, strategy("Second Bell as shipped")).rota
        unit = scenario.units[0] if hole.unit == "*" else hole.unit
        assert rota.on_duty(unit, role, hole.start - 1) == (hole.person,)
        assert rota.on_duty(unit, role, hole.start) == ()
        assert rota.on_duty(unit, role, hole.end) == (hole.person,)
        assert not rota.is_on_duty(hole.person, hole.start)
        assert end - begin == 12 * HOUR


def test_holes_are_as_frequent_as_the_figure_says() -> None:
    """A share of nights, the same for the same seed."""
    world = load("ward").set("rota.hole", 0.25)
    scenarios = [world.scenario(1).model_copy(update={"seed": seed}) for seed in range(1000)]
    night = world.night(scenarios[0])
    holes = [hole_in(world.rota, scenario, world.setting, night) for scenario in scenarios]
    assert sum(hole is not None for hole in holes) / 1000 == pytest.approx(
        0.25, abs=0.055
    )  # 4 standard errors
    assert holes == [hole_in(world.rota, scenario, world.setting, night) for scenario in scenarios]

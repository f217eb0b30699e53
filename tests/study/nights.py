"""Short nights for the tests of the study: a few pumps, a script, and people who always answer."""

from __future__ import annotations

from monitor.study.strategies import Strategy, shipped_strategies
from simulators import scenario
from simulators.scenario import Scenario
from simulators.worlds import WorldFile, load

CERTAIN = {
    "people.answer_sigma": 0.0,
    "people.slower_per_notice": 0.0,
    "people.never": 0.0,
    "people.comes_sigma": 0.0,
    "people.comes_never": 0.0,
    "carriers.fails": 0.0,
    "carriers.outage": 0.0,
    "rota.hole": 0.0,
}


def certain(name: str = "ward", **more: float) -> WorldFile:
    """A shipped world in which people and carriers do as the median does; `more` are figures of people."""
    world = load(name)
    for figure, value in {**CERTAIN, **{f"people.{key}": number for key, number in more.items()}}.items():
        world = world.set(figure, value)
    return world


def strategy(name: str) -> Strategy:
    """A shipped strategy."""
    return next(one for one in shipped_strategies() if one.name == name)


def scripted(happenings: str, *, pumps: int = 2, hours: float = 12) -> Scenario:
    """A quiet ward in which only what is scripted happens, from 20:00 on."""
    listed = "".join(
        f"""
[[pumps]]
id = "pump-{number}"
place = "bed {number}"
unit = "{("elm", "rowan")[number % 2]}"
rate_ml_h = 80
"""
        for number in range(1, pumps + 1)
    )
    return scenario.parse(
        f"""
name = "scripted"
seed = 5
site = "larkfield"
start = 2026-03-01T20:00:00Z
hours = {hours}
units = ["elm", "rowan"]
bridges = ["north-7"]
{listed}
{happenings}
"""
    )


BLOCKED = """
[[happenings]]
at = "22:00"
what = "line-blocks"
pump = "pump-1"
carer = "nobody"
found_min = 240
"""

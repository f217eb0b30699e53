"""A made-up study with everything in it, for the tests of what shows it."""

from __future__ import annotations

from functools import cache

from monitor.study.asked import Asked, asked
from monitor.study.findings import Findings, findings_of
from monitor.study.night_record import Missed
from tests.study.made_up import chance_night, night

SEEDS = range(1, 7)
HOSTILE = "<script>alert(1)</script>"


@cache
def study() -> Findings:
    """Both shipped worlds, all shipped strategies, six made-up nights; two troubles were missed."""
    wanted: Asked = asked(worlds=["ward", "homes"], seeds=SEEDS)
    there = {
        (world.name, strategy.name, seed): chance_night(world.name, strategy.name, seed)
        for world in wanted.worlds
        for strategy in wanted.strategies
        for seed in SEEDS
    }
    missed = tuple(
        Missed(device=device, kind=kind, needed_from=1, ended=None)
        for device, kind in (("pump-0007", "out of sight"), (HOSTILE, HOSTILE))
    )
    key = ("ward", "Second Bell as shipped", 3)
    there[key] = there[key].model_copy(update={"missed": missed})
    return findings_of(wanted, there, played=20, seconds=4.0, messages=80_000)


@cache
def one_night() -> Findings:
    """One world and one night, strategies side by side alone, in which all went well."""
    wanted = asked(worlds=["ward"], seeds=range(5, 6), only=["main"])
    there = {("ward", one.name, 5): night(5, one.name) for one in wanted.chosen}
    return findings_of(wanted, there, played=0, seconds=0.1, messages=0)

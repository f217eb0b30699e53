"""Scenarios: the shipped ones load, overrides work, and what is wrong is told exactly."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulators import ScenarioError, load, names
from simulators.scenario import parse

SMALL = """
name = "small"
seed = 1
site = "larkfield"
units = ["elm"]
start = 2026-03-14T22:00:00+01:00
hours = 2
bridges = ["north-7"]
"""
ONE_PUMP = '[[pumps]]\nid = "pump-0001"\nplace = "bay 1 bed 1"\n'


def problems(text: str) -> list[tuple[str, str, str]]:
    """Return file, key and value of each thing wrong with *text*."""
    with pytest.raises(ScenarioError) as caught:
        parse(text, file="mine.toml")
    return [(one.file, one.key, one.value) for one in caught.value.problems]


def test_the_shipped_scenarios_load() -> None:
    """Each shipped name loads under its own name."""
    assert {"demo-night", "home-nights", "quiet-ward"} <= set(names())
    assert [load(name).name for name in names()] == names()


def test_a_path_loads_too(tmp_path: Path) -> None:
    """A file of one's own is as good as a shipped one."""
    file = tmp_path / "mine.toml"
    file.write_text(SMALL + ONE_PUMP, encoding="utf-8")
    assert load(file).pumps[0].place == "bay 1 bed 1"


def test_an_unknown_name_lists_the_known_ones() -> None:
    """Who mistypes a name is shown what there is."""
    with pytest.raises(ScenarioError, match=r"demo-nihgt.*demo-night"):
        load("demo-nihgt")


def test_everything_wrong_is_told_at_once() -> None:
    """Each problem names file, key and value."""
    text = SMALL.replace("hours = 2", "hours = -2").replace('site = "larkfield"', 'site = "lark field"')
    text += ONE_PUMP + 'rate_ml_h = "fast"\ncolour = "red"\n'
    assert problems(text) == [
        ("mine.toml", "site", "'lark field'"),
        ("mine.toml", "hours", "-2"),
        ("mine.toml", "pumps.0.rate_ml_h", "'fast'"),
        ("mine.toml", "pumps.0.colour", "'red'"),
    ]


@pytest.mark.parametrize(
    ("addition", "key"),
    [
        ('[[happenings]]\nat = "25:00"\nwhat = "flush"\npump = "pump-0001"\n', "happenings.0.flush.at"),
        ('[[happenings]]\nat = "23:00"\nwhat = "explodes"\npump = "pump-0001"\n', "happenings.0"),
        ('[[happenings]]\nat = "23:00"\nwhat = "flush"\npump = "pump-0002"\n', "(scenario)"),
        ("[generate]\ncount = -1\n", "generate.count"),
        ("[hardware]\nbattery_mah = nan\n", "hardware.battery_mah"),
        ("[carers]\nmutes_first = 1.5\n", "carers.mutes_first"),
        ("[background.mix]\nhiccups = 3\n", "background.mix.hiccups.[key]"),
        (ONE_PUMP, "(scenario)"),
        ('[[pumps]]\nid = "pump-0003"\nplace = "x"\nunit = "bridge"\n', "(scenario)"),
        ('[[pumps]]\nid = "pump-0003"\nplace = "x"\nbridge = "south-9"\n', "(scenario)"),
    ],
)
def test_each_kind_of_mistake_is_found(addition: str, key: str) -> None:
    """A wrong time, word, name or number is found where it stands."""
    assert [found for _, found, _ in problems(SMALL + ONE_PUMP + addition)] == [key]


@pytest.mark.parametrize("text", ["= 3", "pumps = 3", 'pumps = ["a"]', "happenings = 3", "units = 3", ""])
def test_nonsense_is_a_named_problem(text: str) -> None:
    """Whatever is written, the answer is a list of problems, not a crash."""
    assert problems(text)


def test_fewer_pumps_leave_out_the_last_and_their_happenings() -> None:
    """Nothing happens to a pump that is not there."""
    scenario = load("demo-night", pumps=4)
    assert [pump.id for pump in scenario.pumps] == ["pump-0101", "pump-0102", "pump-0103", "pump-0104"]
    assert {getattr(one, "pump", None) for one in scenario.happenings} == {"pump-0102", "pump-0104"}


def test_more_pumps_are_generated_from_seed_and_id() -> None:
    """The thirteenth pump is the same however many follow, and another under another seed."""
    few, many = load("demo-night", pumps=13), load("demo-night", pumps=300)
    assert len(many.pumps) == len({pump.id for pump in many.pumps}) == 300
    assert few.pumps == many.pumps[:13]
    assert load("demo-night", pumps=13, seed=2).pumps[12] != few.pumps[12]


def test_times_of_day_are_in_the_scenarios_own_zone() -> None:
    """22:30 is half an hour after a start at 22:00+01:00, and 21:00 comes round 23 h after it."""
    scenario = parse(SMALL + ONE_PUMP)
    assert scenario.start_ms == 1_773_522_000_000  # 2026-03-14T21:00:00Z
    assert scenario.offset_ms("22:30") == 30 * 60_000
    assert scenario.offset_ms("21:00") == 23 * 3_600_000
    assert scenario.offset_ms("22:00:05", day=2) == 48 * 3_600_000 + 5_000

"""What a study is asked for: worlds, strategies, figures changed, and what is left to play."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.study.asked import asked, put_aside
from monitor.study.summing import NOBODY, SHIPPED
from tests.study.made_up import night
from tests.study.small import few_strategies, small_world


def test_without_a_word_it_is_a_month_of_all_there_is() -> None:
    """Both shipped worlds, all shipped strategies, 30 seeds."""
    wanted = asked()
    assert sorted(world.name for world in wanted.worlds) == ["homes", "ward"]
    assert wanted.chosen == wanted.strategies
    assert list(wanted.seeds) == list(range(1, 31))
    assert wanted.nights == 60 * len(wanted.strategies)


@pytest.mark.parametrize(
    ("only", "groups"),
    [(["main"], {"side by side"}), (["rules"], {"left out"}), (["rules", "sweeps"], {"left out", "sweep"})],
)
def test_only_some_and_what_all_are_held_against(only: list[str], groups: set[str]) -> None:
    """Nobody told and as shipped are always there; the header names all, so that others can follow in the same file."""
    wanted = asked(only=only)
    names = {strategy.name for strategy in wanted.chosen}
    assert names >= {NOBODY, SHIPPED}
    assert {strategy.group for strategy in wanted.chosen if strategy.name not in (NOBODY, SHIPPED)} == groups
    assert wanted.header() == asked().header()


def test_what_is_there_is_left_out_seed_by_seed() -> None:
    """A task for each seed and world of which something is missing, with what need not be played."""
    wanted = asked(worlds=["ward", "homes"], only=["main"], seeds=range(4, 6))
    names = [strategy.name for strategy in wanted.chosen]
    there = {("ward", name, 4): night(4, name) for name in names} | {
        ("homes", NOBODY, 5): night(5, NOBODY, "homes")
    }
    assert [(task.world, task.seed, task.skip) for task in wanted.tasks(there)] == [
        ("homes", 4, frozenset()),
        ("ward", 5, frozenset()),
        ("homes", 5, frozenset({NOBODY})),
    ]


def test_a_changed_figure_is_changed_in_each_world_that_has_it() -> None:
    """And it is another study: of other digests, with the change in its settings."""
    plain, other = asked(), asked(changed=["people.never = 0.2", "rota.hole=0"])
    for world in other.worlds:
        assert (world.figures["people.never"].value, world.figures["rota.hole"].value) == (0.2, 0)
    assert other.settings == {"set 1": "people.never = 0.2", "set 2": "rota.hole=0"}
    assert set(other.header().worlds.values()).isdisjoint(plain.header().worlds.values())


def test_all_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    """Two worlds that are none, two of one name; three figures that cannot be."""
    with pytest.raises(ProblemsFound) as caught:
        asked(worlds=["nowhere", str(small_world(tmp_path, "ward")), "ward", "elsewhere"])
    assert [(problem.file, problem.key) for problem in caught.value.problems] == [
        ("nowhere", "WORLD"), ("ward", "name"), ("elsewhere", "WORLD"),
    ]  # fmt: skip
    with pytest.raises(ProblemsFound) as caught:
        asked(changed=["never", "people.never=x", "people.never=2"])
    assert len(caught.value.problems) == 3


def test_the_same_world_twice_is_one() -> None:
    """Named by mistake."""
    assert len(asked(worlds=["ward", "ward"]).worlds) == 1


def test_a_site_is_one_more_strategy(tmp_path: Path) -> None:
    """With its thresholds; those of its units and devices are put aside by name, as pumps are invented."""
    from monitor.shipped import shipped

    text = (shipped("config") / "ward.toml").read_text(encoding="utf-8")
    (tmp_path / "site.toml").write_text(text)
    wanted = asked(strategies=few_strategies(tmp_path), site=tmp_path / "site.toml")
    assert len(wanted.strategies) == 4
    assert wanted.settings["site"] == wanted.strategies[-1].name
    assert all(said.startswith(("unit ", "device ")) for said in put_aside(tmp_path / "site.toml"))

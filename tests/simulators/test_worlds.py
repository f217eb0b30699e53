"""World files: the shipped ones stand, bad ones are told with file, key, value and what was expected."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from simulators import ScenarioError, worlds
from simulators.figures import Figure
from simulators.instants import HOUR

WARD = (Path(worlds.__file__).parent / "worlds" / "ward.toml").read_text(encoding="utf-8")


def problems(text: str) -> list[tuple[str, str, str]]:
    """Return file, key and value of each problem of a world file."""
    with pytest.raises(ScenarioError) as caught:
        worlds.parse(text, file="mine.toml")
    assert all(problem.expected for problem in caught.value.problems)
    return [(problem.file, problem.key, problem.value) for problem in caught.value.problems]


def changed(key: str, figure: str) -> str:
    """Return the ward with another line for one figure; it stands in the file once."""
    lines = [f"{key} = {figure}" if line.startswith(f"{key} = ") else line for line in WARD.splitlines()]
    assert lines != WARD.splitlines()
    return "\n".join(lines)


def test_both_worlds_are_shipped() -> None:
    """A ward of 12 pumps a nurse and a service of 400 homes, with all people, places and spares."""
    assert worlds.names() == ["homes", "ward"]
    ward, homes = worlds.load("ward").scenario(1), worlds.load("homes").scenario(1)
    fed = [pump for pump in ward.pumps if pump.windows]
    assert [pump.unit for pump in fed] == ["elm"] * 12 + ["rowan"] * 12
    assert sum(bool(pump.windows) for pump in homes.pumps) == 400
    assert {pump.unit for pump in homes.pumps} == {"north", "south"}
    assert (ward.report_every_s, homes.report_every_s) == (60, 300)
    for scenario in (ward, homes):
        assert any(not pump.windows and not pump.feeding for pump in scenario.pumps)


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_every_number_has_a_range_and_a_reason(name: str) -> None:
    """Each figure lies in its range and has either a source or an assumption, by dotted name."""
    world = worlds.load(name)
    assert len(world.figures) > 80
    for key, figure in world.figures.items():
        assert key.count(".") == 1
        assert isinstance(figure, Figure)
        assert figure.low <= figure.value <= figure.high
        assert (figure.source is None) is not (figure.assumption is None)


PUBLISHED = {
    "pumps.continuous_h_least": 16,
    "pumps.kcal_per_ml_least": 1.0,
    "pumps.flush_every_h": 4,
    "pumps.flush_ml": 30,
    "causes.alarms_per_hour": 0.18,
}
"""What a paper or guideline gives as it stands; anything made of such a number is an assumption that says from what."""


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_a_source_stands_only_where_the_value_is_as_published(name: str) -> None:
    """And every text names papers and guidelines, not the pages of those who wrote the file."""
    for key, figure in worlds.load(name).figures.items():
        if figure.source is not None:
            assert figure.value == PUBLISHED[key], key
        said = (figure.source or figure.assumption or "").casefold()
        assert not {"domain", "issue"} & set(said.replace(",", " ").replace(":", " ").split()), key


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_a_seed_is_a_night_of_its_own(name: str) -> None:
    """The same seed has the same people, another has others; the night is 20:00 to 08:00 of a run from noon."""
    world = worlds.load(name)
    one = world.scenario(7)
    assert one == world.scenario(7)
    assert one.pumps != world.scenario(8).pumps
    begin, end = world.night(one)
    assert (begin - one.start_ms, end - one.start_ms) == (8 * HOUR, 20 * HOUR)


def test_one_figure_can_be_changed() -> None:
    """The world is another, with another digest; its range takes the value in; the first stays as it was."""
    world = worlds.load("ward")
    other = world.set("causes.alarms_per_hour", 0.9)
    assert other.figures["causes.alarms_per_hour"].value == 0.9
    assert other.figures["causes.alarms_per_hour"].high == 0.9
    assert world.figures["causes.alarms_per_hour"].value == 0.18
    assert other.digest != world.digest
    assert other.set("causes.alarms_per_hour", 0.18).people == world.people


@pytest.mark.parametrize(
    ("name", "value"), [("causes.hiccups", 1.0), ("causes.alarms_per_hour", -1.0), ("causes.rate_wrong", 1.5)]
)
def test_an_impossible_change_is_refused(name: str, value: float) -> None:
    """An unknown figure and an impossible value are named."""
    with pytest.raises(ScenarioError) as caught:
        worlds.load("ward").set(name, value)
    assert any(problem.key.startswith(name) for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("key", "figure", "where"),
    [
        ("alarms_per_hour", '{ value = -1, low = -2, high = 1, assumption = "x" }', "causes.alarms_per_hour.value"),
        ("alarms_per_hour", '{ value = nan, low = 0, high = 1, assumption = "x" }', "causes.alarms_per_hour.value"),
        ("alarms_per_hour", '{ value = inf, low = 0, high = inf, assumption = "x" }', "causes.alarms_per_hour.value"),
        ("alarms_per_hour", '{ value = 0.1, low = 0.2, high = 1, assumption = "x" }', "causes.alarms_per_hour"),
        ("alarms_per_hour", "{ value = 0.1, low = 0, high = 1 }", "causes.alarms_per_hour"),
        ("mutes_only", '{ value = 1, low = 1, high = 1, source = "a", assumption = "b" }', "bedside.mutes_only"),
        ("alarms_per_hour", '{ value = "often", low = 0, high = 1, assumption = "x" }', "causes.alarms_per_hour.value"),
        ("outage", '{ value = 1, low = 1, high = 1, assumption = "x", sure = true }', "carriers.outage.sure"),
        ("alarms_per_hour", "0.18", "causes.alarms_per_hour"),
        ("plug_forgotten", '{ value = 1.2, low = 0, high = 2, assumption = "x" }', "causes.plug_forgotten.value"),
        ("tube_life_days", '{ value = 0, low = 0, high = 2, assumption = "x" }', "causes.tube_life_days.value"),
        ("downstream", '{ value = 0.9, low = 0, high = 1, assumption = "x" }', "causes"),
        ("count", '{ value = 2.5, low = 0, high = 9, assumption = "x" }', "pumps.count.value"),
        ("rate_least", '{ value = 130, low = 0, high = 130, assumption = "x" }', "pumps"),
        ("slack_h", '{ value = 9, low = 0, high = 9, assumption = "x" }', "pumps"),
        ("asleep_from_h", '{ value = 25, low = 0, high = 25, assumption = "x" }', "bedside.asleep_from_h.value"),
        ("zone", '"Atlantis/Central"', "zone"),
        ("setting", '"zoo"', "setting"),
        ("units", "[]", "units"),
    ],
)  # fmt: skip
def test_each_kind_of_mistake_is_found(key: str, figure: str, where: str) -> None:
    """A wrong number, range, share, reason or word is found where it stands."""
    found = problems(changed(key, figure))
    assert ("mine.toml", where) in [(file, place) for file, place, _ in found]


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda text: text + 'hiccups = { value = 1, low = 1, high = 1, assumption = "x" }\n', "causes.hiccups"),
        (lambda text: text.replace("hands_s = ", "# "), "bedside.hands_s"),
        (lambda text: text.replace("[rota]", "[rotas]"), "rota"),
        (lambda text: text + "= 3", "(whole file)"),
        (lambda _: "", "name"),
    ],
)  # fmt: skip
def test_what_is_missing_or_unknown_is_found(change: Callable[[str], str], where: str) -> None:
    """An unknown key, a missing one, a missing section, text that is not TOML, and no text at all."""
    assert where in [key for _, key, _ in problems(change(WARD))]


def test_everything_wrong_is_told_at_once() -> None:
    """Two mistakes in two sections make two problems, each with its value."""
    text = changed("never", '{ value = 2, low = 0, high = 3, assumption = "x" }')
    text = text.replace('zone = "Europe/London"', 'zone = "Nowhere"')
    assert ("mine.toml", "people.never.value", "2") in problems(text)
    assert ("mine.toml", "zone", "'Nowhere'") in problems(text)


def test_a_world_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    """A name that is not shipped, a folder, and bytes that are no text."""
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    for path in ("wrad", str(tmp_path), str(tmp_path / "bytes.toml"), "null\x00byte"):
        with pytest.raises(ScenarioError, match="homes, ward"):
            worlds.load(path)


def test_a_world_of_ones_own_loads_from_a_path(tmp_path: Path) -> None:
    """A site copies a shipped file and changes its numbers."""
    path = tmp_path / "mine.toml"
    path.write_text(changed("alarms_per_hour", '{ value = 0.5, low = 0, high = 1, assumption = "ours" }'))
    assert worlds.load(path).figures["causes.alarms_per_hour"].assumption == "ours"

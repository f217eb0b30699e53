"""Pictures: which there are, what stands in them, and that names do not lie on each other."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from matplotlib import rc_context

from monitor.study import plots, sweep_plots
from monitor.study.summing import COMPARED, SHIPPED
from tests.study.shown import one_night, study


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """All pictures of the made-up study."""
    return plots.draw(study(), tmp_path_factory.mktemp("pictures"))


def texts(path: Path) -> list[str]:
    """What is written in a picture, by a real XML parser."""
    root = ElementTree.parse(path).getroot()
    return ["".join(one.itertext()).strip() for one in root.iter("{http://www.w3.org/2000/svg}text")]


def test_each_picture_is_there_as_png_and_svg(drawn: dict[str, Path]) -> None:
    """One frontier of all worlds, one of the rules a world, one a sweep."""
    sweeps = {f"sweep-{rule}-{key}" for rule, key in study().sweeps()}
    assert set(drawn) == {"frontier", "rules-ward", "rules-homes"} | sweeps
    for path in drawn.values():
        assert path.with_suffix(".png").read_bytes().startswith(b"\x89PNG")
        assert "Design evidence from simulated nights, not a clinical claim." in " ".join(texts(path))


def test_each_strategy_is_named_once_at_the_frontier(drawn: dict[str, Path]) -> None:
    """In words that can be found and read aloud, with both axes and their units."""
    said = texts(drawn["frontier"])
    for strategy in study().of_group("side by side"):
        assert said.count(strategy.name) == len(study().worlds)
    assert "mL a pump-day" in said
    assert any(text.startswith("Calls a nurse-night") for text in said)


@pytest.mark.parametrize("world", [0, 1])
def test_no_name_lies_on_another(world: int) -> None:
    """As measured by what draws them."""
    with rc_context(plots.STYLE):
        figure = plots.frontier(study(), list(zip(study().worlds, study().asked.worlds, strict=True)))
        renderer = figure.canvas.get_renderer()
        names = {strategy.name for strategy in study().of_group("side by side")}
        boxes: list[Any] = [
            text.get_window_extent(renderer) for text in figure.axes[world].texts if text.get_text() in names
        ]
    assert len(boxes) == len(names)
    assert not [pair for pair in combinations(boxes, 2) if pair[0].overlaps(pair[1])]


def test_each_rule_that_is_left_out_has_its_row(drawn: dict[str, Path]) -> None:
    """And each measure its panel."""
    said = texts(drawn["rules-homes"])
    assert {one.left_out for one in study().of_group("left out")} <= set(said)
    with rc_context(plots.STYLE):
        assert len(plots.left_out(study(), study().worlds[0]).axes) == len(COMPARED)


def test_a_sweep_marks_what_is_shipped_in_each_world() -> None:
    """At home another value may be shipped than on a ward; recall, precision and calls, a row for each world."""
    of = ("out-of-sight", "patience")
    with rc_context(plots.STYLE):
        figure = sweep_plots.swept(study(), of)
    assert len(figure.axes) == 6
    marked = [axis.lines for axis in figure.axes]
    at = [
        {round(float(line.get_xdata()[0]), 3) for line in lines if line.get_linestyle() == ":"}
        for lines in marked
    ]
    ward, homes = (study().shipped_value(of, setting) for setting in ("ward", "home"))
    assert ward is not None
    assert homes is not None
    assert [ward, homes] == ["3 min", "15 min"]
    assert at == [{3.0}] * 3 + [{15.0}] * 3


def test_an_axis_has_a_unit_that_reads_well() -> None:
    """Minutes from two on, else seconds; counts and shares as they are."""
    assert sweep_plots.scale_of(["1 min", "5 min"]) == (60_000, "min")
    assert sweep_plots.scale_of(["10 s", "90 s"]) == (1_000, "s")
    assert sweep_plots.scale_of([2, 3]) == (1, "times")
    assert sweep_plots.scale_of(["5 %", "10 %"]) == (1, "%")


def test_a_short_study_has_what_it_can(tmp_path: Path) -> None:
    """One night: points without bars; nothing left out or swept, no picture of that."""
    assert set(plots.draw(one_night(), tmp_path)) == {"frontier"}
    assert SHIPPED in texts(tmp_path / "frontier.svg")


def test_the_same_study_gives_the_same_picture(tmp_path: Path) -> None:
    """To the byte, without a date."""
    (tmp_path / "again").mkdir()
    first, second = (plots.draw(one_night(), at)["frontier"] for at in (tmp_path, tmp_path / "again"))
    assert first.read_bytes() == second.read_bytes()
    assert not re.search(r"<dc:date>", first.read_text())

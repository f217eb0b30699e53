"""`secondbell study` as a person types it, right and wrong, with nights that are really played."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from monitor.study.results import NAME
from tests.commands import Run
from tests.study.small import few_strategies, small_world


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs commands."""
    return Run(capsys)


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, ...]:
    """A small world and few strategies."""
    folder = tmp_path_factory.mktemp("given")
    return ("--world", str(small_world(folder)), "--strategies", str(few_strategies(folder)))


def test_a_study_is_played_shown_and_goes_on(run: Run, given: tuple[str, ...], tmp_path: Path) -> None:
    """Two nights, then three more of which two are there; tables, files, pictures and page; the same on one core."""
    out = tmp_path / "study"
    status, said, err = run("study", *given, "--seeds", "2", "--out", str(out))
    assert status == 0, err
    assert "small: 3 pumps, 2 nights" in said
    assert "Second Bell as shipped" in said
    names = {path.name for path in out.iterdir()}
    assert names == {
        NAME, "study.csv", "study.json", "study.html", "frontier.png", "frontier.svg",
    }  # fmt: skip
    assert f"written: {out / 'study.html'}" in err
    before = (out / NAME).read_bytes()
    status, text, _ = run("study", *given, "--seeds", "1-3", "--out", str(out), "--format", "json")
    assert status == 0
    assert (out / NAME).read_bytes().startswith(before)
    assert (out / NAME).read_bytes().count(b"\n") == 1 + 3 * 3
    found = json.loads(text)
    assert found["speed"]["nights_played"] == 3
    assert found["worlds"]["small"]["nights"] == 3
    alone = tmp_path / "alone"
    assert run("study", *given, "--seeds", "3", "--out", str(alone), "--cores", "1")[0] == 0
    assert json.loads((alone / "study.json").read_text())["worlds"] == found["worlds"]


def test_seeds_of_one_s_own_and_a_changed_figure(run: Run, given: tuple[str, ...], tmp_path: Path) -> None:
    """Nobody ever answers: nothing is accepted, and the page says what was changed; going on without it is refused."""
    out = str(tmp_path)
    status, text, err = run(
        "study", *given, "--seeds", "7-7", "--set", "people.never=0.2", "--out", out, "--format", "json"
    )
    assert status == 0, err
    found = json.loads(text)
    assert found["seeds"] == [7, 7]
    assert found["worlds"]["small"]["figures"]["people.never"]["value"] == 0.2
    assert "set 1: people.never=0.2" in re.sub(r"\s+", " ", (tmp_path / "study.html").read_text())
    status, _, err = run("study", *given, "--seeds", "7-7", "--out", out)
    assert status == 2
    assert "settings.set 1 = not there: begun with it (people.never=0.2)" in err
    assert "To begin anew name another folder with --out" in err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ("--seeds 0", "argument --seeds: 0: no seed, no night; 1 or more"),
        ("--seeds 9-3", "argument --seeds: 9-3: no seed, as 9 is after 3"),
        ("--seeds some", "argument --seeds: some: a number of nights, such as 30"),
        ("--cores 0", "argument --cores: 0: a whole number from 1"),
        ("--only some", "argument --only: invalid choice"),
        ("--world nowhere", "nowhere"),
        (
            "--strategies nowhere.toml",
            "nowhere.toml: (whole file): cannot be read: No such file or directory",
        ),
        ("--site nowhere.toml", "nowhere.toml"),
        ("--set people.never", "--set: people.never: NAME=VALUE, such as people.never=0.1"),
        ("--set people.never=often", "--set: people.never = often: a number"),
        ("--set people.ever=1", "--set: people.ever = 1: a figure of the worlds: people.answer_median_min"),
        ("--set people.never=7", "people.never"),
        ("--set people.never=-1", "people.never"),
        ("--out /dev/null", "--out /dev/null: File exists"),
    ],
)
def test_what_is_wrong_is_named(run: Run, tmp_path: Path, arguments: str, said: str) -> None:
    """Option or file, key, value and what is expected; exit 2, nothing played, no folder made."""
    out = () if "--out" in arguments else ("--out", str(tmp_path / "out"))
    status, text, err = run("study", *arguments.split(), *out)
    assert (status, text) == (2, "")
    assert said in err
    assert not (tmp_path / "out").exists()


def test_a_world_with_an_impossible_rate(run: Run, tmp_path: Path) -> None:
    """File, key and value."""
    path = small_world(tmp_path)
    path.write_text(path.read_text().replace("never = { value = 0.05", "never = { value = 1.05"))
    status, _, err = run("study", "--world", str(path), "--out", str(tmp_path / "out"))
    assert status == 2
    assert f"{path}: people.never" in err
    assert "1.05" in err


def test_a_strategy_that_names_an_unknown_rule(run: Run, tmp_path: Path) -> None:
    """File, key, value, and the rules that there are."""
    path = few_strategies(tmp_path)
    path.write_text(path.read_text() + "thresholds = { unatended = { patience = '1 min' } }\n")
    status, _, err = run("study", "--strategies", str(path), "--out", str(tmp_path / "out"))
    assert status == 2
    assert f"{path}: strategies[1].thresholds.unatended" in err
    assert "unattended" in err


def test_a_file_of_results_of_something_else(run: Run, given: tuple[str, ...], tmp_path: Path) -> None:
    """It is not written over."""
    (tmp_path / NAME).write_text("precious\n")
    status, _, err = run("study", *given, "--seeds", "1", "--out", str(tmp_path))
    assert status == 2
    assert "a study's header of format 1" in err
    assert (tmp_path / NAME).read_text() == "precious\n"

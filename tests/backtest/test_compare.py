"""`compare`: a site with itself shows no difference; another threshold shows exactly what it changes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import main
from tests.backtest.recordings import muted_night, record, ward_file


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A recording."""
    return record(tmp_path / "night", muted_night())


def run(capsys: pytest.CaptureFixture[str], night: Path, *sites: Path, cores: int = 1) -> dict[str, Any]:
    """What `compare --format json` prints."""
    asked = [argument for site in sites for argument in ("--site", str(site))]
    assert main(["compare", str(night), *asked, "--format", "json", "--cores", str(cores)]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def later(folder: Path) -> Path:
    """The ward with another patience: the pump that is muted for 5 min is no concern any more."""
    return ward_file(folder, "later.toml", "[rules.muted-too-long]", 'patience = "6 min"')


@pytest.mark.parametrize("cores", [1, 2])
def test_a_site_with_itself_shows_no_difference(
    night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], cores: int
) -> None:
    """All figures are the same, and no concern is in one only."""
    site = ward_file(tmp_path)
    found = run(capsys, night, site, site, cores=cores)
    one, other = found["sites"]
    assert found["alike"]
    assert one["all_rules"]["raised"] >= 3
    assert {**one, "file": ""} == {**other, "file": ""}
    assert one["only_here"] == other["only_here"] == []


def test_another_threshold_shows_what_it_changes(
    night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One concern fewer, named; those that only come later are in both."""
    found = run(capsys, night, ward_file(tmp_path), later(tmp_path))
    one, other = found["sites"]
    assert not found["alike"]
    rule = "muted-too-long"
    assert (one["rules"][rule]["raised"], other["rules"][rule]["raised"]) == (3, 2)
    mine = [story for story in one["only_here"] if story["rule"] == rule]
    assert [story["subject"] for story in mine] == ["pump-0102"]
    assert [story for story in other["only_here"] if story["rule"] == rule] == []
    begun = [side["rules"][rule]["median_delay_from_beginning_ms"] for side in (one, other)]
    assert 2 * 60_000 <= begun[1] - begun[0] < 2 * 60_000 + 5_000  # gathered with others for up to 5 s
    others = {name: figures for name, figures in one["rules"].items() if name != rule}
    raised = {name: figures["raised"] for name, figures in others.items()}
    assert raised == {name: other["rules"][name]["raised"] for name in others}


def test_the_table(night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Side by side, differences marked, the concern named, each nurse, and what it is not."""
    sites = ["--site", str(ward_file(tmp_path)), "--site", str(later(tmp_path))]
    assert main(["compare", str(night), *sites, "--cores", "1"]) == 0
    said = capsys.readouterr().out
    for text in (
        "later.toml",
        "2*",
        "pump-0102",
        "nurse-1",
        "Only with A: ",
        "Only with B: 0",
        "acceptable",
    ):
        assert text in said
    assert "not a clinical claim" in said
    assert "nobody accepts" in said


@pytest.mark.parametrize("count", [1, 3])
def test_two_sites_and_no_other_number(
    night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int
) -> None:
    """Usage."""
    assert main(["compare", str(night), *["--site", str(ward_file(tmp_path))] * count]) == 2
    assert "--site twice" in capsys.readouterr().err


def test_messages_of_another_site_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording of elsewhere gives no figures that could be taken for this site's without a word."""
    night = record(tmp_path / "other", muted_night(site="oakfield"))
    sites = ["--site", str(ward_file(tmp_path))] * 2
    assert main(["compare", str(night), *sites, "--cores", "1"]) == 0
    assert "455 of 455 messages were not taken" in capsys.readouterr().err


def test_two_different_sites_are_refused(
    night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One recording is of one site."""
    here, other = ward_file(tmp_path), ward_file(tmp_path, "other.toml")
    other.write_text(other.read_text().replace('name = "larkfield"', 'name = "oakfield"'))
    assert main(["compare", str(night), "--site", str(here), "--site", str(other)]) == 2
    assert "'larkfield' and 'oakfield'" in capsys.readouterr().err

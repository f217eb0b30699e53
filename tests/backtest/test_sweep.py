"""`sweep`: its values, that a point is a plain replay at that value, on one core and on two, and what it refuses."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.backtest import plots
from monitor.backtest.playing import play
from monitor.backtest.sweep import sweep, wanted, with_value, written
from monitor.cli import main
from monitor.core.problems import ProblemsFound
from monitor.core.rulebook import Quantity
from monitor.core.site import DeviceEntry, Site
from monitor.replay import TRACE_KEY, Traces, replay, trace_site
from monitor.settings import load
from monitor.shipped import shipped_rules
from tests.backtest.recordings import LENGTHS, muted_night, record, ward_file

RULE, KEY = "muted-too-long", "patience"
SWEEP = ["sweep", RULE, KEY]


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A recording."""
    return record(tmp_path / "night", muted_night())


def values(first: str, last: str, step: str, rule: str = RULE, key: str = KEY) -> list[str | int]:
    """The values that are swept."""
    return list(wanted(trace_site(shipped_rules()), rule, key, first, last, step).values)


def test_the_values_are_those_that_were_asked_for() -> None:
    """Both ends where the steps meet them, in the words of a rule file."""
    assert values("2 min", "5 min", "1 min") == ["2 min", "3 min", "4 min", "5 min"]
    assert values("2 min", "4 min", "90 s") == ["2 min", "3 min 30 s"]
    assert values("1 min", "1 min", "10 s") == ["1 min"]
    assert values("2", "5", "1", "repeated-occlusion", "times") == [2, 3, 4, 5]
    for text in ("1 h 2 min 3 s", "250 ms", "1 min 30 s", "20 %", "0.5 mL"):
        quantity = Quantity.parse(text)
        assert Quantity.parse(written(quantity)) == quantity


@pytest.mark.parametrize("cores", [1, 2])
def test_a_point_is_a_plain_replay_at_that_value(night: Path, tmp_path: Path, cores: int) -> None:
    """At the shipped value it is the replay of the site as it is; at each other, of the site with that value."""
    site = load(ward_file(tmp_path), key=TRACE_KEY).site
    asked = wanted(site, RULE, KEY, "3 min", "8 min", "1 min")
    swept = sweep([night], site, asked, cores=cores)
    (plain,) = play([night], [site])
    points = dict(swept.points())
    shipped = points["4 min"]
    assert (shipped.stories, shipped.sent, shipped.duty) == (
        plain.measures.stories,
        plain.measures.sent,
        plain.measures.duty,
    )
    for value, found in points.items():
        changed = with_value(site, RULE, KEY, value)
        happened = list(replay(Traces([night]), changed, lateness=site.times.lateness))
        raised = [h.concern for h in happened if h.event == "raised"]
        assert [story.id for story in found.stories] == raised
        minutes = Quantity.parse(value).number / 60_000
        mine = [story for story in found.stories if story.rule == RULE]
        # A pump that is muted for as long as the value has been so, but is no longer told to be.
        assert len(mine) == sum(length > minutes for length in LENGTHS.values())


def test_the_value_takes_the_place_of_every_own_one() -> None:
    """Of the site, of a unit, of a device; their other values stay."""
    own = {RULE: {KEY: "9 min", "bridging": "10 s"}}
    site = Site(
        name="larkfield", key=b"", last_resort="last", rules=tuple(shipped_rules()), units=("elm",), thresholds=own,
        unit_thresholds={"elm": own}, devices={"pump-1": DeviceEntry(id="pump-1", unit="elm", thresholds=own)},
    )  # fmt: skip
    changed = with_value(site, RULE, KEY, "5 min")
    for unit, device in (("elm", "pump-1"), ("elm", "pump-2"), ("oak", "pump-3")):
        rule = next(rule for rule in changed.rules_for(unit, device) if rule.id == RULE)
        assert rule.thresholds[KEY].number == 5 * 60_000
        assert rule.thresholds["bridging"].number == 10_000
    assert wanted(site, RULE, KEY, "2 min", "3 min", "1 min").site == "9 min"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["no-such-rule", KEY, "1 min", "2 min", "1 min"], "one of behind-plan, "),
        ([RULE, "bravery", "1 min", "2 min", "1 min"], "patience, patience_high, bridging"),
        ([RULE, KEY, "5 min", "2 min", "1 min"], "sweep: FROM = '5 min': not more than TO (2 min)"),
        (
            [RULE, KEY, "20 %", "2 min", "1 min"],
            "sweep: FROM = '20 %': a quantity like the shipped \"4 min\"",
        ),
        ([RULE, KEY, "2 min", "soon", "1 min"], "sweep: TO = 'soon': a quantity"),
        ([RULE, KEY, "2 min", "3 min", "0 min"], "sweep: STEP = '0 min': a quantity of the unit"),
        ([RULE, KEY, "2 min", "3 min", "1 %"], "sweep: STEP = '1 %': a quantity of the unit"),
        ([RULE, KEY, "1 s", "10 min", "1 s"], "more than 100"),
    ],
)
def test_what_is_refused(
    arguments: list[str], said: str, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is replayed, naming what is wrong and what would be right."""
    assert main(["sweep", *arguments, "--traces", str(night)]) == 2
    assert said in capsys.readouterr().err


def test_every_mistake_at_once() -> None:
    """FROM, TO and STEP are all looked at."""
    with pytest.raises(ProblemsFound) as caught:
        values("x", "y", "z")
    assert [problem.key for problem in caught.value.problems] == ["FROM", "TO", "STEP"]


@pytest.mark.parametrize("cores", ["1", "2"])
def test_traces_that_are_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str], cores: str) -> None:
    """A folder without a recording, said once, from one process or from two."""
    arguments = ["2 min", "3 min", "1 min", "--traces", str(tmp_path), "--cores", cores]
    assert main([*SWEEP, *arguments]) == 2
    said = capsys.readouterr().err
    assert said.count("a folder with a recording") == 1
    assert "Traceback" not in said


def test_the_table(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A line for each value, the shipped one marked, and what it is not."""
    assert main([*SWEEP, "3 min", "5 min", "1 min", "--traces", str(night), "--cores", "1"]) == 0
    said = capsys.readouterr().out
    assert "shipped: 4 min" in said
    assert all(f" {minutes} min " in said for minutes in (3, 4, 5))
    assert "not a clinical claim" in said
    assert "nobody accepts" in said
    assert "acceptable" in said


def test_json(night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same as data, with this site's own value."""
    site = ward_file(tmp_path, "own.toml", "[rules.muted-too-long]", 'patience = "6 min"')
    arguments = ["3 min", "7 min", "2 min", "--traces", str(night), "--site", str(site), "--format", "json"]
    assert main([*SWEEP, *arguments, "--cores", "1"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["shipped"], said["site"]) == ("4 min", "6 min")
    assert [point["value"] for point in said["values"]] == ["3 min", "5 min", "7 min"]
    assert [point["raised"] for point in said["values"]] == [3, 2, 1]
    assert "not a clinical claim" in said["caution"]
    assert "not simulated" in said["answers"]


def test_the_plot(night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A PNG and an SVG with the rule, the threshold with its unit, and the shipped value."""
    pytest.importorskip("matplotlib")
    stem = tmp_path / "curve.of.patience"
    arguments = ["3 min", "5 min", "1 min", "--traces", str(night), "--cores", "1", "--plot", str(stem)]
    assert main([*SWEEP, *arguments]) == 0
    assert Path(f"{stem}.png").read_bytes().startswith(b"\x89PNG")
    svg = Path(f"{stem}.svg").read_text()
    for text in ("patience (min)", "shipped", "per device-day", "not a clinical claim", "ISA-18.2"):
        assert text in svg
    assert f"written: {stem}.png" in capsys.readouterr().err
    nowhere = tmp_path / "no" / "such" / "folder"
    assert main([*SWEEP, *arguments[:-1], str(nowhere)]) == 2
    assert "no folder" in capsys.readouterr().err


def test_without_the_library_for_plots(
    night: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Said before the replay, with what to install; the table needs no library."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    arguments = ["3 min", "4 min", "1 min", "--traces", str(night), "--cores", "1"]
    assert main([*SWEEP, *arguments, "--plot", "x"]) == 2
    assert plots.MISSING in capsys.readouterr().err
    assert main([*SWEEP, *arguments]) == 0


def test_a_rule_that_the_site_has_switched_off() -> None:
    """There is nothing to sweep, and why is said."""
    site = replace(trace_site(shipped_rules()), switched_off={RULE: "by the other system"})
    with pytest.raises(ProblemsFound, match="by the other system"):
        wanted(site, RULE, KEY, "1 min", "2 min", "1 min")

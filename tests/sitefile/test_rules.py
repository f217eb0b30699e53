"""The rules of a site: thresholds set, rules switched off, rules of its own, and the two samples."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.core.rulebook import CompiledRule
from monitor.core.site import MINUTE, Times
from monitor.settings import Settings, load
from monitor.shipped import shipped
from tests.sitefile.site_text import KEY, errors, loaded, written

RULES = Path(__file__).parents[2] / "rules"


def compiled(settings: Settings, unit: str, device: str, rule: str) -> CompiledRule:
    """A rule as it runs for a device."""
    return next(found for found in settings.site.rules_for(unit, device) if found.id == rule)


def patience(settings: Settings, unit: str, device: str, rule: str) -> float:
    """How long a rule waits for a device, in minutes."""
    return compiled(settings, unit, device, rule).thresholds["patience"].number / MINUTE


def test_rules_of_the_site_run_beside_the_shipped(tmp_path: Path) -> None:
    """A rule file in rules_dir runs like a shipped one, and its thresholds can be set."""
    rules = tmp_path / "rules"
    rules.mkdir()
    text = (RULES / "unattended.toml").read_text()
    (rules / "own.toml").write_text(text.replace('id = "unattended"', 'id = "own"'))
    settings = loaded(
        tmp_path, ("[site]", '[site]\nrules_dir = "rules"'), more='[rules.own]\npatience = "1 min"\n'
    )
    assert patience(settings, "elm", "pump-1", "own") == 1
    assert patience(settings, "elm", "pump-1", "unattended") == 5


def test_what_is_wrong_with_rules_of_the_site(tmp_path: Path) -> None:
    """An id that is taken, a name that means switching off, a trace that lies and no TOML are errors of those files."""
    rules = tmp_path / "rules"
    rules.mkdir()
    text = (RULES / "unattended.toml").read_text()
    (rules / "same.toml").write_text(text)
    own = text.replace('id = "unattended"', 'id = "own"')
    (rules / "own.toml").write_text(own.replace('holds = ["6 min"]', 'holds = ["7 min"]'))
    named_off = text.replace('id = "unattended"', 'id = "third"').replace("patience_high", "off")
    (rules / "third.toml").write_text(named_off)
    path = written(tmp_path, ("[site]", '[site]\nrules_dir = "rules"'))
    with pytest.raises(ProblemsFound) as caught:
        load(path, key=KEY)
    assert [tuple(problem) for problem in caught.value.problems] == [
        (f"{rules}/own.toml", "traces[0].holds", "['7 min']", "the rule says 6 min"),
        (
            f"{rules}/third.toml",
            "thresholds.off",
            "",
            "another name: in a site file, off switches the rule off",
        ),
        (
            f"{rules}/same.toml",
            "id",
            "'unattended'",
            "an id of its own, rules/unattended.toml has it; to change that rule set its thresholds, or switch it off",
        ),
    ]
    (rules / "same.toml").write_text("id =")
    with pytest.raises(ProblemsFound, match=r"same\.toml: .*: not valid TOML"):
        load(path, key=KEY)


def test_a_rules_folder_that_is_not_there(tmp_path: Path) -> None:
    """The folder named is looked for."""
    said = errors(tmp_path, ("[site]", '[site]\nrules_dir = "rules"'))
    assert said == [("site.rules_dir", "'rules'", f"a folder; there is none at {tmp_path}/rules")]


def test_a_rule_switched_off_does_not_run(tmp_path: Path) -> None:
    """The reason is kept for the trail and the rule runs for no device."""
    site = loaded(tmp_path, more='[rules.unattended]\noff = "the ward is never empty"').site
    assert site.switched_off == {"unattended": "the ward is never empty"}
    assert "unattended" not in {rule.id for rule in site.rules_for("elm", "pump-1")}
    assert "standing-alarm" in {rule.id for rule in site.rules_for("elm", "pump-1")}


def test_thresholds_reach_the_rules(tmp_path: Path) -> None:
    """The device's value counts before the unit's, that before the site's, that before the shipped one."""
    settings = loaded(
        tmp_path,
        ("[units.ash]", "[units.ash]\nthresholds = { unattended = { patience = '4 min' } }"),
        ('pager_place = "b1 b1"', "thresholds = { unattended = { patience = '2 min' } }"),
        more="""
[devices.pump-2]
unit = "elm"
[rules.unattended]
patience = "3 min"
""",
    )
    assert patience(settings, "elm", "pump-1", "unattended") == 2
    assert patience(settings, "elm", "pump-2", "unattended") == 3
    assert patience(settings, "ash", "pump-9", "unattended") == 4
    assert patience(settings, "elm", "pump-1", "standing-alarm") == 10  # as shipped
    assert compiled(settings, "elm", "pump-2", "unattended").branches[0].hold_for == 3 * MINUTE


def test_home_has_its_own_patience(tmp_path: Path) -> None:
    """A home-feeding service gets the shipped values for homes."""
    assert patience(loaded(tmp_path), "elm", "pump-1", "out-of-sight") == 3
    assert patience(loaded(tmp_path, ('"ward"', '"home"')), "elm", "pump-1", "out-of-sight") == 15


def test_the_ward_sample() -> None:
    """The ward's sample loads without a warning: twelve pumps, and a ladder for each priority."""
    settings = load(Path(str(shipped("config") / "ward.toml")), key=KEY)
    assert settings.warnings == ()
    assert (settings.site.name, settings.site.units) == ("larkfield", ("elm",))
    assert list(settings.site.devices) == [f"pump-{number:04d}" for number in range(101, 113)]
    assert settings.site.last_resort == "ward-manager"
    assert settings.site.times == Times()
    assert set(settings.site.ladders) == {("*", "high"), ("*", "medium"), ("*", "low")}
    assert patience(settings, "elm", "pump-0101", "out-of-sight") == 3


def test_the_home_sample_has_the_patience_of_homes() -> None:
    """The home's sample loads without a warning, with the shipped values for homes and its own for a unit."""
    settings = load(Path(str(shipped("config") / "home.toml")), key=KEY)
    assert settings.warnings == ()
    assert (settings.site.name, settings.site.units) == ("westmere", ("north", "south"))
    assert patience(settings, "north", "pump-0301", "out-of-sight") == 15
    assert patience(settings, "south", "pump-0303", "out-of-sight") == 10
    assert compiled(settings, "north", "pump-0302", "out-of-sight").thresholds["patience_glucose_risk"] == (
        600_000,
        "ms",
    )
    assert patience(settings, "south", "pump-0304", "idle-past-limit") == 8
    plan = settings.site.devices["pump-0302"].plan
    assert plan is not None
    assert plan.glucose_risk

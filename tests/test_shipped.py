"""Shipped files are found in an installed package and in a checkout, and the shipped rules are right."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.core.traces import trace_problems
from monitor.shipped import Kind, shipped, shipped_rule_files, shipped_rules

CHECKOUT = Path(__file__).parent.parent


@pytest.mark.parametrize("kind", ["rules", "config"])
def test_in_a_checkout_it_lies_beside_the_package(kind: Kind, tmp_path: Path) -> None:
    """Without a folder of its own in the package, the one beside it counts."""
    (tmp_path / "monitor").mkdir()
    (tmp_path / kind).mkdir()
    assert shipped(kind, tmp_path / "monitor") == tmp_path / kind


@pytest.mark.parametrize("kind", ["rules", "config"])
def test_in_a_wheel_it_lies_within_the_package(kind: Kind, tmp_path: Path) -> None:
    """The folder in the package counts before one that happens to lie beside it."""
    (tmp_path / "monitor" / kind).mkdir(parents=True)
    (tmp_path / kind).mkdir()
    assert shipped(kind, tmp_path / "monitor") == tmp_path / "monitor" / kind


def test_both_ways_give_the_same_rules(tmp_path: Path) -> None:
    """The rules laid out as a wheel has them are the rules of the checkout."""
    shutil.copytree(CHECKOUT / "rules", tmp_path / "monitor" / "rules")
    installed = shipped_rules(tmp_path / "monitor")
    (tmp_path / "other" / "monitor").mkdir(parents=True)
    shutil.copytree(CHECKOUT / "rules", tmp_path / "other" / "rules")
    assert shipped_rules(tmp_path / "other" / "monitor") == installed == shipped_rules()


def test_in_a_zipped_package(tmp_path: Path) -> None:
    """A package that was never unpacked has its rules too."""
    archive = tmp_path / "monitor.zip"
    with zipfile.ZipFile(archive, "w") as file:
        for rule in (CHECKOUT / "rules").glob("*.toml"):
            file.write(rule, f"monitor/rules/{rule.name}")
    with zipfile.ZipFile(archive) as file:
        assert shipped_rules(zipfile.Path(file, "monitor/")) == shipped_rules()


def test_nowhere_names_the_places(tmp_path: Path) -> None:
    """With no such folder the error names both places looked at."""
    package = tmp_path / "monitor"
    package.mkdir()
    with pytest.raises(FileNotFoundError) as caught:
        shipped("rules", package)
    assert str(caught.value) == f"no shipped rules: looked at {package / 'rules'} and {tmp_path / 'rules'}"


def test_the_shipped_rules_agree_with_their_traces() -> None:
    """Every shipped rule has its file's name as its id, and fires and stays quiet as its traces say."""
    files = shipped_rule_files()
    assert {file.rule.id for file in files} >= {
        "muted-too-long",
        "unattended",
        "standing-alarm",
        "out-of-sight",
    }
    for file in files:
        assert file.file == f"rules/{file.rule.id}.toml"
        assert trace_problems(file.rule, file.file) == []


def test_all_broken_rules_at_once(tmp_path: Path) -> None:
    """Every mistake of every shipped rule file is named; files that are no rules are left alone."""
    rules = tmp_path / "monitor" / "rules"
    rules.mkdir(parents=True)
    (rules / "a.toml").write_text("id = ")
    (rules / "b.toml").write_bytes(b"id = '\xff'")
    (rules / "c.toml").write_text('id = "c"\n')
    (rules / "notes.md").write_text("not a rule")
    with pytest.raises(ProblemsFound) as caught:
        shipped_rules(tmp_path / "monitor")
    said = [(problem.file, problem.key, problem.expected) for problem in caught.value.problems]
    assert said[0] == ("rules/a.toml", "", "not valid TOML: Invalid value (at end of document)")
    assert said[1] == ("rules/b.toml", "", "not valid TOML, which is UTF-8 text")
    assert ("rules/c.toml", "sentence", "is missing") in said

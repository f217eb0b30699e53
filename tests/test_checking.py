"""`secondbell check` and `secondbell init`: what they print and write, and the page that explains every key."""

from __future__ import annotations

import io
import re
import shutil
import tomllib
from pathlib import Path
from typing import Literal

import pytest

from monitor.checking import check, init, report
from monitor.core.instants import parse
from monitor.settings import Unreadable, examine
from monitor.shipped import shipped
from monitor.sitefile import keys as site_keys
from tests.sitefile.site_text import written

NOW = parse("2026-11-28T09:00:00Z")
CONFIG = Path(__file__).parent.parent / "config"
ROOT = CONFIG.parent


def reported(path: Path) -> tuple[int, str]:
    """What `check` says of a file, and its exit status."""
    out = io.StringIO()
    return report(path, out, now=NOW), out.getvalue()


@pytest.mark.parametrize("sample", ["ward", "home"])
def test_the_samples_are_right(sample: str) -> None:
    """Both samples pass without error or warning."""
    assert check(CONFIG / f"{sample}.toml", now=NOW) == ([], [])


def test_a_clean_site(tmp_path: Path) -> None:
    """Nothing wrong: what was read is counted, and the status is 0."""
    path = written(tmp_path, ("[units.elm]", '[units.elm]\ncalled = "Elm ward"'))
    rules = len(list((ROOT / "rules").glob("*.toml")))
    status, text = reported(path)
    table, _, summary = text.partition("\n\n")
    assert table.startswith("What each rule can do here, by this file:\n  rule ")
    assert (status, summary) == (
        0,
        f"Read {path}: Elm ward (1 device), ash (0 devices); 3 people, 2 carriers, 2 ladders, 1 duty;"
        f" {rules} rules, 0 of them switched off.\nNothing is wrong.\n",
    )


def test_a_site_with_errors_and_warnings(tmp_path: Path) -> None:
    """Errors first, then warnings, each with key, value and text; the status is 1."""
    path = written(
        tmp_path,
        ('zone = "Europe/London"', 'zone = "Europe/Londn"'),
        ('unit = "elm"', 'unit = "oak"'),
        ('technical = "technical"', ""),
    )
    status, text = reported(path)
    assert status == 1
    assert text.startswith(
        "Wrong; the service does not start with this:\n"
        "  site.toml: site.zone = 'Europe/Londn': a zone of the tz database, such as Europe/London\n"
        "  site.toml: devices.pump-1.unit = 'oak': one of the units of this file: ash, elm\n"
        "\n"
        "Allowed, but worth a second look:\n"
        "  site.toml: site.technical: nobody is named to be told when Second Bell itself cannot see, "
        "send or store: the last resort is\n"
        "\n"
        "What each rule can do here, by this file:\n"
    )
    assert text.endswith("\n2 things are wrong.\n")


def test_warnings_alone_are_no_failure(tmp_path: Path) -> None:
    """What is worth a second look leaves the status at 0."""
    status, text = reported(written(tmp_path, ('technical = "technical"', "")))
    assert status == 0
    assert "Allowed, but worth a second look:\n" in text
    assert text.endswith("\nNothing is wrong.\n")


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    """No file, or no TOML: the status is 2 and the reason is said."""
    path = tmp_path / "site.toml"
    assert reported(path) == (
        2,
        "This file cannot be read:\n  site.toml: (whole file): cannot be read: No such file or directory\n\n",
    )
    path.write_text('[site]\nname = "x\n')
    status, text = reported(path)
    assert status == 2
    assert re.search(r"^  site\.toml: line 2: not valid TOML: .*\(at column \d+\)$", text, re.MULTILINE)
    with pytest.raises(Unreadable):
        check(path, now=NOW)


def test_the_rules_of_the_site_are_checked_with_their_traces(tmp_path: Path) -> None:
    """A trace that its rule contradicts is an error, said once, under the name of the rule's file."""
    rules = tmp_path / "rules"
    rules.mkdir()
    text = (ROOT / "rules" / "unattended.toml").read_text().replace('id = "unattended"', 'id = "own"')
    (rules / "own.toml").write_text(text.replace('holds = ["6 min"]', 'holds = ["5 min"]'))
    path = written(tmp_path, ("[site]", '[site]\nrules_dir = "rules"'))
    status, said = reported(path)
    assert status == 1
    assert f"\n  {rules}/own.toml: traces[0].holds = ['5 min']: the rule says 6 min\n" in said
    assert said.count("traces[0].holds") == 1
    assert said.endswith("\n1 thing is wrong.\n")


def test_broken_shipped_rules_are_errors_too(tmp_path: Path) -> None:
    """An installation whose rules are broken, or not there, is said like any other mistake."""
    path = written(tmp_path, more="[rules.unattended]\npatience = '3 min'\n")
    package = tmp_path / "package" / "monitor"
    package.mkdir(parents=True)
    (missing,) = examine(path, package).errors
    assert missing.expected.startswith("the shipped rules are not there: no shipped rules: looked at ")
    shutil.copytree(ROOT / "rules", package / "rules")
    (package / "rules" / "unattended.toml").write_text("id =")
    (broken,) = examine(path, package).errors
    assert broken.file == "rules/unattended.toml"


@pytest.mark.parametrize("setting", ["ward", "home"])
def test_init_begins_a_site(tmp_path: Path, setting: Literal["ward", "home"]) -> None:
    """The sample and the page that explains it are in the new folder, and the sample passes the check there."""
    folder = tmp_path / "a" / "site"
    made = init(folder, setting)
    assert made == [folder / "site.toml", folder / "README.md", folder / "rota" / "rota.ics"]
    assert made[0].read_bytes() == (CONFIG / f"{setting}.toml").read_bytes()
    assert made[1].read_bytes() == (CONFIG / "README.md").read_bytes()
    assert check(made[0], now=NOW) == ([], [])


@pytest.mark.parametrize("name", ["site.toml", "README.md"])
def test_init_overwrites_nothing(tmp_path: Path, name: str) -> None:
    """If one of the files is there, none is written."""
    (tmp_path / name).write_text("mine")
    with pytest.raises(FileExistsError, match=f"{name} is there already; nothing was written$"):
        init(tmp_path, "ward")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(name, "mine")]


def test_the_readme_has_every_key() -> None:
    """The tables of config/README.md are those made from the models."""
    text = (CONFIG / "README.md").read_text()
    found = re.search(r"<!-- keys: begin -->\n\n(.*)\n<!-- keys: end -->", text, re.DOTALL)
    assert found is not None
    assert found[1] == site_keys.tables(), "print them anew: see monitor/site_keys.py"


def test_every_key_is_explained_in_the_samples() -> None:
    """Every key of every table stands in both samples, set or as a comment."""
    keys = {key.rpartition(".")[2] for _, model in site_keys.TABLES for key, _, _ in site_keys.rows_of(model)}
    assert {"last_resort", "pager_place", "highest_rate_ml_h", "off", "catch_up_quiet"} <= keys
    for sample in ("ward", "home"):
        text = (CONFIG / f"{sample}.toml").read_text()
        missing = {key for key in keys if not re.search(rf"(?<![\w-]){key} = ", text)}
        assert missing == set(), sample


def test_every_example_of_the_readme_is_right() -> None:
    """Each example is TOML, and what its model takes for that key."""
    for _, model in site_keys.TABLES:
        for name, field in model.model_fields.items():
            example = site_keys.toml(field.examples[0]) if field.examples else ""
            assert tomllib.loads(f"x = {example}")["x"] == (field.examples or [None])[0], name


def test_the_ward_sample_is_the_ward_of_the_demo() -> None:
    """Pumps and places are those of the scenario demo-night, so the demo can be tried with it."""
    scenario = tomllib.loads((ROOT / "simulators" / "scenarios" / "demo-night.toml").read_text())
    ward = tomllib.loads((CONFIG / "ward.toml").read_text())
    assert ward["site"]["name"] == scenario["site"]
    assert [*ward["units"]] == scenario["units"]
    assert {name: device["place"] for name, device in ward["devices"].items()} == {
        pump["id"]: pump["place"] for pump in scenario["pumps"]
    }


def test_the_samples_invent_everything() -> None:
    """Hosts and mail addresses are under example.invalid, which can never exist (RFC 6761 §6.4)."""
    for sample in ("ward", "home"):
        text = (Path(str(shipped("config"))) / f"{sample}.toml").read_text()
        for host in re.findall(r'(?:host = "|"mqtts?://|@)([^":>]+)', text):
            assert host.endswith(".example.invalid"), host
        assert not re.search(r"^\s*(username|login|password)", text, re.MULTILINE)

"""The files with which a site runs without a terminal: read by what will read them, where that is here."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.checking import SERVICE_FILES, init
from monitor.cli import _parser
from monitor.core.plans import UTC
from monitor.core.troubles import SORTS
from monitor.watch.judgement import Finding, Say, Wrong
from monitor.watch.words import Watched, words
from tests.conftest import ROOT

CONFIG = ROOT / "config"
UNITS = ("secondbell.service", "secondbell-watch.service")


def unit(name: str) -> dict[str, list[str]]:
    """A unit's [Service] keys with their values, in order."""
    reader = configparser.RawConfigParser(strict=False, delimiters="=", comment_prefixes="#")
    reader.optionxform = str  # type: ignore[assignment, method-assign]
    reader.read_string((CONFIG / name).read_text())
    found: dict[str, list[str]] = {}
    for line in (CONFIG / name).read_text().splitlines():
        key, _, value = line.partition("=")
        if key in reader["Service"]:
            found.setdefault(key, []).append(value)
    return found


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_starts_a_command_that_there_is(name: str) -> None:
    """Its ExecStart is taken by our own command line."""
    [line] = unit(name)["ExecStart"]
    program, *arguments = line.split()
    assert program == "/opt/secondbell/bin/secondbell"
    _parser().parse_args(arguments)


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_is_told_when_it_is_ready_and_alive(name: str) -> None:
    """Type=notify with a watchdog, and started again whatever it ended with, without end."""
    keys = unit(name)
    assert keys["Type"] == ["notify"]
    assert keys["WatchdogSec"] == ["60"]
    assert keys["Restart"] == ["always"]
    assert "RestartPreventExitStatus" not in keys
    assert "StartLimitIntervalSec=0" in (CONFIG / name).read_text()


@pytest.mark.parametrize("name", UNITS)
def test_systemd_finds_nothing_wrong_with_a_unit(name: str, tmp_path: Path) -> None:
    """`systemd-analyze verify`, but for the program that is not installed here; its exposure is rated OK or better."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("there is no systemd-analyze here")
    program = tmp_path / "secondbell"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = tmp_path / name
    copy.write_text((CONFIG / name).read_text().replace("/opt/secondbell/bin/secondbell", str(program)))
    said = subprocess.run([analyze, "verify", str(copy)], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stderr) == (0, "")
    rated = subprocess.run(
        [analyze, "security", "--offline=true", "--threshold=20", str(copy)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if "nrecognized option" in rated.stderr:
        pytest.skip("this systemd-analyze rates no file")
    assert rated.returncode == 0, rated.stdout[-200:]


def test_init_makes_them_on_request(tmp_path: Path) -> None:
    """As they are shipped, beside site file and README; without being asked, none of them."""
    made = init(tmp_path / "site", "ward", service=True)
    assert {path.name for path in made} >= {"site.toml", "README.md", *SERVICE_FILES}
    for name in SERVICE_FILES:
        assert (tmp_path / "site" / name).read_text() == (CONFIG / name).read_text()
    assert not {path.name for path in init(tmp_path / "other", "home")} & set(SERVICE_FILES)


def test_the_rights_are_for_the_sample_site() -> None:
    """Names of site, monitor and unit in the ACL file are those of the sample ward: both are changed alike."""
    rights = (CONFIG / "mosquitto.acl").read_text()
    sample = (CONFIG / "ward.toml").read_text()
    topics = re.findall(r"^(?:topic|pattern) \w+ (\S+)$", rights, re.MULTILINE)
    assert {topic.split("/")[2] for topic in topics} == {"larkfield"}
    assert 'name = "larkfield"' in sample
    assert 'monitor = "main"' in sample
    for unit_name in ("elm",):
        assert f"[units.{unit_name}]" in sample


def test_every_command_of_the_page_is_one() -> None:
    """What config/README.md has people type is taken by our own command line."""
    text = (CONFIG / "README.md").read_text()
    lines = re.findall(r"/opt/secondbell/bin/secondbell ([^\n#`]+)", text)
    assert {line.split()[0] for line in lines} >= {"init", "check", "drill", "watch"}
    for line in lines:
        _parser().parse_args(line.split())


def test_the_page_says_what_to_do_about_each_page() -> None:
    """Every trouble that the watch can tell, and every sort that the monitor tells of itself, has its line."""
    table = (CONFIG / "README.md").read_text().partition("# When it pages you")[2]
    now = 1_773_454_440_000
    watched = Watched(site="larkfield", monitor="main", name="watch", zone=UTC, repeat=600_000)
    for wrong in Wrong:
        page = words(Say(Finding(wrong, now), 1), watched, now, lambda instant: instant).page
        assert any(phrase in page for phrase in PHRASES & set(re.findall(r"\*([^*|]+)\*", table))), page
    for sort in SORTS:
        assert FIRST_WORDS[sort] in table, sort


PHRASES = {
    "Second Bell is DOWN", "Second Bell SILENT", "HANGS", "Second Bell STOPPED", "no sign of Second Bell",
    "broker not reached", "cannot store", "runs LATE",
}  # fmt: skip
FIRST_WORDS = {
    "cannot-store": "*cannot store*",
    "cannot-send": "*CARRIER does not send*",
    "carrier-refuses": "*CARRIER refuses PERSON*",
    "back-after-a-gap": "*back after N min without watching*",
    "trail-doubtful": "*trail doubtful*",
    "quarantine-full": "*no room for more unreadable messages*",
    "clock-stepped": "*this machine's clock was set*",
    "rota-unread": "*changed rota cannot be read*",
    "rota-runs-out": "*rota runs out*",
    "site-file-unread": "*changed site file is wrong*",
    "record-not-signed": "*record not signed*",
}
"""How the README names each sort of trouble."""

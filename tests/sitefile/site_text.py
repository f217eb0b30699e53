"""A small site file that is right, and what is said of it after a change."""

from __future__ import annotations

from pathlib import Path

from monitor.core.problems import Problem
from monitor.settings import Settings, examine, load

KEY = b"k" * 32

SITE = """\
[site]
name = "larkfield"
setting = "ward"
zone = "Europe/London"
last_resort = "manager"
technical = "technical"

[broker]
addresses = ["mqtt://127.0.0.1:1883"]

[carriers.mail]
kind = "email"
host = "127.0.0.1"
port = 2525
security = "none"
sender = "Second Bell <bell@larkfield.example.invalid>"

[carriers.pager]
kind = "snpp"
host = "127.0.0.1"
limit = "10 s"

[people.nurse]
called = "night nurse"
reach = [{ carrier = "pager", address = "4471" }, { carrier = "mail", address = "nurse@larkfield.example.invalid" }]

[people.manager]
called = "ward manager"
reach = [{ carrier = "pager", address = "4499" }, { carrier = "mail", address = "manager@larkfield.example.invalid" }]

[people.technical]
called = "technical contact"
reach = [{ carrier = "mail", address = "tech@larkfield.example.invalid" }, { carrier = "pager", address = "4490" }]

[units.elm]
[units.ash]

[[ladders]]
unit = "*"
priority = "high"
rungs = [{ tell = ["role:nurse"], wait = "3 min" }, { tell = ["person:manager"], wait = "4 min" }]

[[ladders]]
unit = "*"
priority = "medium"
rungs = [{ tell = ["role:nurse"] }]

[[duty]]
person = "nurse"
role = "nurse"

[[drills]]
unit = 'elm'
at = "10:00"

[devices.pump-1]
unit = "elm"
place = "bay 1 bed 1"
pager_place = "b1 b1"
"""


def written(folder: Path, *changes: tuple[str, str], more: str = "") -> Path:
    """The site file with each change made once, and more at its end."""
    text = SITE
    for old, new in changes:
        assert old in text, f"nothing to change: {old}"
        text = text.replace(old, new, 1)
    path = folder / "site.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


def loaded(folder: Path, *changes: tuple[str, str], more: str = "") -> Settings:
    """The settings of the changed site."""
    return load(written(folder, *changes, more=more), key=KEY)


def errors(folder: Path, *changes: tuple[str, str], more: str = "") -> list[tuple[str, str, str]]:
    """Key, value and expectation of every error in the changed site; each names the file."""
    return _said(folder, examine(written(folder, *changes, more=more)).errors)


def warnings(folder: Path, *changes: tuple[str, str], more: str = "") -> list[tuple[str, str, str]]:
    """Key, value and text of every warning about the changed site; each names the file."""
    return _said(folder, examine(written(folder, *changes, more=more)).warnings)


def _said(folder: Path, problems: tuple[Problem, ...]) -> list[tuple[str, str, str]]:
    assert {problem.file for problem in problems} <= {str(folder / "site.toml")}
    return [(problem.key, problem.value, problem.expected) for problem in problems]

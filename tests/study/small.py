"""A small world for tests that really play: the shipped ward with three pumps; and a strategies file of three."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

STRATEGIES = """\
[[strategies]]
name = "forwarded at once"
says = "Every medium and high alarm is forwarded as it begins."
rules = ["forwarded.toml"]

[[strategies]]
name = "Second Bell as shipped"
says = "The shipped rule book with its shipped thresholds."
rules = ["shipped"]
"""


def small_world(folder: Path, name: str = "small") -> Path:
    """The world's file."""
    text = (resources.files("simulators") / "worlds" / "ward.toml").read_text(encoding="utf-8")
    text, changed = re.subn(r"(?m)^count = \{ value = \d+, low = \d+", "count = { value = 3, low = 1", text)
    assert changed == 1
    path = folder / f"{name}.toml"
    path.write_text(re.sub(r"(?m)^name = .*$", f'name = "{name}"', text, count=1))
    return path


def few_strategies(folder: Path) -> Path:
    """The strategies' file, with the rule that it needs."""
    rule = resources.files("monitor.study") / "rules" / "forwarded-at-once.toml"
    (folder / "forwarded.toml").write_text(rule.read_text(encoding="utf-8"))
    path = folder / "strategies.toml"
    path.write_text(STRATEGIES)
    return path

"""rules/README.md is what `python -m monitor.rule_table` makes of the rules."""

from __future__ import annotations

import re
from pathlib import Path

from monitor import rule_table
from monitor.core.rulebook import Rule, parse
from monitor.shipped import shipped_rules

RULES = Path(__file__).parent.parent / "rules"


def test_the_page_is_the_rules() -> None:
    """After a change to a rule it is made anew."""
    made = rule_table.page(shipped_rules())
    assert (RULES / "README.md").read_text(encoding="utf-8") == made, (
        "python -m monitor.rule_table > rules/README.md"
    )


def test_every_rule_and_default_stands_in_it() -> None:
    """One row a rule, in the order of their ids, each with its sentence, hazard, defaults and sources."""
    rows = re.findall(r"^\| `(.*)\|$", rule_table.page(shipped_rules()), re.MULTILINE)
    assert [row.partition("`")[0] for row in rows] == sorted(path.stem for path in RULES.glob("*.toml"))
    for row, rule in zip(rows, shipped_rules(), strict=True):
        cells = row.split(" | ")
        assert (cells[1], cells[2], len(cells)) == (rule.sentence, rule.hazard, 7)
        for name, threshold in rule.thresholds.items():
            home = "" if threshold.home is None else f" (home {threshold.home})"
            assert f"`{name}` {threshold.value}{home}" in cells[4].split("<br>")
            assert name in cells[5] or "<br>" not in cells[5]
        assert [answer in cells[6] for answer in rule.quieted_by] == [True] * len(rule.quieted_by)


def changed(**said: str) -> Rule:
    """A shipped rule with other words."""
    text = (RULES / "unattended.toml").read_text(encoding="utf-8")
    for name, value in said.items():
        text = re.sub(rf'^{name} = ".*"$', f'{name} = "{value}"', text, count=1, flags=re.MULTILINE)
    return parse(text, "unattended.toml")


def test_a_bar_in_a_text_makes_no_column() -> None:
    """It is escaped, as Markdown wants it."""
    assert r"| this\|that is what holds |" in rule_table.page([changed(sentence="this|that is what holds")])


def test_the_page_is_no_rule(tmp_path: Path) -> None:
    """It lies beside the rules, in a wheel too, and is not read as one."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "monitor").mkdir()
    (tmp_path / "rules" / "README.md").write_text("not a rule", encoding="utf-8")
    assert shipped_rules(tmp_path / "monitor") == []

"""The table of all shipped rules in rules/README.md, made from the rule files.

After a change to a rule: `python -m monitor.rule_table > rules/README.md`; a test holds the page to it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping

from monitor.core.rulebook import Rule
from monitor.shipped import shipped_rules

_HEAD = """\
# The shipped rules

Made from the rule files by `python -m monitor.rule_table`; do not edit it here. Why each default is what it is stands
beside it in the rule's file, with what a notice asks to check and the traces that the rule is held to. A site sets its
own values, or switches a rule off with a reason, in its site file; a further rule is a further file of the same form in
the site's `rules_dir`. `secondbell check` says for which pumps of a site each rule can hold at all. "cp": common
practice, no source; a site sets its own. "Quieted by": the answers of a person that say that it is so on purpose; while
one of them counts, the rule raises no concern, and what still holds at its end is told at once.

"""
_COLUMNS = ("id", "sentence", "hazard", "priority", "defaults", "source", "quieted by")
_COMMON_PRACTICE = "common practice, no source; a site sets its own"


def page(rules: Iterable[Rule]) -> str:
    """The whole page, in Markdown, the rules by id."""
    rows = [_COLUMNS, tuple("---" for _ in _COLUMNS)]
    rows += [_row(rule) for rule in sorted(rules, key=lambda rule: rule.id)]
    return _HEAD + "".join(f"| {' | '.join(row)} |\n" for row in rows)


def _row(rule: Rule) -> tuple[str, ...]:
    priorities = dict.fromkeys("the alarm's" if b.priority == "alarm" else b.priority for b in rule.when)
    defaults, sources = [], dict[str, list[str]]()
    for name, threshold in rule.thresholds.items():
        home = "" if threshold.home is None else f" (home {threshold.home})"
        defaults.append(f"`{name}` {threshold.value}{home}")
        sources.setdefault(threshold.source.replace(_COMMON_PRACTICE, "cp"), []).append(f"`{name}`")
    return tuple(
        cell.replace("|", r"\|")
        for cell in (
            f"`{rule.id}`", rule.sentence, rule.hazard, "; ".join(priorities), "<br>".join(defaults) or "none",
            _told(sources), ", ".join(f"`{answer}`" for answer in rule.quieted_by) or "nothing",
        )
    )  # fmt: skip


def _told(sources: Mapping[str, list[str]]) -> str:
    """Each source once; which thresholds it is for, if there are several."""
    if len(sources) == 1:
        return next(iter(sources))
    return "<br>".join(f"{', '.join(names)}: {source}" for source, names in sources.items())


if __name__ == "__main__":
    sys.stdout.write(page(shipped_rules()))

"""The evidence of a concern: message, values, since when, and each limit with the line on which it was written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.core.instants import MINUTE
from monitor.core.rulebook import Rule, parse, resolve
from monitor.shipped import shipped_rule_files
from monitor.testing import START, Bench
from tests.core.rule_mails import evidence_of, firing
from tests.core.stories import FAULT, RINGING, only, ringing, unattended
from tests.sitefile.site_text import loaded, written

RULES = Path(__file__).parents[2] / "rules"
FIRING = [(rule, trace) for rule, trace, setting in firing() if setting == ("home" if trace.home else "ward")]


def line_of(file: str, line: int) -> str:
    """One line of a shipped file."""
    return (RULES.parent / file).read_text(encoding="utf-8").splitlines()[line - 1]


@pytest.mark.parametrize(("rule", "trace"), FIRING, ids=lambda each: getattr(each, "id", None) or each.name)
def test_every_limit_of_a_shipped_rule_has_its_line(rule: Rule, trace: Any) -> None:
    """Each limit that counted is on the line that is told, and there is one unless the rule has none."""
    seen = evidence_of(rule, trace)
    assert seen["held"], "something must hold"
    assert bool(seen["thresholds"]) == bool(rule.thresholds) or seen["held"][0]["met"][-1][1] == "is"
    for name, (file, line) in seen["from"].items():
        threshold = rule.thresholds[name]
        wanted = threshold.home if trace.home and threshold.home is not None else threshold.value
        shown = f'"{wanted}"' if isinstance(wanted, str) else str(wanted)
        key = "home" if trace.home and threshold.home is not None else "value"
        assert line_of(file, line) == f"{key} = {shown}"


@pytest.mark.parametrize(("rule", "trace"), FIRING, ids=lambda each: getattr(each, "id", None) or each.name)
def test_only_what_the_rule_looks_at_is_copied(rule: Rule, trace: Any) -> None:
    """Beside the message, the activity and the alarms nothing that the rule's conditions do not look at."""
    always = {"message", "source", "seen", "activity", "alarms", "onsets"}
    always |= {"at", "pattern", "held", "thresholds", "from"}
    made_of = {"rate_ml_h", "highest_rate_ml_h"} if rule.id == "over-plan" else set()
    made_of |= {"battery_percent"} if rule.id == "not-charging" else set()
    text = rule.model_dump_json(include={"when"})
    for name in evidence_of(rule, trace).keys() - always - made_of:
        assert f'"{name}"' in text


def test_an_alarm_with_its_run_and_limit() -> None:
    """The entry of a concern: which message, which alarm, since when, which limit, from which line."""
    bench = unattended()
    concern = bench.concern("pump-1")
    seen = concern.evidence
    (reason,) = seen["held"]
    assert reason == {
        "for": "patience", "since": START + 1_000, "sound": "enabled", "alarm": ["downstream-occlusion", "feed"],
    }  # fmt: skip
    assert seen["thresholds"] == {"patience": [5 * MINUTE, "ms"]}
    file, line = seen["from"]["patience"]
    assert (file, line_of(file, line)) == ("rules/unattended.toml", 'value = "5 min"')
    assert (seen["at"], seen["pattern"], "mains" in seen) == (START + 301_000, "lasting", False)
    raised = next(happening for happening in bench.happened if happening.event == "raised")
    assert raised.detail["evidence"] == seen


def test_a_rise_has_its_own_evidence() -> None:
    """A priority that rises says by what: the entry and the concern have the higher alarm's limit."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:05:10")
    bench.snapshot("pump-1", alarms=[RINGING, FAULT])
    bench.at("00:07:20")
    rise = next(happening for happening in bench.happened if happening.event == "priority-raised")
    seen = bench.concern("pump-1").evidence
    assert rise.detail["evidence"] == seen
    assert seen["held"][0]["alarm"] == ["drive-fault", "feed"]
    assert seen["thresholds"] == {"patience_high": [2 * MINUTE, "ms"]}


@pytest.mark.parametrize(
    ("more", "text"),
    [
        ('\n[rules.unattended]\npatience = "4 min"\n', 'patience = "4 min"'),
        ('\n[rules]\nunattended.patience = "4 min"\n', 'unattended.patience = "4 min"'),
        ('\n[rules]\nunattended = { patience = "4 min" }\n', 'unattended = { patience = "4 min" }'),
        ('\n[devices.pump-1.thresholds.unattended]\npatience = "4 min"\n', 'patience = "4 min"'),
    ],
)
def test_a_sites_own_limit_has_the_line_of_its_file(tmp_path: Path, more: str, text: str) -> None:
    """However it is written, and the file without its folder, which may name somebody."""
    site = loaded(tmp_path, more=more).site
    (rule,) = [rule for rule in site.rules_for("elm", "pump-1") if rule.id == "unattended"]
    place = rule.places["patience"]
    assert place.file == "site.toml"
    assert place.line is not None
    assert (tmp_path / "site.toml").read_text().splitlines()[place.line - 1] == text
    assert rule.places["patience_high"].file == "rules/unattended.toml"


def test_a_sites_own_rule_is_not_taken_for_a_shipped_one(tmp_path: Path) -> None:
    """Its folder may be called as the shipped one is."""
    (tmp_path / "rules").mkdir()
    text = (RULES / "unattended.toml").read_text(encoding="utf-8")
    (tmp_path / "rules" / "ours.toml").write_text(text.replace('"unattended"', '"ours"'), encoding="utf-8")
    site = loaded(tmp_path, ('setting = "ward"', 'setting = "ward"\nrules_dir = "rules"')).site
    (rule,) = [rule for rule in site.rules_for("elm", "pump-1") if rule.id == "ours"]
    line = text.splitlines().index("[thresholds.patience]") + 2
    assert str(rule.places["patience"]) == f"site's rules/ours.toml:{line}"


def test_the_last_of_several_is_the_one_that_counts(tmp_path: Path) -> None:
    """A device's own value, before its unit's, before the site's: the place is that of the value."""
    more = (
        '\n[rules.unattended]\npatience = "4 min"\n'
        '[units.elm.thresholds]\nunattended.patience = "3 min"\n'
        '[devices.pump-1.thresholds]\nunattended.patience = "2 min"\n'
    )
    path = written(tmp_path, ("[units.elm]\n", ""), more=more)
    lines = path.read_text().splitlines()
    site = loaded(tmp_path, ("[units.elm]\n", ""), more=more).site
    for device, value in (("pump-1", '"2 min"'), ("pump-2", '"3 min"')):
        (rule,) = [rule for rule in site.rules_for("elm", device) if rule.id == "unattended"]
        line = rule.places["patience"].line
        assert line is not None
        assert lines[line - 1] == f"unattended.patience = {value}"


def test_where_a_limit_was_written_is_no_part_of_its_meaning() -> None:
    """The same rule from another place, or with a comment before it, keeps what devices remember of it."""
    for file in shipped_rule_files():
        moved = parse(f"# moved\n{file.text}", f"/home/somebody/{file.file}")
        assert resolve(moved).digest == resolve(file.rule).digest
        assert moved.places == {
            name: place._replace(line=(place.line or 0) + 1) for name, place in file.rule.places.items()
        }

"""A rule that an integrator has written: a file in the site's folder, no Python, and what is said when it is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.core.instants import show
from monitor.settings import examine
from monitor.testing import Bench
from monitor.testing.ward import START
from tests.night import MINUTE, state
from tests.sitefile.site_text import loaded, written

IN_SITE = ("[site]", '[site]\nrules_dir = "rules"')

FLUSHES = """\
id = "flushing-too-long"
sentence = "A pump has been flushing for far longer than a flush takes."
hazard = "Water is given where feed was meant."
about = "delivery"
pattern = "lasting"

[[when]]
for = "patience"
priority = "medium"
[when.condition]
field = "activity"
is = "flushing"

[thresholds.patience]
value = "6 min"
looser = "higher"
reason = "No flush of this invented site takes longer."
source = "an invented site"

[checks]
first = ["How is the person? Then look at what hangs: water or feed."]

[[traces]]
name = "a flush that does not end"
until = "10 min"
holds = ["6 min"]
ends = ["8 min"]
steps = [{ at = "0 s", activity = "flushing" }, { at = "8 min", activity = "feeding" }]

[[traces]]
name = "a flush"
until = "10 min"
steps = [{ at = "0 s", activity = "flushing" }, { at = "5 min", activity = "feeding" }]
"""


def own(folder: Path, *changes: tuple[str, str], name: str = "own.toml", text: str = FLUSHES) -> None:
    """The site's rule, with each change made in it."""
    for old, new in changes:
        assert old in text, f"nothing to change: {old}"
        text = text.replace(old, new)
    (folder / "rules").mkdir(exist_ok=True)
    (folder / "rules" / name).write_text(text, encoding="utf-8")


def said(folder: Path, *changes: tuple[str, str], more: str = "") -> list[tuple[str, str, str, str]]:
    """All errors, with the names of files alone."""
    path = written(folder, IN_SITE, *changes, more=more)
    return [(Path(p.file).name, p.key, p.value, p.expected) for p in examine(path).errors]


def test_it_calls_somebody(tmp_path: Path) -> None:
    """In the engine that runs a ward it raises a concern, which is told by its own sentence, and settles."""
    own(tmp_path)
    bench = Bench(loaded(tmp_path, IN_SITE).site)
    bench.snapshot("pump-1", activity="flushing")
    bench.at("00:05:59")
    assert bench.concerns("pump-1") == []
    bench.at("00:07:00")
    concern = bench.assert_open("pump-1", "flushing-too-long")
    assert (concern.raised_at - bench.start, concern.priority) == (6 * MINUTE, "medium")
    assert "needs somebody" in bench.assert_told("nurse", "raised").text
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:09:00")
    bench.assert_settled("pump-1", "flushing-too-long")


def test_it_is_replayed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`replay` with the site file runs it over recorded messages, with the site's own threshold."""
    own(tmp_path)
    more = '[rules.flushing-too-long]\npatience = "3 min"\n'
    path = written(tmp_path, IN_SITE, more=more)
    trace = tmp_path / "trace.jsonl"
    lines = [state(START + n * MINUTE, "pump-1", activity="flushing")[1].decode() for n in range(5)]
    trace.write_text("\n".join(lines), encoding="utf-8")
    assert main(["replay", str(trace), "--site", str(path), "--only-rules", "--format", "jsonl"]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(event["event"], event["rule"], event["at"]) for event in found] == [
        ("holds", "flushing-too-long", show(START + 3 * MINUTE))
    ]


def test_every_mistake_of_every_file_at_once(tmp_path: Path) -> None:
    """A file that cannot be read hides neither the mistakes of the others nor those of the site file."""
    own(tmp_path, ('"flushing"\n', '"flushin"\n'), ("for = ", "fore = "), name="a.toml")
    own(tmp_path, ('id = "flushing-too-long"', 'id = "second"'), ('["6 min"]', '["7 min"]'), name="b.toml")
    own(tmp_path, ('id = "flushing-too-long"', 'id = "unattended"'), name="c.toml")
    own(tmp_path, text="id = ", name="d.toml")
    found = said(
        tmp_path,
        ('zone = "Europe/London"', 'zone = "Nowhere"'),
        more="[rules.flushing-too-long]\npatience = 3\n",
    )
    assert [(file, key) for file, key, _, _ in found] == [
        ("a.toml", "when[0].fore"),
        ("d.toml", ""),
        ("b.toml", "traces[0].holds"),
        ("c.toml", "id"),
        ("site.toml", "site.zone"),
    ]
    assert found[2][2:] == ("['7 min']", "the rule says 6 min")
    assert found[3][3].startswith("an id of its own, rules/unattended.toml has it")


@pytest.mark.parametrize(
    ("old", "new", "key", "value", "expected"),
    [
        ('is = "flushing"', 'is = "flushin"', "when[0].condition.is", "'flushin'", "one of "),
        (
            'field = "activity"',
            'field = "activty"',
            "when[0].condition.field",
            "'activty'",
            "one of activity, ",
        ),
        (
            'value = "6 min"',
            'value = "6 mins"',
            "thresholds.patience.value",
            "'6 mins'",
            "a quantity with its unit",
        ),
        (
            'value = "6 min"',
            "value = 6",
            "thresholds.patience.value",
            "6",
            "a duration, as when[0].for uses it",
        ),
        ('value = "6 min"', 'value = "0 s"', "thresholds.patience.value", "'0 s'", "more than nothing"),
        (
            '"lasting"',
            '"lastin"',
            "pattern",
            "'lastin'",
            "Input should be 'lasting', 'recurring' or 'silent'",
        ),
    ],
)
def test_a_mistake_names_file_key_value_and_what_was_expected(
    tmp_path: Path, old: str, new: str, key: str, value: str, expected: str
) -> None:
    """One mistake, one error, and none that only follows from it."""
    own(tmp_path, (old, new))
    ((file, found_key, found_value, wanted),) = said(
        tmp_path, more='[rules.flushing-too-long]\npatience = "3 min"\n'
    )
    assert (file, found_key, found_value) == ("own.toml", key, value)
    assert wanted.startswith(expected)


def test_two_files_with_one_id(tmp_path: Path) -> None:
    """Both are named."""
    own(tmp_path, name="a.toml")
    own(tmp_path, name="b.toml")
    ((file, key, value, expected),) = said(tmp_path)
    assert (file, key, value) == ("b.toml", "id", "'flushing-too-long'")
    assert f"{tmp_path}/rules/a.toml has it" in expected


def test_in_the_place_of_a_shipped_rule_that_is_switched_off(tmp_path: Path) -> None:
    """With a reason, the site's own rule of the same id runs, and the shipped one does not."""
    own(tmp_path, ('id = "flushing-too-long"', 'id = "chattering"'))
    more = "[rules.chattering]\noff = 'ours counts flushes'\npatience = '2 min'\n"
    path = written(tmp_path, IN_SITE, more=more)
    examined = examine(path)
    assert examined.errors == ()
    assert [(p.key, p.expected) for p in examined.warnings] == [
        ("rules.chattering.off", "this rule is switched off; one of this site runs in its place")
    ]
    site = loaded(tmp_path, IN_SITE, more=more).site
    assert "chattering" not in site.switched_off
    (rule,) = [rule for rule in site.rules_for("elm", "pump-1") if rule.id == "chattering"]
    assert rule.source.sentence.startswith("A pump has been flushing")
    assert rule.thresholds["patience"].number == 2 * MINUTE

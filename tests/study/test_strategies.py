"""The ways of telling people that are compared: those that are shipped, and files with mistakes."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.core.traces import trace_problems
from monitor.shipped import shipped_rules
from monitor.study.strategies import NOBODY, load, shipped_strategies, with_site

PLAIN = """
[[strategies]]
name = "Second Bell"
says = "As shipped."
rules = ["shipped"]
"""


def problems(tmp_path: Path, text: str) -> list[str]:
    """What is wrong with a strategies file, each as key, value and what was expected."""
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProblemsFound) as found:
        load(path)
    assert all(problem.file == str(path) for problem in found.value.problems)
    return [f"{problem.key} | {problem.value} | {problem.expected}" for problem in found.value.problems]


def test_the_shipped_ones() -> None:
    """Nobody told comes first, names are unique, each rule is left out once, and each swept value is there."""
    found = shipped_strategies()
    assert found[0] is NOBODY
    assert len({strategy.name for strategy in found}) == len(found)
    whole = next(strategy for strategy in found if strategy.name == "Second Bell as shipped")
    assert whole.rules == tuple(shipped_rules())
    left = [strategy for strategy in found if strategy.group == "left out"]
    assert {strategy.left_out for strategy in left} == {rule.id for rule in whole.rules} - {"drill-missed"}
    for strategy in left:
        assert len(strategy.rules) == len(whole.rules) - 1
        assert strategy.left_out not in [rule.id for rule in strategy.rules]
    for strategy in found:
        if strategy.group == "sweep":
            assert strategy.swept is not None
            rule, key, value = strategy.swept
            assert strategy.thresholds == {rule: {key: value}}
            assert strategy.name == f"{rule}.{key} = {value}"


def test_the_baselines_are_rule_files_that_keep_their_traces() -> None:
    """What forwards alarms is no shipped rule, and does what its traces say."""
    shipped = {rule.id for rule in shipped_rules()}
    baselines = {
        rule.id: rule
        for strategy in shipped_strategies()
        for rule in strategy.rules
        if rule.id.startswith("forwarded")
    }
    assert set(baselines) == {"forwarded", "forwarded-at-once"}
    assert not set(baselines) & shipped
    for rule in baselines.values():
        assert trace_problems(rule, rule.id) == []


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    """Rule files lie where the file says, relative to itself; thresholds and sweeps are taken."""
    own = (Path(__file__).parents[2] / "rules" / "unattended.toml").read_text(encoding="utf-8")
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "mine.toml").write_text(
        own.replace('id = "unattended"', 'id = "mine"', 1), encoding="utf-8"
    )
    path = tmp_path / "strategies.toml"
    path.write_text(
        PLAIN
        + """
[[strategies]]
name = "mine"
says = "My own rule."
rules = ["rules/mine.toml"]
thresholds = { mine = { patience = "7 min" } }

[[sweeps]]
of = "mine"
rule = "mine"
key = "patience_high"
values = ["1 min", "3 min"]
""",
        encoding="utf-8",
    )
    found = {strategy.name: strategy for strategy in load(path)}
    assert list(found) == [
        "nobody told",
        "Second Bell",
        "mine",
        "mine.patience_high = 1 min",
        "mine.patience_high = 3 min",
    ]
    assert found["mine.patience_high = 1 min"].thresholds == {
        "mine": {"patience": "7 min", "patience_high": "1 min"}
    }


def test_a_strategy_goes_to_another_process_and_is_the_same_there() -> None:
    """Workers get strategies pickled; what tells results of two apart comes out the same."""
    for strategy in shipped_strategies()[:7]:
        assert pickle.loads(pickle.dumps(strategy)).digest == strategy.digest
    digests = [strategy.digest for strategy in shipped_strategies() if strategy.group != "sweep"]
    assert len(set(digests)) == len(digests)


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        (
            '[[sweeps]]\nof = "Second Bell"\nrule = "unatended"\nkey = "patience"\nvalues = ["1 min"]',
            "sweeps[0].rule | 'unatended' | a rule of Second Bell: behind-plan,",
        ),
        (
            '[[sweeps]]\nof = "Second Bell"\nrule = "unattended"\nkey = "patiense"\nvalues = ["1 min"]',
            "sweeps[0].key | 'patiense' | a threshold of unattended: patience, patience_high",
        ),
        (
            '[[sweeps]]\nof = "Second Bell"\nrule = "unattended"\nkey = "patience"\nvalues = ["1 min", "soon"]',
            "sweeps[0].values[1] | 'soon' | a quantity with its unit",
        ),
        (
            '[[sweeps]]\nof = "Second Bell"\nrule = "unattended"\nkey = "patience"\nvalues = ["0 s"]',
            "sweeps[0].values[0] | '0 s' | more than nothing",
        ),
        (
            '[[sweeps]]\nof = "First Bell"\nrule = "unattended"\nkey = "patience"\nvalues = ["1 min"]',
            "sweeps[0].of | 'First Bell' | a strategy of this file: nobody told, Second Bell",
        ),
        (
            '[[sweeps]]\nof = "Second Bell"\nrule = "unattended"\nkey = "patience"\nvalues = ["1 min", "1 min"]',
            "sweeps[0].values[1] | 'unattended.patience = 1 min' | a name of its own",
        ),
        (PLAIN, "strategies[1].name | 'Second Bell' | a name of its own"),
        (
            PLAIN.replace("Second Bell", "nobody told"),
            "strategies[1].name | 'nobody told' | a name of its own",
        ),
        (
            '[left_out]\nof = "Second Bell"\nkeep = ["drill"]',
            "left_out.keep[0] | 'drill' | a rule of Second Bell: behind-plan,",
        ),
        (
            PLAIN.replace('"Second Bell"', '"b"').replace('["shipped"]', '["shipped", "shiped"]'),
            "strategies[1].rules[1] | 'shiped' | \"shipped\", or the path of a rule file (.toml)",
        ),
        (
            PLAIN.replace('"Second Bell"', '"b"') + 'thresholds = { forwarded = { patience = "1 min" } }',
            "strategies[1].thresholds.forwarded | {'patience': '1 min'} | a rule of this strategy: behind-plan,",
        ),
        (
            PLAIN.replace('"Second Bell"', '"b"') + "thresholds = { unattended = { patience = 5 } }",
            'strategies[1].thresholds.unattended.patience | 5 | a quantity like the shipped "5 min"',
        ),
        ("[[sweps]]\nof = 1", "sweps |  | no such key"),
    ],
)
def test_a_mistake_is_named(tmp_path: Path, more: str, expected: str) -> None:
    """File, key, value and what is right are said."""
    [found] = problems(tmp_path, PLAIN + more)
    assert found.startswith(expected)


def test_a_file_that_is_not_there_or_not_toml(tmp_path: Path) -> None:
    """Neither is a stack trace."""
    with pytest.raises(ProblemsFound, match=r"mine\.toml: .*cannot be read"):
        load(tmp_path / "mine.toml")
    assert "not valid TOML" in problems(tmp_path, "strategies = [")[0]


def test_a_rule_file_that_is_not_there(tmp_path: Path) -> None:
    """It is named by its path."""
    path = tmp_path / "mine.toml"
    path.write_text(PLAIN.replace("shipped", "rules/none.toml"), encoding="utf-8")
    with pytest.raises(ProblemsFound, match=r"rules/none.toml: .*cannot be read"):
        load(path)


def test_as_a_site_has_set_it(tmp_path: Path) -> None:
    """Rules that are off, thresholds, times and the load limit of a site file make one more strategy."""
    sample = (Path(__file__).parents[2] / "config" / "ward.toml").read_text(encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text(
        sample.replace("[load]\nnotices = 10", "[load]\nnotices = 7")
        + '\n[rules.chattering]\noff = "too many"\n\n[rules.unattended]\npatience = "7 min"\n',
        encoding="utf-8",
    )
    *_, more = with_site(shipped_strategies()[:1], site)
    assert more.name == "as larkfield has set it"
    assert more.group == "side by side"
    assert "chattering" not in [rule.id for rule in more.rules]
    assert more.thresholds == {"unattended": {"patience": "7 min"}}
    assert more.most_notices == 7

"""Rule files: what is right is compiled, every mistake names file, key, value and what was expected."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rulebook import Quantity, override_problem, parse, resolve
from monitor.core.traces import trace_problems
from tests.core.rule_text import LASTING, RECURRING, SILENT, changed, rule

CONDITION = changed(LASTING, 'memory = "each"\n', "").replace(
    'alarm = { priority = ["medium", "high"] }', 'condition = { field = "battery_percent", below = "low" }'
)
CONDITION = CONDITION.replace('priority = "alarm"', 'priority = "medium"').replace(
    "[checks]",
    '[thresholds.low]\nvalue = "20 %"\nlooser = "lower"\nreason = "A made-up limit."\nsource = "made up"\n\n[checks]',
)
UNIT = CONDITION.replace('about = "alarms"', 'about = "sight"\nscope = "unit"').replace(
    '{ field = "battery_percent", below = "low" }', '{ field = "sight_lost", is = true }'
)
UNIT = UNIT.replace('alarms = [{ condition = "occlusion" }]', "sight_lost = true").replace(
    'activity = "feeding"', "sight_lost = false"
)


def problems(text: str) -> tuple[Problem, ...]:
    """The mistakes of a rule file."""
    with pytest.raises(ProblemsFound) as found:
        parse(text, "rules/made-up.toml")
    assert {problem.file for problem in found.value.problems} == {"rules/made-up.toml"}
    return found.value.problems


@pytest.mark.parametrize("text", [LASTING, RECURRING, SILENT, CONDITION, UNIT])
def test_what_is_right_is_read(text: str) -> None:
    """The texts that the other tests break are right themselves."""
    parse(text, "rules/made-up.toml")


@pytest.mark.parametrize("text", [LASTING, RECURRING, SILENT])
def test_traces_that_do_as_they_say(text: str) -> None:
    """They contradict nothing."""
    assert trace_problems(parse(text, "rules/made-up.toml"), "rules/made-up.toml") == []


ALARM = 'alarm = { priority = ["medium", "high"] }'
LOW = '"battery_percent", below = "low"'
PATIENCE = 'value = "100 ms"'
A_STEP = 'steps = [{ at = "0 s", activity = "feeding" }]'
NO_REASON = 'source = "made up"\n\n[thresholds.gap]'
UNITLESS = "a quantity with its unit"

BROKEN = {
    "unknown key": (LASTING, 'about = "alarms"', 'abuot = "alarms"', "abuot", "'alarms'", "no such key"),
    "unknown key within": (
        LASTING,
        'for = "patience"',
        'for = "patience"\nsince = "gap"',
        "when[0].since",
        "'gap'",
        "no such key",
    ),
    "missing key": (LASTING, 'hazard = "None: nobody is fed by it."\n', "", "hazard", "", "missing"),
    "unknown pattern": (LASTING, '"lasting"', '"lingering"', "pattern", "'lingering'", "'lasting'"),
    "unknown memory": (LASTING, '"each"', '"every"', "memory", "'every'", "'each'"),
    "bad id": (LASTING, '"made-up"', '"Made Up"', "id", "'Made Up'", "pattern"),
    "unknown operator": (
        CONDITION,
        'below = "low"',
        'under = "low"',
        "when[0].condition.under",
        "'low'",
        "no such key",
    ),
    "no operator": (
        CONDITION,
        ', below = "low"',
        "",
        "when[0].condition",
        "",
        "exactly one of is, below, above",
    ),
    "two operators": (
        CONDITION,
        'below = "low"',
        'below = "low", above = "low"',
        "when[0].condition",
        "",
        "exactly one",
    ),
    "unknown field": (
        CONDITION,
        '"battery_percent"',
        '"battery"',
        "when[0].condition.field",
        "'battery'",
        "battery_percent",
    ),
    "is on a quantity": (
        CONDITION,
        'below = "low"',
        "is = true",
        "when[0].condition.is",
        "True",
        "below or above",
    ),
    "is of a number": (CONDITION, 'below = "low"', "is = 20", "when[0].condition.is", "20", "true, false"),
    "below on a flag": (
        CONDITION,
        '"battery_percent"',
        '"mains"',
        "when[0].condition.below",
        "'low'",
        "is, as",
    ),
    "a word for a flag": (
        CONDITION,
        LOW,
        '"mains", is = "off"',
        "when[0].condition.is",
        "'off'",
        "true or false",
    ),
    "an unknown activity": (
        CONDITION,
        LOW,
        '"activity", is = "eating"',
        "when[0].condition.is",
        "'eating'",
        "feeding",
    ),
    "threshold of another unit": (
        CONDITION,
        '"20 %"',
        '"20 mL"',
        "thresholds.low.value",
        "'20 mL'",
        "a quantity in %",
    ),
    "more than all": (CONDITION, '"20 %"', '"120 %"', "thresholds.low.value", "'120 %'", "0 to 100"),
    "unknown unit": (
        LASTING,
        PATIENCE,
        'value = "100 fortnights"',
        "thresholds.patience.value",
        "'100 fortnights'",
        UNITLESS,
    ),
    "no unit": (LASTING, PATIENCE, "value = 100", "thresholds.patience.value", "100", "a duration"),
    "a fraction": (LASTING, PATIENCE, "value = 2.5", "thresholds.patience.value", "2.5", UNITLESS),
    "less than a millisecond": (
        LASTING,
        PATIENCE,
        'value = "0.5 ms"',
        "thresholds.patience.value",
        "'0.5 ms'",
        UNITLESS,
    ),
    "true": (LASTING, PATIENCE, "value = true", "thresholds.patience.value", "True", UNITLESS),
    "nothing": (
        LASTING,
        PATIENCE,
        'value = "0 s"',
        "thresholds.patience.value",
        "'0 s'",
        "more than nothing",
    ),
    "within nothing": (
        RECURRING,
        '"100 ms"',
        '"0 s"',
        "thresholds.patience.value",
        "'0 s'",
        "more than nothing",
    ),
    "no times": (RECURRING, "value = 2", "value = 0", "thresholds.times.value", "0", "more than nothing"),
    "once": (RECURRING, "value = 2", "value = 1", "thresholds.times.value", "1", "2 or more"),
    "once at home": (
        RECURRING,
        "value = 2",
        "value = 2\nhome = 1",
        "thresholds.times.home",
        "1",
        "2 or more",
    ),
    "negative times": (
        RECURRING,
        "value = 2",
        "value = -2",
        "thresholds.times.value",
        "-2",
        "more than nothing",
    ),
    "times with a unit": (
        RECURRING,
        "value = 2",
        'value = "2 s"',
        "thresholds.times.value",
        "'2 s'",
        "a whole number",
    ),
    "nothing at home": (
        LASTING,
        PATIENCE,
        'value = "100 ms"\nhome = "0 s"',
        "thresholds.patience.home",
        "'0 s'",
        "more than nothing",
    ),
    "another unit at home": (
        LASTING,
        PATIENCE,
        'value = "100 ms"\nhome = "5 %"',
        "thresholds.patience",
        "",
        "unit of value",
    ),
    "no reason": (
        LASTING,
        'reason = "Short, so that tests are."\n' + NO_REASON,
        NO_REASON,
        "thresholds.patience.reason",
        "",
        "missing",
    ),
    "unknown threshold": (
        LASTING,
        'for = "patience"',
        'for = "patients"',
        "when[0].for",
        "'patients'",
        "patience, gap",
    ),
    "no for": (SILENT, 'for = "patience"\n', "", "when[0].for", "", "is missing"),
    "no quiet": (RECURRING, 'quiet = "gap"\n', "", "when[0].quiet", "", "is missing"),
    "a key of another pattern": (
        SILENT,
        'for = "patience"',
        'for = "patience"\nbridging = "gap"',
        "when[0].bridging",
        "'gap'",
        "silent rule has no such key",
    ),
    "recurring without alarm": (
        RECURRING,
        ALARM,
        'condition = { field = "mains", is = false }',
        "when[0]",
        "",
        "recurring counts onsets",
    ),
    "silent with alarm": (
        SILENT,
        'condition = { field = "feed_due", is = true }',
        "alarm = {}",
        "when[0]",
        "",
        "silent looks at the device",
    ),
    "neither condition nor alarm": (
        LASTING,
        'alarm = { priority = ["medium", "high"] }\n',
        "",
        "when[0]",
        "",
        "exactly one of condition, alarm",
    ),
    "an alarm's priority without alarm": (
        CONDITION,
        'priority = "medium"',
        'priority = "alarm"',
        "when[0].priority",
        "'alarm'",
        "high, medium or low",
    ),
    "each without alarm": (
        CONDITION,
        'pattern = "lasting"',
        'pattern = "lasting"\nmemory = "each"',
        "memory",
        "'each'",
        "together",
    ),
    "unknown priority": (
        LASTING,
        '["medium", "high"]',
        '["medium", "urgent"]',
        "when[0].alarm.priority[1]",
        "'urgent'",
        "'high'",
    ),
    "unknown sound": (
        LASTING,
        '["medium", "high"]',
        '["medium"], sound = "muted"',
        "when[0].alarm.sound",
        "'muted'",
        "'inactivated'",
    ),
    "not a condition's name": (
        LASTING,
        'priority = ["medium", "high"]',
        'condition = ["Line blocked"]',
        "when[0].alarm.condition[0]",
        "'Line blocked'",
        "pattern",
    ),
    "a unit's rule about alarms": (
        UNIT,
        'condition = { field = "sight_lost", is = true }',
        "alarm = {}",
        "when[0]",
        "",
        "only devices have alarms",
    ),
    "a unit's rule that is silent": (
        changed(UNIT, 'bridging = "gap"\n', ""),
        '"lasting"',
        '"silent"',
        "pattern",
        "'silent'",
        "lasting",
    ),
    "a device's field in a unit's rule": (
        UNIT,
        '"sight_lost"',
        '"mains"',
        "when[0].condition.field",
        "'mains'",
        "sight_lost",
    ),
    "too few traces": (LASTING, LASTING[LASTING.rindex("[[traces]]") :], "", "traces", "", "at least 2"),
    "a trace's activity": (
        LASTING,
        'activity = "feeding"',
        'activity = "eating"',
        "traces[1].steps[0].activity",
        "'eating'",
        "feeding",
    ),
    "a trace's offset": (
        LASTING,
        '{ at = "0 s", activity',
        '{ at = "noon", activity',
        "traces[1].steps[0].at",
        "'noon'",
        "duration",
    ),
    "a trace's battery": (
        LASTING,
        'activity = "feeding"',
        "battery_percent = 300",
        "traces[1].steps[0].battery_percent",
        "300",
        "100",
    ),
    "a trace's sound": (
        LASTING,
        '{ condition = "occlusion" }',
        '{ condition = "occlusion", inactivation = "muted" }',
        "traces[0].steps[0].alarms[0].inactivation",
        "'muted'",
        "audio-paused",
    ),
    "a trace out of order": (
        LASTING,
        A_STEP,
        'steps = [{ at = "5 ms" }, { at = "5 ms" }]',
        "traces[1].steps[1].at",
        "'5 ms'",
        "later than the step before",
    ),
    "a unit's state in a device's trace": (
        LASTING,
        'activity = "feeding"',
        "sight_lost = true",
        "traces[1].steps[0].sight_lost",
        "",
        "about a device",
    ),
    "a trace that ends too soon": (
        LASTING,
        '{ at = "0 s", activity',
        '{ at = "2 s", activity',
        "traces[1].until",
        "'1 s'",
        "not before the last step",
    ),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_mistake_is_named(kind: str) -> None:
    """File, key, value and what was expected; and nothing else is complained of."""
    text, old, new, key, value, expected = BROKEN[kind]
    found = problems(changed(text, old, new))
    if kind == "unknown key":  # and the right one is missing
        assert found[0].key == "about"
        found = found[1:]
    assert [(problem.key, problem.value) for problem in found] == [(key, value)], found
    assert expected in found[0].expected
    assert str(found[0]).startswith(f"rules/made-up.toml: {key}")


def test_a_lasting_condition_without_for_holds_at_once() -> None:
    """From the first snapshot at which it is true, until the first at which it is not."""
    text = changed(
        changed(LASTING, 'for = "patience"\nbridging = "gap"\n', ""), 'holds = ["100 ms"]', 'holds = ["0 s"]'
    )
    start, end = text.index("[thresholds.patience]"), text.index("[checks]")
    at_once = parse(text[:start] + text[end:], "made-up.toml")
    assert trace_problems(at_once, "made-up.toml") == []
    assert [(branch.hold_for, branch.bridging) for branch in resolve(at_once).branches] == [(0, 0)]


def test_several_mistakes_are_told_at_once() -> None:
    """Four mistakes of form, and three that only the whole file shows."""
    text = changed(LASTING, '"lasting"', '"lingering"')
    text = changed(text, 'value = "100 ms"', 'value = "ages"\nkind = "s"')
    text = changed(text, 'first = ["Look."]', "first = []")
    keys = {problem.key for problem in problems(text)}
    assert keys == {"pattern", "thresholds.patience.value", "thresholds.patience.kind", "checks.first"}
    text = changed(RECURRING, 'times = "times"', 'times = "gap"')
    text = changed(text, 'within = "patience"', 'within = "patients"')
    text = changed(text, "value = 2", "value = 0")
    keys = {problem.key for problem in problems(text)}
    assert keys == {"thresholds.gap.value", "when[0].within", "thresholds.times.value"}


def test_once_within_nothing() -> None:
    """A rule that is to recur once in no time at all: both are told."""
    text = changed(RECURRING, "value = 2", "value = 1")
    found = problems(changed(text, 'value = "100 ms"', 'value = "0 s"'))
    assert [(problem.key, problem.value, problem.expected) for problem in found] == [
        ("thresholds.patience.value", "'0 s'", "more than nothing"),
        (
            "thresholds.times.value",
            "1",
            "2 or more, as a single onset does not recur; a lasting rule tells of one",
        ),
    ]


def test_a_site_cannot_make_once_enough() -> None:
    """Nor with a value of its own; more than shipped it may ask for."""
    recurring = parse(RECURRING, "made-up.toml")
    assert override_problem(recurring, "times", 1) == (
        "2 or more, as a single onset does not recur; a lasting rule tells of one"
    )
    assert override_problem(recurring, "times", 0) == "more than nothing"
    assert override_problem(recurring, "times", 2) is None
    assert override_problem(recurring, "times", 5) is None


def test_not_toml_at_all() -> None:
    """It says where."""
    (problem,) = problems('id = "made-up\n')
    assert "line 1" in problem.expected


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('holds = ["100 ms"]', 'holds = ["101 ms"]', "traces[0].holds", "the rule says 100 ms"),
        ('holds = ["100 ms"]\n', "", "traces[0].holds", "the rule says 100 ms"),
        (
            'holds = ["100 ms"]',
            'holds = ["100 ms"]\nends = ["200 ms"]',
            "traces[0].ends",
            "the rule says never",
        ),
        ('until = "1 s"\nholds', 'until = "99 ms"\nholds', "traces[0].holds", "the rule says never"),
    ],
)
def test_a_trace_that_contradicts_its_label(old: str, new: str, key: str, said: str) -> None:
    """What the rule does instead is told."""
    (problem,) = trace_problems(parse(changed(LASTING, old, new), "made-up.toml"), "made-up.toml")
    assert (problem.file, problem.key, problem.expected) == ("made-up.toml", key, said)


def test_a_gap_to_bridge_may_be_nothing_whatever_its_name() -> None:
    """Only where a threshold is used as `bridging` and nothing else."""
    assert parse(changed(LASTING, '"30 ms"', '"0 s"'), "made-up.toml")
    both = changed(LASTING, 'for = "patience"', 'for = "gap"')
    (problem,) = problems(changed(both, '"30 ms"', '"0 s"'))
    assert problem.key == "thresholds.gap.value"
    misnamed = LASTING.replace("patience", "bridging")
    (problem,) = problems(changed(misnamed, 'value = "100 ms"', 'value = "0 s"'))
    assert problem.key == "thresholds.bridging.value"


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("patience", "5 min", None),
        ("gap", "0 s", None),
        ("patience", "0 s", "more than nothing"),
        ("patience", 5, "like the shipped"),
        ("patience", True, "like the shipped"),
        ("patience", 2.5, "like the shipped"),
        ("patience", "5 %", "like the shipped"),
        ("patience", "soon", "with its unit"),
        ("patients", "5 min", "it has patience, gap"),
    ],
)
def test_a_sites_threshold(name: str, value: object, said: str | None) -> None:
    """Judged as the shipped one is."""
    found = override_problem(parse(LASTING, "made-up.toml"), name, value)
    assert found is None if said is None else said in (found or "")


def test_thresholds_of_a_home_service_and_of_a_site() -> None:
    """Shipped, at home, and the site's own, which wins in both."""
    read = parse(changed(LASTING, 'value = "100 ms"', 'value = "100 ms"\nhome = "700 ms"'), "made-up.toml")
    assert resolve(read).branches[0].hold_for == 100
    assert resolve(read, home=True).branches[0].hold_for == 700
    assert resolve(read, home=True, overrides={"patience": "2 s"}).branches[0].hold_for == 2_000


def test_the_digest_changes_with_the_meaning_only() -> None:
    """Another threshold, condition or memory is another digest; another sentence is not."""
    digest = rule().digest
    assert (
        rule(changed(LASTING, "A made-up rule for the tests.", "The same in other words.")).digest == digest
    )
    others = {
        rule(patience="101 ms").digest,
        rule(changed(LASTING, '["medium", "high"]', '["high"]')).digest,
        rule(changed(LASTING, 'memory = "each"\n', "")).digest,
        rule(RECURRING).digest,
    }
    assert len(others | {digest}) == 5


@pytest.mark.parametrize(
    ("value", "quantity"),
    [
        ("4 min", (240_000, "ms")),
        ("1 h 30 min", (5_400_000, "ms")),
        ("20 %", (20, "%")),
        ("0.5%", (0.5, "%")),
        ("100 mL", (100, "mL")),
        ("150 mL/h", (150, "mL/h")),
        (3, (3, "times")),
    ],
)
def test_quantities(value: str | int, quantity: tuple[float, str]) -> None:
    """A number and its unit; durations as ms."""
    assert Quantity.parse(value) == quantity


@pytest.mark.parametrize(
    ("condition", "picture", "true"),
    [
        ('field = "mains", is = false', {"mains": None}, False),
        ('field = "mains", is = false', {"mains": False}, True),
        ('field = "battery_percent", below = "low"', {"battery_percent": None}, False),
        ('field = "battery_percent", below = "low"', {"battery_percent": 20}, False),
        ('field = "battery_percent", below = "low"', {"battery_percent": 19.9}, True),
        ('field = "battery_percent", above = "low"', {"battery_percent": 20}, False),
        ('field = "battery_percent", above = "low"', {"battery_percent": 20.1}, True),
        ('field = "battery_percent", above = "low"', {"battery_percent": None}, False),
        ('field = "activity", is = "held"', {"activity": "held"}, True),
        (
            'any = [{ field = "mains", is = true }, { field = "feed_due", is = true }]',
            {"mains": None, "feed_due": True},
            True,
        ),
        (
            'all = [{ field = "mains", is = true }, { field = "feed_due", is = true }]',
            {"mains": None, "feed_due": True},
            False,
        ),
        ('alarm = { condition = ["occlusion"] }', {"alarms": ()}, False),
    ],
)
def test_a_comparison_with_something_unknown_is_false(
    condition: str, picture: dict[str, Any], true: bool
) -> None:
    """Each operator, at its limit and with nothing known."""
    text = CONDITION.replace('{ field = "battery_percent", below = "low" }', f"{{ {condition} }}")
    test = rule(text).branches[0].test
    assert test is not None
    assert test(SimpleNamespace(**picture)) is true

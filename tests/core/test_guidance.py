"""The checks of a notice come in the safe order, and no shipped text says what must not be said."""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.core import guidance, wording
from monitor.core.guidance import checks
from monitor.core.messages import KNOWN_CONDITIONS, UNREADABLE_ALARM, AlarmCondition

RULES = sorted((Path(__file__).parents[2] / "rules").glob("*.toml"))

FORBIDDEN = re.compile(
    r"re-?start|resum|catch.?up|silence it"
    r"|\b(?:start|continue|keep|go on|begin|give|run)(?: \w+)? (?:the )?feed"
    r"|(?<!not )\bfeed (?:the person|again|on\b|now\b)"
    r"|(?:turn|switch)\w* (?:it|the feed|the pump)? ?(?:back )?on\b"
    r"|(?:raise|increase|higher) (?:the )?rate",
    re.IGNORECASE,
)
NAME = re.compile(r"\b(?:Mr|Mrs|Ms|Dr|Sr|Sister|Prof)\b\.?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A rule's checks."""

    first: tuple[str, ...] = ("Look along the line.",)
    second: tuple[str, ...] = ("Have the giving set changed.",)
    third: tuple[str, ...] = ("Use another pump.",)


def alarm(condition: str, priority: str = "medium", line: str = "") -> AlarmCondition:
    """An active alarm condition."""
    return AlarmCondition(condition, line, priority, "enabled", None)


def strings(value: object) -> list[str]:
    """Every text in nested tables and tuples."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for part in value.values() for text in strings(part)]
    return [text for part in value for text in strings(part)] if isinstance(value, list | tuple) else []


def told_by(path: Path) -> list[str]:
    """The texts of a rule file that reach a person."""
    rule = tomllib.loads(path.read_text(encoding="utf-8"))
    return [rule["sentence"], rule["hazard"], *strings(rule["checks"])]


def shipped() -> list[str]:
    """Every text that can reach a person: guidance, wording, and the rule files."""
    tables = [
        value
        for module in (guidance, wording)
        for name, value in vars(module).items()
        if not name.startswith("__") and isinstance(value, str | dict)
    ]
    return strings(tables) + [text for path in RULES for text in told_by(path)]


def test_first_time() -> None:
    """Person, tube, line; and who decides about feed."""
    assert checks(Given(), 1, setting="ward") == (
        guidance.PERSON,
        guidance.TUBE,
        "Look along the line.",
        guidance.LICENSED,
    )


def test_second_time_goes_further_along() -> None:
    """The set comes after the line, and disconnecting comes before the set."""
    assert checks(Given(), 2, setting="ward") == (
        guidance.PERSON,
        guidance.TUBE,
        "Look along the line.",
        guidance.DISCONNECT,
        "Have the giving set changed.",
        guidance.LICENSED,
    )


def test_third_time_and_later_go_as_far_as_the_pump() -> None:
    """From the third time on the pump itself comes last."""
    third = checks(Given(), 3, setting="ward")
    assert third[-3:] == ("Have the giving set changed.", "Use another pump.", guidance.LICENSED)
    assert checks(Given(), 40, setting="ward") == third


def test_at_home_a_carer_is_asked_and_may_not_answer() -> None:
    """A nurse on the phone asks the carer to look, and knows what to do when nobody answers."""
    found = checks(Given(), 1, setting="home")
    assert found[0] == guidance.PERSON_HOME
    assert found[-1] == guidance.NO_ANSWER


def test_of_a_unit_each_person_is_looked_at() -> None:
    """Where all pumps of a unit are out of sight the first check is for each of them."""
    assert checks(Given(), 1, setting="ward", scope="unit")[0] == guidance.PERSON_EACH


def test_glucose_risk_comes_straight_after_the_person_and_only_when_stopped() -> None:
    """Whoever cannot go without feed has a local plan for a stop; while feed runs it is not mentioned."""
    assert checks(Given(), 1, setting="ward", glucose_risk=True)[1] == guidance.GLUCOSE
    assert guidance.GLUCOSE not in checks(Given(), 1, setting="ward", glucose_risk=True, delivering=True)


def test_who_decides_is_not_asked_while_feed_runs() -> None:
    """A pump that delivers needs no decision about feed."""
    assert guidance.LICENSED not in checks(Given(), 1, setting="ward", delivering=True)


def test_alarm_conditions_are_looked_at_first_along_the_line() -> None:
    """The most urgent two alarm conditions have their own check, before the rule's; others none."""
    found = checks(
        Given(),
        1,
        setting="ward",
        alarms=(alarm("battery-low", "low"), alarm("container-empty"), alarm("drive-fault", "high")),
    )
    faults = guidance.BY_CONDITION
    # "another pump": so disconnecting comes before it
    assert found[2:6] == (
        guidance.DISCONNECT,
        faults["drive-fault"],
        faults["container-empty"],
        "Look along the line.",
    )
    assert faults["battery-low"] not in found


def test_the_same_check_is_said_once() -> None:
    """Both lines blocked, or a rule that says the same, do not make a check appear twice."""
    twice = (alarm("occlusion", line="feed"), alarm("occlusion", line="flush"))
    found = checks(Given(first=(guidance.BY_CONDITION["occlusion"],)), 1, setting="ward", alarms=twice)
    assert found.count(guidance.BY_CONDITION["occlusion"]) == 1


def test_an_unknown_condition_has_no_check_of_its_own() -> None:
    """An alarm condition from outside the known vocabulary changes nothing."""
    assert checks(Given(), 1, setting="ward", alarms=(alarm("brand-new"),)) == checks(
        Given(), 1, setting="ward"
    )


def test_conditions_are_of_the_vocabulary() -> None:
    """Every condition with a check is one that the contract knows."""
    assert set(guidance.BY_CONDITION) <= KNOWN_CONDITIONS | {UNREADABLE_ALARM}


@pytest.mark.parametrize("path", RULES, ids=lambda path: path.stem)
@pytest.mark.parametrize("setting", ["ward", "home"])
@pytest.mark.parametrize("times", [1, 2, 3])
def test_shipped_rules_keep_the_order(path: Path, setting: str, times: int) -> None:
    """In every shipped rule: the person, the tube, and disconnecting before a set is touched."""
    given = Given(**{key: tuple(value) for key, value in tomllib.loads(path.read_text())["checks"].items()})
    found = checks(given, times, setting=setting)
    assert "the person first" in found[0]
    assert "do not feed" in found[0]
    assert found[1] == guidance.TUBE
    touching = [
        n for n, check in enumerate(found) if re.search("giving set|another pump|prim(e|ed|ing) ", check)
    ]
    if touching:
        assert found.index(guidance.DISCONNECT) < min(n for n in touching if found[n] != guidance.DISCONNECT)


@pytest.mark.parametrize("path", RULES, ids=lambda path: path.stem)
def test_shipped_rules_say_something_new_each_time(path: Path) -> None:
    """Every shipped rule asks for something more at the second and at the third time."""
    given = Given(**{key: tuple(value) for key, value in tomllib.loads(path.read_text())["checks"].items()})
    first, second, third = (set(checks(given, times, setting="ward")) for times in (1, 2, 3))
    assert first < second < third


def test_nothing_orders_feeding_or_names_a_person() -> None:
    """No shipped text says to restart, to feed or to speed up, and none names anybody."""
    texts = shipped()
    assert guidance.PERSON in texts
    assert wording.WHY["recheck"].mail in texts
    assert len(texts) > 150
    for text in texts:
        assert not FORBIDDEN.search(text), text
        assert not NAME.search(text), text


@pytest.mark.parametrize(
    "text",
    [
        "Restart the pump.", "re-start it", "Then resume.", "Start the feed again.", "start feeding",
        "Go on feeding.", "Continue the feed.", "Feed again at once.", "Switch the pump on.", "Raise the rate.",
        "At a catch-up rate.",
    ],
)  # fmt: skip
def test_the_scan_sees_what_it_should(text: str) -> None:
    """The scan above finds orders to feed."""
    assert FORBIDDEN.search(text)


def test_the_caution() -> None:
    """The caution says what Second Bell is, what comes first, and what accepting does not do."""
    assert guidance.CAUTION_SHORT in guidance.CAUTION
    for words in (
        "distributed information system",
        "maker's instructions",
        "local policy",
        "does not silence",
    ):
        assert words in guidance.CAUTION
    assert 2 <= guidance.CAUTION.count(". ") + 1 <= 4

"""Why, in one sentence: true of what was seen then, and never rounded to the limit that it passed."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.instants import MINUTE
from monitor.core.plans import UTC
from monitor.core.reasons import limit, sentence, value_words
from monitor.core.rulebook import DEVICE_FIELDS, UNIT_FIELDS
from monitor.core.wording import MEASURED, SEEN
from monitor.testing import START, Bench
from tests.core.stories import mended, only, unattended


def seen(*leaves: Any, **more: Any) -> dict[str, Any]:
    """Evidence of a rule that held at START for 10 min."""
    reason = {"for": "patience", "since": START - 10 * MINUTE, "met": list(leaves)}
    thresholds = {"patience": [10 * MINUTE, "ms"], "low": [20.0, "%"]}
    return {"at": START, "pattern": "lasting", "held": [reason], "thresholds": thresholds} | more


def test_a_duration_goes_on_for_as_long_as_it_holds() -> None:
    """5 min later it is 15; when it holds no more it is as it was then, and the sentence says when that was."""
    told, later = seen(["delivering", "is", False]), START + 5 * MINUTE
    assert (
        sentence(told, later, UTC, still=True) == "Why: the pump does not deliver, for 15 min (limit 10 min)."
    )
    over = sentence(told, later, UTC, still=False)
    assert over == "Why (at 22:00): the pump does not deliver, for 10 min (limit 10 min)."


def test_a_number_is_told_as_it_was_then() -> None:
    """The battery is another now: the sentence says at which time it was so."""
    told = seen(["battery_percent", "below", "low"], battery_percent=19.0)
    wanted = "Why (at 22:00): battery at 19 % (limit 20 %), for 10 min (limit 10 min)."
    assert sentence(told, START + MINUTE, UTC, still=True) == wanted


@pytest.mark.parametrize(
    ("value", "edge", "shown"),
    [
        (19.6, 20.0, "19.6 %"),
        (19.96, 20.0, "19.96 %"),
        (20.4, 20.0, "20.4 %"),
        (19.0, 20.0, "19 %"),
        (12.3, 20.0, "12 %"),
    ],
)  # fmt: skip
def test_a_value_is_not_rounded_to_its_limit(value: float, edge: float, shown: str) -> None:
    """Nobody reads "20 % (limit 20 %)" of what was below it."""
    assert value_words("battery_percent", value, edge) == shown


@pytest.mark.parametrize(
    ("number", "unit", "shown"),
    [
        (30_000, "ms", "30 s"),
        (600_000, "ms", "10 min"),
        (3, "times", "3"),
        (150.0, "mL/h", "150 mL/h"),
        (20.0, "%", "20 %"),
    ],
)  # fmt: skip
def test_a_limit_has_its_unit(number: float, unit: str, shown: str) -> None:
    """As it stands in a rule file."""
    assert limit(number, unit) == shown


def test_every_field_that_a_condition_may_look_at_has_words() -> None:
    """Yes and no of each flag, a quantity for each number; words have tables of their own."""
    for field, unit in (DEVICE_FIELDS | UNIT_FIELDS).items():
        if unit == "":
            assert {(field, True), (field, False)} <= SEEN.keys(), field
        elif unit not in ("activity", "feed kind"):
            assert field in MEASURED


def test_without_evidence_there_is_no_sentence() -> None:
    """A concern of an older version has none; so has one that kept only what was seen."""
    assert sentence({}, START, UTC, still=True) == ""
    assert sentence({"activity": "held", "thresholds": {}}, START, UTC, still=True) == ""


def test_a_unit_that_cannot_be_seen_has_its_reason_too() -> None:
    """The concern of a unit keeps what held, its limit with its place, and the state of the link."""
    bench = Bench(only("sight-lost"))
    bench.snapshot("pump-1", activity="feeding")
    bench.link_down()
    bench.at("00:02:00")
    concern = next(iter(bench.engine.responsibility.concerns.values()))
    told = sentence(concern.evidence, bench.now, UTC, still=True)
    assert told == "Why: its pumps cannot be seen, for 2 min (limit 1 min)."
    assert concern.evidence["from"]["patience"][0] == "rules/sight-lost.toml"
    assert concern.evidence["link"] is False


def test_the_sentence_is_in_calls_and_not_in_what_is_over() -> None:
    """In the mail that calls somebody; a stand-down says why it is over instead."""
    bench = unattended()
    bench.carriers["pager"].fails("refused")
    bench.at("00:16:00")
    call = next(told for told in bench.told if told.carrier == "mail")
    assert (
        "\nWhy: line blocked after the pump (downstream), sounding, for 15 min (limit 5 min).\n" in call.text
    )
    mended(bench)
    bench.at("00:18:00")
    over = [told for told in bench.told if told.carrier == "mail" and told.items[0][1] == "stand-down"]
    assert over
    assert not any("\nWhy: " in told.text for told in over)

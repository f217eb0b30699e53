"""Every shipped rule's mail and page: one sentence says why, nothing is ordered, no rate leaves the ward's mails."""

from __future__ import annotations

import re

import pytest

from monitor.core.gsm7 import SINGLE, septets
from tests.core.rule_mails import Told, all_told
from tests.core.test_guidance import FORBIDDEN

ALL = list(all_told())
RATE = re.compile(r"licensed to decide, not|would take|highest allowed: |allowed rate, \d")

WHY = {
    "behind-plan": {
        "Why (at 10:10): 12 % of the target behind the plan (limit 10 %), 117 mL behind the plan (limit 100 mL).",
        "Why (at 16:00): 6 % of the target no longer fits the times of its plan, even at the highest allowed rate "
        "(limit 5 %).",
    },
    "chattering": {"Why: sensor fault came 3 times within 1 min (limit 3)."},
    "hung-too-long": {"Why (at 10:10): decanted feed, container hung for 8 h 10 min (limit 8 h)."},
    "idle-past-limit": {"Why: feed is due, the pump does not deliver, for 10 min (limit 10 min)."},
    "low-power-unplugged": {
        "Why (at 08:11): not on mains, battery at 19 % (limit 20 %), for 1 min (limit 1 min).",
        "Why (at 08:06): not on mains, about 28 min of battery left (limit 30 min), for 1 min (limit 1 min).",
        "Why: not on mains, the pump calls its battery low, for 1 min (limit 1 min).",
    },
    "muted-too-long": {
        "Why: line blocked after the pump (downstream), without sound, for 4 min (limit 4 min).",
        "Why: device fault, without sound, for 2 min (limit 2 min).",
    },
    "not-charging": {"Why (at 08:20): battery at 50 % and falling although it is on mains."},
    "out-of-sight": {
        "Why: nothing heard for 3 min (limit 3 min); when last seen: feed is due.",
        "Why: nothing heard for 15 min (limit 15 min); when last seen: feed is due.",
        "Why: nothing heard for 10 min (limit 10 min); when last seen: a stop is dangerous here, feed is due.",
    },
    "over-plan": {
        "Why (at 08:11): set rate 125 mL/h, where its plan allows 120 mL/h at most, for 1 min (limit 1 min).",
        "Why (at 17:00): the pump delivers, 10.2 % over the target (limit 10 %).",
        "Why: the pump delivers, outside the times of its plan, for 30 min (limit 30 min).",
    },
    "repeated-occlusion": {"Why: such alarms came 3 times within 1 h (limit 3)."},
    "standing-alarm": {
        "Why: line blocked before the pump (upstream), standing, for 10 min (limit 10 min).",
        "Why: device fault, standing, for 5 min (limit 5 min).",
    },
    "stopped-at-glucose-risk": {
        "Why: a stop is dangerous here, feed is due, the pump does not deliver, for 15 min (limit 15 min).",
    },
    "unattended": {
        "Why: container empty, sounding, for 5 min (limit 5 min).",
        "Why: drive fault, sounding, for 2 min (limit 2 min).",
    },
}  # fmt: skip


def whys(told: Told) -> list[str]:
    """The sentences of a mail that say why."""
    return [line for line in told.mail.body.splitlines() if re.match(r"Why( \(at|:)", line)]


def test_each_rule_says_why_in_words_that_were_read() -> None:
    """One sentence for each firing trace of each rule, as somebody has read it and found it good."""
    found: dict[str, set[str]] = {}
    for told in ALL:
        (why,) = whys(told)
        found.setdefault(told.rule, set()).add(why)
    assert found == WHY


@pytest.mark.parametrize("told", ALL, ids=lambda told: f"{told.rule}, {told.setting}: {told.trace}")
def test_a_page_says_no_why_no_rate_and_no_more_than_fits(told: Told) -> None:
    """Neither the sentence nor any volume or rate goes over the air."""
    assert septets(told.page) <= SINGLE
    assert "Why" not in told.page
    assert "mL" not in told.page
    assert "kcal" not in told.page
    assert told.page.rsplit(" ", 2)[-2] == "Code"


@pytest.mark.parametrize("told", ALL, ids=lambda told: f"{told.rule}, {told.setting}: {told.trace}")
def test_a_rate_is_information_in_ward_mails_of_behind_plan_alone(told: Told) -> None:
    """What the rest would take is for somebody licensed; nothing in any mail orders to feed."""
    lines = [line for line in told.mail.body.splitlines() if RATE.search(line)]
    if told.rule == "behind-plan" and told.setting == "ward":
        assert len(lines) == 1
        assert lines[0].startswith("- information for somebody licensed to decide, not an instruction: ")
    else:
        assert lines == []
    for line in told.mail.body.splitlines():
        assert not FORBIDDEN.search(line), line


def test_no_rate_above_the_highest_allowed_is_ever_said() -> None:
    """Where the rest does not fit, what cannot be given is said, in mL and kcal, and not the rate that would do it."""
    texts = [told.mail.body for told in ALL if told.rule == "behind-plan" and told.setting == "ward"]
    fits, too_late = texts
    assert (
        "the remaining 900 mL would take 115 mL/h in what is left of the plan's times; highest allowed: 150 mL/h"
        in fits
    )
    assert (
        "even at the highest allowed rate, 60 mL/h, 28 mL (42 kcal) of the remaining 148 mL would not be given"
        in too_late
    )
    assert "65 mL/h" not in too_late


def test_the_facts_of_the_new_rules_are_said() -> None:
    """What is behind in mL and kcal, how long things hang, how long the battery lasts."""
    bodies = {rule: "".join(told.mail.body for told in ALL if told.rule == rule) for rule in WHY}
    assert "- behind the plan: 117 mL (175 kcal)" in bodies["behind-plan"]
    assert "- target: 1000 mL; left to give: 900 mL" in bodies["behind-plan"]
    assert "- container (decanted feed): hung for 8 h 10 min" in bodies["hung-too-long"]
    assert "- giving set: hung for 8 h 10 min" in bodies["hung-too-long"]
    assert "battery 28 %, about 28 min left as it falls now" in bodies["low-power-unplugged"]
    assert "When: sensor fault at 08:00 (3 times)." in bodies["chattering"]

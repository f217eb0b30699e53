"""What no input may break in a notice, however absurd."""

import dataclasses

from hypothesis import given
from hypothesis import strategies as st

from monitor.core import guidance, notices, wording
from monitor.core.facts import Facts, RateFacts
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.messages import AlarmCondition
from tests.core.sample_facts import ZONE, facts

anything = st.text(max_size=300) | st.sampled_from(
    [
        "",
        "\r\nBcc: all@example.invalid",
        "€" * 90,
        "ß" * 200,
        "病室三",
        "{d}{Holder}",
        "\x00\x1b\u202e",
        "\ud800",
    ]
)
numbers = st.none() | st.floats() | st.integers(-(10**30), 10**30)
instants = st.integers(-(10**18), 10**18)
known = st.floats() | st.integers(-(10**30), 10**30)
rates = st.builds(RateFacts, needed_ml_h=known, allowed_ml_h=known, cannot_ml=known)
wild = st.fixed_dictionaries(
    {
        "rule": st.sampled_from(sorted(wording.WHAT)) | anything,
        "why": st.sampled_from(sorted(wording.WHY)),
        "priority": st.sampled_from(["high", "medium", "low"]),
        "setting": st.sampled_from(["ward", "home"]),
        "drill": st.booleans(),
        "place": st.none() | anything,
        "pager_place": st.none() | anything,
        "holder": st.none() | anything,
        "next_who": st.none() | anything,
        "sentence": anything,
        "settled": st.none() | anything,
        "activity": anything,
        "device": st.from_regex(r"\A[A-Za-z0-9_-]{1,64}\Z"),
        "code": st.from_regex(r"\A[A-Z0-9]{6}\Z"),
        "since": st.none() | instants,
        "raised_at": instants,
        "last_seen": instants,
        "now": instants,
        "next_at": st.none() | instants,
        "recheck_at": st.none() | instants,
        "late_by": st.none() | instants,
        "times": st.integers(-5, 10**12),
        "told_before": st.integers(-5, 10**12),
        "unreadable": st.integers(-5, 10**12),
        "battery_percent": numbers,
        "delivered_ml": numbers,
        "target_ml": numbers,
        "rate_ml_h": numbers,
        "reason": anything,
        "ended": st.none() | instants,
        "shortfall_ml": numbers,
        "left_ml": numbers,
        "kcal_per_ml": numbers,
        "minutes_left": numbers,
        "hanging": st.lists(
            st.tuples(st.sampled_from(["container", "giving set"]), instants), max_size=2
        ).map(tuple),
        "rate": st.none() | rates,
        "checks": st.lists(anything, max_size=3).map(tuple),
        "alarms": st.lists(
            st.builds(AlarmCondition, anything, anything, anything, anything, st.none() | instants),
            max_size=3,
        ).map(tuple),
    }
).map(lambda changed: facts(**changed))


@given(wild)
def test_any_page_fits_and_keeps_its_code(fact: Facts) -> None:
    """Whatever comes in: one line of at most 160 septets, the priority and a place in it, the code whole at its end."""
    text = notices.page([fact], ZONE)
    assert septets(text) <= SINGLE
    assert text.isascii()
    assert text.isprintable()
    kind, label = fact.told_as.kind, fact.told_as.label
    assert text.startswith(
        f"{'DRILL ' if fact.drill else ''}{label}{' ' if label else ''}{fact.priority.upper()} "
    )
    place = fit(fact.pager_place or "", 30, ascii_only=True)
    readable = any(character.isalnum() for character in place)
    elsewhere = "unit north" if fact.unit_wide else fact.device[:20]
    assert f"{fact.priority.upper()} {place if readable else elsewhere}" in text
    assert fit(text, ascii_only=True) == text  # what a carrier does once more changes nothing
    assert kind == "over" or text.endswith(f" {fact.code}")


@given(st.lists(wild, min_size=2, max_size=6), st.booleans())
def test_any_gathered_page_fits_and_keeps_each_code(several: list[Facts], drill: bool) -> None:
    """Gathered pages keep to 160 septets, with the code of each concern that they say."""
    several = [dataclasses.replace(fact, drill=drill) for fact in several]
    text = notices.page(several, ZONE)
    assert septets(text) <= SINGLE
    live = [fact for fact in several if fact.told_as.kind != "over"]
    said = [fact.code for fact in live if fact.code in text]
    assert len(said) >= min(len(live), notices.ON_A_PAGE)


@given(wild)
def test_any_subject_is_safe_in_a_header(fact: Facts) -> None:
    """Whatever comes in: the subject is one printable line with priority and place, no longer than a header takes."""
    text = notices.mail([fact], ZONE)
    assert text.subject.isprintable()
    assert len(text.subject) <= 150
    assert f"{fact.priority.upper()} PRIORITY, " in text.subject
    text.body.encode()
    assert all(line.isprintable() for line in text.body.split("\n"))
    assert text.body.endswith(f"{guidance.CAUTION}\n")
    answered = fact.told_as.kind == "over" or (fact.drill and fact.told_as.kind != "call")
    assert answered or fact.code in text.body


@given(wild)
def test_a_rate_is_said_on_the_ward_of_values_that_are_not_old(fact: Facts) -> None:
    """Whatever comes in: nowhere else than in a ward's mail that calls or tells who has it, and as information."""
    said = "licensed to decide, not an instruction" in notices.mail([fact], ZONE).body
    asked = (
        fact.told_as.kind in ("call", "yours")
        and not fact.unit_wide
        and fact.last_seen > 0
        and not fact.drill
    )
    assert said == (fact.rate is not None and fact.setting == "ward" and not fact.stale and asked)


@given(wild, st.booleans(), numbers, numbers, numbers, anything)
def test_a_page_says_nothing_of_health(
    fact: Facts, risk: bool, rate: float | None, delivered: float | None, target: float | None, settled: str
) -> None:
    """A page is the same whatever is known of glucose risk, volumes, rate or free text about the person."""
    other = dataclasses.replace(
        fact, glucose_risk=risk, rate_ml_h=rate, delivered_ml=delivered, target_ml=target, settled=settled,
        checks=(settled,), hazard=settled, sentence=settled, reason=settled, rate=None, shortfall_ml=delivered,
        left_ml=target, minutes_left=rate, kcal_per_ml=rate, hanging=(),
    )  # fmt: skip
    assert notices.page([fact], ZONE) == notices.page([other], ZONE)


@given(st.text(max_size=400), st.lists(anything, max_size=5), instants)
def test_any_technical_notice_is_safe(subject: str, lines: list[str], now: int) -> None:
    """Technical notices keep to the same limits."""
    assert septets(notices.technical_page(subject, lines, now, ZONE)) <= SINGLE
    assert notices.technical_mail(subject, lines, now, ZONE).subject.isprintable()

"""Rates, floods, chatter and what stands too long: the numbers of the trade, and pandas beside ours."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.core import load as ours
from monitor.core.load import (
    DAY,
    HOUR,
    MINUTE,
    TEN_MINUTES,
    Band,
    Peak,
    Stretch,
    band,
    by_period,
    chattering,
    counts,
    floods,
    load,
    rate,
    stale,
    worst,
)
from tests.core.mutants_load import MUTANTS

# Whole and half minutes, often repeated: most lists hold instants that are exactly a window apart.
crowded = st.lists(st.integers(0, 60).map(lambda half: half * MINUTE // 2), max_size=60)
anyhow = st.lists(st.integers(-DAY, DAY), max_size=40)
EVENING = 1_800_000_000_000
EVERY_MINUTE = tuple(minute * MINUTE for minute in range(11))


def by_pandas(instants: Sequence[int], window: int) -> dict[int, int]:
    """How many lie in (t - window, t] at each instant, by the rolling count of pandas."""
    ordered = sorted(instants)
    series = pd.Series(1.0, index=pd.to_datetime(ordered, unit="ms"))
    rolled = series.rolling(pd.Timedelta(milliseconds=window), closed="right").sum()
    # Of several at one instant, pandas counts up to each; the last has counted all.
    return {at: round(number) for at, number in zip(ordered, rolled, strict=True)}


def minute_by_minute(instants: Sequence[int]) -> list[tuple[int, bool]]:
    """Whether there is a flood, looked at each half minute in turn: only for instants on half minutes."""
    flooded, seen = False, []
    for at in range(min(instants, default=0), max(instants, default=0) + 2 * TEN_MINUTES, MINUTE // 2):
        number = sum(1 for told in instants if at - TEN_MINUTES < told <= at)
        flooded = number >= 5 if flooded else number >= 11
        seen.append((at, flooded))
    return seen


def assert_counts_as_pandas(code: object, instants: Sequence[int], window: int) -> None:
    """The number at each arrival is that of pandas."""
    found = dict(code.counts(instants, window))  # type: ignore[attr-defined]
    assert {at: found[at] for at in instants} == by_pandas(instants, window)


def assert_floods_as_seen(code: object, instants: Sequence[int]) -> None:
    """There is a flood exactly when looking at each half minute in turn finds one."""
    found: tuple[Stretch, ...] = code.floods(instants)  # type: ignore[attr-defined]
    for at, flooded in minute_by_minute(instants):
        assert any(start <= at < end for start, end in found) is flooded, (at, found)


def assert_chatters_as_pandas(code: object, instants: Sequence[int]) -> None:
    """It chatters at the arrivals for which pandas counts three in the last minute."""
    expected = [at for at, number in sorted(by_pandas(instants, MINUTE).items()) if number >= 3]
    assert list(code.chattering(instants)) == expected  # type: ignore[attr-defined]


@given(crowded | anyhow, st.sampled_from((MINUTE, TEN_MINUTES, HOUR)))
@example([0, TEN_MINUTES], TEN_MINUTES)
def test_numbers_are_those_of_the_rolling_count(instants: list[int], window: int) -> None:
    """At each arrival we count what pandas counts in (t - window, t]."""
    assert_counts_as_pandas(ours, instants, window)
    assert worst(instants, window) == (
        max(
            (Peak(number, at) for at, number in by_pandas(instants, window).items()),
            key=lambda peak: peak.number,
        )
        if instants
        else None
    )


@given(crowded)
def test_floods_are_those_that_looking_each_half_minute_finds(instants: list[int]) -> None:
    """Between arrivals too: a flood ends when enough have gone out of the window, not at the next arrival."""
    assert_floods_as_seen(ours, instants)


@given(crowded | anyhow)
def test_chatter_is_three_in_the_rolling_minute(instants: list[int]) -> None:
    """The same count by pandas, within a minute."""
    assert_chatters_as_pandas(ours, instants)


@pytest.mark.parametrize("name", MUTANTS)
def test_each_mutant_is_found(name: str) -> None:
    """One mistake each; the comparison with pandas, or with looking each half minute, must find it."""
    mutant = SimpleNamespace(**{**vars(ours), **MUTANTS[name]})
    lists = [
        [0, TEN_MINUTES],
        [0, MINUTE // 2, MINUTE],
        [0, 0, 0, MINUTE],
        [at for at in EVERY_MINUTE[:10] for _ in range(2)],
        list(range(0, 10 * MINUTE, MINUTE)),
        [0] * 11,
        [*([0] * 7), *([MINUTE] * 4), 10 * MINUTE],
        [*([0] * 11), *([TEN_MINUTES] * 4)],
        [*([0] * 11), *([TEN_MINUTES] * 5)],
        [5 * MINUTE, 0, 5 * MINUTE + 1, 5 * MINUTE + 2],
    ]

    def differs() -> bool:
        try:
            for instants in lists:
                assert_counts_as_pandas(mutant, instants, TEN_MINUTES)
                assert_chatters_as_pandas(mutant, instants)
                if all(at % (MINUTE // 2) == 0 for at in instants):
                    assert_floods_as_seen(mutant, instants)
        except AssertionError:
            return True
        return False

    assert differs()


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """Domain facts, oracle 9."""
    assert floods(EVERY_MINUTE[:10]) == ()
    assert floods(MINUTE // 2 * place for place in range(10)) == ()
    assert floods(MINUTE // 2 * place for place in range(11))[0].start == 5 * MINUTE
    assert floods(EVERY_MINUTE) == (), "eleven a minute apart: the first is out when the last comes"


def test_a_flood_ends_below_five() -> None:
    """Eleven at once and five more after nine minutes: over when those five are out, ten minutes later."""
    assert floods([0] * 11) == (Stretch(0, TEN_MINUTES),)
    assert floods([*([0] * 11), *([9 * MINUTE] * 5)]) == (Stretch(0, 19 * MINUTE),)
    assert floods([*([0] * 11), *([9 * MINUTE] * 4)]) == (Stretch(0, TEN_MINUTES),)


def test_three_within_a_minute_chatter() -> None:
    """Domain facts, oracle 10: and not if the third comes exactly a minute after the first."""
    assert chattering([0, 30_000, 59_999]) == (59_999,)
    assert chattering([0, 30_000, MINUTE]) == ()
    assert chattering([0, 1]) == ()


def test_longer_than_a_day_is_stale() -> None:
    """Domain facts, oracle 10: exactly a day is not; what ended in time is not, what ended late was."""
    active: dict[str, tuple[int, int | None]] = {
        "a day": (0, None),
        "more": (-1, None),
        "ended in time": (-2 * DAY, -DAY),
        "ended late": (-3 * DAY, -DAY),
        "not yet ended": (-1, 2 * DAY),
    }
    assert stale(active, DAY) == ("more", "ended late", "not yet ended")
    assert stale({"not begun": (5 * DAY, None)}, DAY) == ()


@pytest.mark.parametrize(
    ("number", "per", "expected"),
    [
        (6, HOUR, Band.ACCEPTABLE), (6.01, HOUR, Band.MANAGEABLE),
        (12, HOUR, Band.MANAGEABLE), (12.01, HOUR, Band.OVER),
        (1, TEN_MINUTES, Band.ACCEPTABLE), (2, TEN_MINUTES, Band.MANAGEABLE), (3, TEN_MINUTES, Band.OVER),
        (150, DAY, Band.ACCEPTABLE), (151, DAY, Band.MANAGEABLE), (300, DAY, Band.MANAGEABLE), (301, DAY, Band.OVER),
        (0, HOUR, Band.ACCEPTABLE),
    ],
)  # fmt: skip
def test_bands(number: float, per: int, expected: Band) -> None:
    """Domain facts, section 4: acceptable ~150 a day, 6 an hour, 1 in 10 min; most that can be managed 300, 12, 2."""
    assert band(number, per) is expected


def test_a_band_for_another_time_is_not_guessed() -> None:
    """Only three times have limits."""
    with pytest.raises(KeyError):
        band(1, MINUTE)


def test_published_counts_by_monitored_time() -> None:
    """Domain facts, oracle 8: 52.9 an hour and 189 a bed-day, by 48,404 monitored hours, and far over any band."""
    every = 1_154_201 + 612_927 + 791_632
    assert every == 2_558_760
    assert round(rate(every, 48_404 * HOUR), 1) == 52.9
    assert round(rate(381_560, 48_404 * HOUR, DAY)) == 189
    assert band(rate(every, 48_404 * HOUR)) is Band.OVER
    with pytest.raises(ValueError, match="0 ms"):
        rate(1, 0)


def test_the_load_of_a_night() -> None:
    """Nine hours: one notice each hour on the hour, eleven more within five minutes, one before, one after."""
    since, until = EVENING, EVENING + 9 * HOUR
    burst = [since + 4 * HOUR + 30 * MINUTE + place * MINUTE // 2 for place in range(11)]
    night = load(
        [since, *(since + hour * HOUR for hour in range(1, 10)), *burst, until + 1],
        since,
        until,
        hour_limit=11,
    )
    flood = Stretch(
        since + 4 * HOUR + 35 * MINUTE, since + 4 * HOUR + 43 * MINUTE
    )  # the seventh leaves, four remain
    assert night.number == 20
    assert night.per_hour == pytest.approx(20 / 9)
    assert night.per_ten_minutes == pytest.approx(20 / 54)
    assert night.worst_ten_minutes == Peak(11, since + 4 * HOUR + 35 * MINUTE)
    assert night.floods == (flood,)
    assert night.flood_share == (flood.end - flood.start) / (9 * HOUR)
    assert night.hours_above == 1 / 9
    assert night.band is Band.ACCEPTABLE


def test_a_flood_that_outlasts_the_period_is_cut_off_at_its_end() -> None:
    """No share above one; an hour that is not whole gives no share of hours."""
    found = load([EVENING + 1] * 12, EVENING, EVENING + 5 * MINUTE)
    assert found.floods == (Stretch(EVENING + 1, EVENING + 5 * MINUTE),)
    assert found.flood_share == (5 * MINUTE - 1) / (5 * MINUTE)
    assert found.hours_above is None
    assert found.band is Band.OVER


def test_an_hour_with_as_many_as_the_limit_is_not_above_it() -> None:
    """30 in an hour, unless another limit is given; the hour that is not whole does not count."""
    told = [EVENING + 1] * 30 + [EVENING + HOUR + 1] * 31 + [EVENING + 3 * HOUR + 1] * 99
    until = EVENING + 3 * HOUR + 30 * MINUTE
    assert load(told, EVENING, until).hours_above == 1 / 3
    assert load(told, EVENING, until, hour_limit=29).hours_above == 2 / 3
    assert load(told, EVENING, until, hour_limit=31).hours_above == 0


def test_nothing_at_all() -> None:
    """A quiet night is acceptable, and has no worst ten minutes."""
    quiet = load([], 0, 2 * HOUR)
    assert quiet == (0, 0.0, 0.0, None, (), 0.0, 0.0, Band.ACCEPTABLE)
    with pytest.raises(ValueError, match="0 ms"):
        load([], 5, 5)


@given(st.lists(st.integers(-HOUR, 6 * HOUR) | st.integers(0, 5).map(lambda hour: hour * HOUR), max_size=30))
def test_periods_hold_what_came_in_them_once(instants: list[int]) -> None:
    """(since, since + 1 h] and so on, by plain counting; nothing outside and nothing twice."""
    found = by_period([EVENING + at for at in instants], EVENING, EVENING + 5 * HOUR + 1, HOUR)
    assert found == tuple(
        sum(1 for at in instants if hour * HOUR < at <= (hour + 1) * HOUR) for hour in range(5)
    )


def test_counts_change_when_one_leaves_too() -> None:
    """The number falls exactly a window after an arrival."""
    assert counts([0, MINUTE], TEN_MINUTES) == [(0, 1), (MINUTE, 2), (TEN_MINUTES, 1), (11 * MINUTE, 0)]

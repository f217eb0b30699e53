"""What the study measures: each figure's name, unit and meaning, and the sums of night records that it is made of.

Editing rules: a measure says what it is in one sentence for the page; its key is what study.csv and study.json call it,
so a key whose meaning changes gets another name. Ratios are sums over sums, never means of nightly ratios: a quiet
night counts as little as it holds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from monitor.study.night_record import NightRecord

MINUTE: Final = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One figure: `better` says which way is good, "" if neither is."""

    key: str
    title: str
    unit: str
    says: str
    better: Literal["more", "fewer", ""] = "fewer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio(Measure):
    """A sum over the nights divided by another; a share of 1 if `share`."""

    of: Callable[[NightRecord], float]
    per: Callable[[NightRecord], float]
    times: float = 1.0
    share: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantile(Measure):
    """The time within which this share of all was over: the smallest that at least so many did not exceed."""

    of: Callable[[NightRecord], Sequence[int]]
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Highest(Measure):
    """The highest of all nights. It has no interval: resampling says nothing of a maximum."""

    of: Callable[[NightRecord], float]


def _nurse(night: NightRecord) -> float:
    return night.nurse_nights


def _pumps(night: NightRecord) -> float:
    return night.pumps


def _lasted(night: NightRecord) -> float:
    return night.lasting - night.averted


_A_NURSE: Final = "a nurse-night"
_A_PUMP: Final = "a pump-day"

MEASURES: Final[tuple[Measure, ...]] = (
    Ratio(
        key="recall", title="Somebody was told", unit="%", share=True, times=100, better="more",
        says="Of the troubles that needed somebody and outlasted 15 minutes (those that did not come about because "
        "somebody had been there before are left out): the share of which somebody was told while they lasted.",
        of=lambda night: night.reached, per=_lasted,
    ),
    Ratio(
        key="accepted", title="Accepted by somebody", unit="%", share=True, times=100, better="more",
        says="The same, accepted by somebody.",
        of=lambda night: night.accepted, per=_lasted,
    ),
    Ratio(
        key="notices", title="Notices", unit=_A_NURSE,
        says="All notices that were carried from 20:00 to 08:00, whatever they say, for each person on the first rung.",
        of=lambda night: night.notices, per=_nurse,
    ),
    Ratio(
        key="calls", title="Calls", unit=_A_NURSE,
        says="Of the notices, those of medium or high priority that ask somebody to see to a pump.",
        of=lambda night: night.calls, per=_nurse,
    ),
    Ratio(
        key="aware", title="For awareness", unit=_A_NURSE,
        says="Of the notices, those that tell of low priority alone, which asks for no prompt response.",
        of=lambda night: night.aware, per=_nurse,
    ),
    Highest(
        key="worst", title="Worst 10 min", unit="notices",
        says="The most notices that one person had within 10 minutes, in all nights. A highest value has no interval.",
        of=lambda night: night.worst,
    ),
    Ratio(
        key="precision", title="Calls about real trouble", unit="%", share=True, times=100, better="more",
        says="The share of calls of which at least one pump had a trouble that needed somebody, then or later.",
        of=lambda night: night.real, per=lambda night: night.calls,
    ),
    Ratio(
        key="to_know", title="Calls only to know of", unit="%", share=True, times=100,
        says="The share of calls that were about no such trouble, but about a feed that is behind its plan, a tube "
        "that is out, or a rest of over 30 min at glucose risk: somebody has to know, and no notice makes it shorter.",
        of=lambda night: night.to_know, per=lambda night: night.calls,
    ),
    Quantile(
        key="told_median", title="Needed to told, median", unit="min", at=0.5,
        says="From the instant at which somebody was needed until somebody was told; half were told within this time. "
        "Only troubles that reached somebody have such a time.",
        of=lambda night: night.told_ms,
    ),
    Quantile(
        key="told_p95", title="Needed to told, 95 %", unit="min", at=0.95,
        says="The same; 95 of 100 were told within this time.",
        of=lambda night: night.told_ms,
    ),
    Quantile(
        key="accepted_median", title="Needed to accepted, median", unit="min", at=0.5,
        says="From the instant at which somebody was needed until somebody accepted. Only what was accepted has such "
        "a time.",
        of=lambda night: night.accepted_ms,
    ),
    Quantile(
        key="accepted_p95", title="Needed to accepted, 95 %", unit="min", at=0.95,
        says="The same; 95 of 100 were accepted within this time.",
        of=lambda night: night.accepted_ms,
    ),
    Ratio(
        key="lost_ml", title="Feed not given", unit=f"mL {_A_PUMP}",
        says="What the plans asked for from noon to noon and was not given, for whatever reason, pauses on purpose "
        "among them.",
        of=lambda night: night.lost_ml, per=_pumps,
    ),
    Ratio(
        key="lost_kcal", title="Feed not given", unit=f"kcal {_A_PUMP}",
        says="The same as energy.",
        of=lambda night: night.lost_kcal, per=_pumps,
    ),
    Ratio(
        key="trouble_ml", title="Feed due in trouble, not given", unit=f"mL {_A_PUMP}",
        says="What the plans asked for while a trouble needed somebody, and the pump did not give then. What was made "
        "up for later is not taken off.",
        of=lambda night: night.trouble_ml, per=_pumps,
    ),
    Ratio(
        key="trouble_kcal", title="Feed due in trouble, not given", unit=f"kcal {_A_PUMP}",
        says="The same as energy.",
        of=lambda night: night.trouble_kcal, per=_pumps,
    ),
    Ratio(
        key="glucose_min", title="Stopped at glucose risk", unit="min per 100 pump-days", times=100,
        says="Minutes for which the feed of somebody at glucose risk had stopped and nobody was dealing with it.",
        of=lambda night: night.glucose_min, per=_pumps,
    ),
    Ratio(
        key="battery_min", title="Dead battery", unit="min per 100 pump-days", times=100,
        says="Minutes for which feed was due and the pump was off or stopped for want of charge.",
        of=lambda night: night.battery_min, per=_pumps,
    ),
    Ratio(
        key="wakings", title="Calls after 30 quiet minutes", unit=_A_NURSE,
        says="Wakings, where people sleep: calls in the night to somebody not called in the 30 minutes before.",
        of=lambda night: night.wakings, per=_nurse,
    ),
    Ratio(
        key="needless", title="Of these, without need", unit=_A_NURSE,
        says="Wakings without need: nothing that was told of was a trouble that needed somebody.",
        of=lambda night: night.needless, per=_nurse,
    ),
)  # fmt: skip

BY_KEY: Final = {measure.key: measure for measure in MEASURES}

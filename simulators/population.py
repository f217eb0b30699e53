"""The people and pumps of one night of a world: who is fed how, by which pump, and how far they are at noon."""

from __future__ import annotations

from random import Random

from simulators.feeding_days import spans
from simulators.instants import HOUR
from simulators.scenario import PumpPlan
from simulators.world_figures import PumpFigures

_NOON = 12 * 60
# cp: feeds are begun when the day shift, or the evening at home, has got round to it.
_CONTINUOUS_FROM = (6 * 60, 9 * 60)
_OVERNIGHT_FROM = (19 * 60, 22 * 60)
_BOLUS_FROM = 7 * 60
_BOLUS_DAY = 14 * 60


def pumps(
    figures: PumpFigures, *, seed: int, setting: str, units: tuple[str, ...], bridges: tuple[str, ...]
) -> tuple[PumpPlan, ...]:
    """Return everybody's pump, unit by unit, and the spare ones after them."""
    count, spares = int(figures.count.value), int(figures.spares.value)
    each = -(-count // len(units))
    found = []
    for number in range(count):
        unit, within = divmod(number, each)
        device = f"pump-{number + 1:04d}"
        ward = setting == "ward"
        about = {
            "id": device,
            "place": f"{units[unit]} bay {within // 4 + 1} bed {within % 4 + 1}"
            if ward
            else f"home {number + 1}",
            "unit": units[unit],
            "bridge": bridges[unit],
            "nurse": f"nurse-{unit + 1}" if ward else "on-call",
        }
        found.append(_fed(figures, Random(f"{seed}/plan/{device}"), about))
    for number in range(spares):
        unit = number % len(units)
        device = f"spare-{number + 1:04d}"
        draw = Random(f"{seed}/plan/{device}")
        found.append(
            PumpPlan(
                id=device,
                place=f"{units[unit]} cupboard {number + 1}",
                unit=units[unit],
                bridge=bridges[unit],
                feeding=False,
                heard=draw.random() >= figures.unheard.value,
                battery_health=_health(figures, draw),
            )
        )
    return tuple(found)


def _fed(figures: PumpFigures, draw: Random, about: dict[str, str]) -> PumpPlan:
    kind = draw.random()
    at_risk = draw.random() < figures.glucose_risk.value
    health = _health(figures, draw)
    rate = float(round(draw.uniform(figures.rate_least.value, figures.rate_most.value)))
    kcal = round(draw.uniform(figures.kcal_per_ml_least.value, figures.kcal_per_ml_most.value), 2)
    start, length, spent, full = draw.random(), draw.random(), draw.random(), draw.random()
    bolus_ml = None
    if kind < figures.bolus.value:
        minutes = int(figures.bolus_min.value)
        bolus_ml = figures.bolus_ml.value
        rate = round(bolus_ml * 60 / minutes, 1)
        several = int(figures.boluses.value)
        apart = _BOLUS_DAY // several
        first = _BOLUS_FROM + 5 * int(start * (apart - minutes) / 5)
        windows = tuple(
            (_clock(first + n * apart), _clock(first + n * apart + minutes)) for n in range(several)
        )
        target = bolus_ml * several
    else:
        continuous = kind < figures.bolus.value + figures.continuous.value
        least, most = (
            (figures.continuous_h_least, figures.continuous_h_most)
            if continuous
            else (figures.overnight_h_least, figures.overnight_h_most)
        )
        hours = least.value + length * (most.value - least.value)
        target = float(round(rate * hours, -1))
        begin, end = _CONTINUOUS_FROM if continuous else _OVERNIGHT_FROM
        first = begin + 5 * int(start * (end - begin) / 5)
        whole = 5 * round((target / rate + figures.slack_h.value) * 12)
        windows = ((_clock(first), _clock(first + whole)),)
    plan = PumpPlan(
        **about,  # type: ignore[arg-type]
        rate_ml_h=rate,
        target_ml=target,
        bolus_ml=bolus_ml,
        container_ml=figures.container_ml.value,
        feeding=False,
        windows=windows,
        highest_rate_ml_h=round(rate * figures.highest_rate.value, 1),
        kcal_per_ml=kcal,
        glucose_risk=at_risk,
        feed_kind="decanted" if bolus_ml is not None else "closed",
        flush_every_h=figures.flush_every_h.value if windows and _hours(windows[0]) >= 16 else None,
        flush_ml=figures.flush_ml.value,
        battery_health=health,
    )
    return _at_noon(plan, spent, full)


def _at_noon(plan: PumpPlan, spent: float, full: float) -> PumpPlan:
    """Let what was due before noon be given, and a feed whose window is open then be under way, a little behind."""
    today = spans(plan.windows, from_min=_NOON, days=1)
    if plan.bolus_ml is not None:
        return _between_boluses(plan)
    for span in today:
        if span.begin < 0 < span.end:
            target = plan.target_ml or 0.0
            given = round(min(target, plan.rate_ml_h * -span.begin / HOUR) * (0.97 + 0.03 * spent), 1)
            if given < target:
                left = plan.container_ml * (1 - 0.9 * full)
                changes = {"feeding": True, "delivered_ml": given, "container_left_ml": round(left, 1)}
                return plan.model_copy(update=changes)
    return plan


def _between_boluses(plan: PumpPlan) -> PumpPlan:
    """Count what the boluses of this day have given; its pump's counter goes on from one to the next."""
    minutes = [_minute(begin) - _NOON for begin, _ in plan.windows]
    lasts = _hours(plan.windows[0]) * 60
    given = sum(plan.rate_ml_h * min(lasts, -minute) / 60 for minute in minutes if minute < 0)
    running = any(minute < 0 < minute + lasts for minute in minutes)
    return plan.model_copy(update={"delivered_ml": round(given, 1), "feeding": running})


def _health(figures: PumpFigures, draw: Random) -> float:
    share, worn = draw.random(), draw.random() < figures.worn.value
    least = figures.battery_least.value
    return round(figures.worn_health.value * (0.5 + share) if worn else least + (1 - least) * share, 3)


def _clock(minute: int) -> str:
    return f"{minute // 60 % 24:02d}:{minute % 60:02d}"


def _minute(clock: str) -> int:
    return int(clock[:2]) * 60 + int(clock[3:5])


def _hours(window: tuple[str, str]) -> float:
    return (_minute(window[1]) - _minute(window[0])) % (24 * 60) / 60

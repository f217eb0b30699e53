"""The site of a study night: the pumps of a world with their plans, its people and ladders, a strategy's rules.

Ladders are those of the sample site files (`config/ward.toml`, `config/home.toml`), so that what is studied is what a
site begins with. A ward has one night nurse for each unit, who is second nurse of the next one, and a charge nurse; a
home service one on-call nurse and a back-up for all units.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Final

from monitor.adapters.zones import zone_table
from monitor.core.instants import MINUTE, SECOND
from monitor.core.ladders import Ladder, Rung
from monitor.core.messages import Plan, Window
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.study.strategies import Strategy
from simulators.carrying import PAGER, span_in
from simulators.figures import RotaFigures
from simulators.scenario import PumpPlan, Scenario
from simulators.worlds import WorldFile

KEY: Final = b"study"  # codes and trail keys of a study night are nobody's
MAIL: Final = "mail"
LAST_RESORT: Final = "manager"

_WARD: Final = {
    ("*", "high"): Ladder(
        (
            Rung(("role:nurse",), 3 * MINUTE),
            Rung(("role:second-nurse", "role:charge"), 3 * MINUTE),
        )
    ),
    ("*", "medium"): Ladder(
        (
            Rung(("role:nurse",), 10 * MINUTE),
            Rung(("role:second-nurse",), 10 * MINUTE),
            Rung(("role:charge",), 10 * MINUTE),
        )
    ),
    ("*", "low"): Ladder((Rung(("role:nurse",), 10 * MINUTE),)),
}
_HOME: Final = {
    ("*", "high"): Ladder(
        (
            Rung(("role:on-call",), 3 * MINUTE),
            Rung(("role:on-call", "role:back-up"), 5 * MINUTE),
        ),
        5 * MINUTE,
    ),
    ("*", "medium"): Ladder(
        (Rung(("role:on-call",), 10 * MINUTE), Rung(("role:back-up",), 15 * MINUTE)),
    ),
    ("*", "low"): Ladder((Rung(("role:on-call",), 10 * MINUTE),)),
}
LADDERS: Final = {"ward": _WARD, "home": _HOME}


def first_rung(setting: str, units: tuple[str, ...]) -> tuple[str, ...]:
    """Who is on the first rung, each once: whose nights the notices are counted by."""
    return (
        tuple(f"nurse-{number}" for number in range(1, len(units) + 1)) if setting == "ward" else ("on-call",)
    )


def site_of(world: WorldFile, scenario: Scenario, strategy: Strategy) -> Site:
    """The site of one night under one strategy."""
    units = scenario.units
    night = world.night(scenario)
    people = [
        *first_rung(world.setting, units),
        "charge" if world.setting == "ward" else "back-up",
        LAST_RESORT,
    ]
    return Site(
        name=scenario.site,
        key=KEY,
        prefix=scenario.prefix,
        setting=world.setting,
        zone=zone_table(world.zone),
        zone_name=world.zone,
        last_resort=LAST_RESORT,
        units=units,
        people={name: _person(name, number) for number, name in enumerate(people)},
        carriers={PAGER: "page", MAIL: "mail"},
        ladders=LADDERS[world.setting],
        rota=Rota(_spans(world.setting, units, hole_in(world.rota, scenario, world.setting, night))),
        devices={pump.id: _entry(pump) for pump in scenario.pumps},
        rules=strategy.rules,
        thresholds=strategy.thresholds,
        times=replace(strategy.times, reporting=round(scenario.report_every_s * SECOND)),
        most_notices=strategy.most_notices,
        most_within=strategy.most_within,
    )


def hole_in(figures: RotaFigures, scenario: Scenario, setting: str, night: tuple[int, int]) -> Span | None:
    """The hole in tonight's rota, if there is one: who is not on duty from when to when, and nobody in her place."""
    draw = Random(f"{scenario.seed}/rota")
    if draw.random() >= figures.hole.value:
        return None
    begin, end = span_in(draw, *night, round(figures.hole_min.value * MINUTE))
    units = scenario.units
    if setting == "home":
        return Span("on-call", "on-call", "*", begin, end)
    number = draw.randrange(len(units))
    return Span(f"nurse-{number + 1}", "nurse", units[number], begin, end)


def _spans(setting: str, units: tuple[str, ...], hole: Span | None) -> list[Span]:
    if setting == "home":
        spans = [Span(who, who, "*", 0, FOR_EVER) for who in ("on-call", "back-up")]
    else:
        nurses = first_rung(setting, units)
        spans = [Span(nurse, "nurse", unit, 0, FOR_EVER) for nurse, unit in zip(nurses, units, strict=True)]
        if len(units) > 1:
            others = (*units[1:], units[0])
            spans += [
                Span(nurse, "second-nurse", unit, 0, FOR_EVER)
                for nurse, unit in zip(nurses, others, strict=True)
            ]
        spans.append(Span("charge", "charge", "*", 0, FOR_EVER))
    if hole is None:
        return spans
    # Who is away is away altogether: as second nurse as well.
    return [
        part
        for span in spans
        for part in (
            (span._replace(end=hole.start), span._replace(start=hole.end))
            if span.person == hole.person
            else (span,)
        )
    ]


def _person(name: str, number: int) -> Person:
    """Reached by page first, by mail next; addresses are invented (RFC 2606)."""
    reach = (Reach(PAGER, f"{4400 + number}"), Reach(MAIL, f"{name}@study.invalid"))
    return Person(id=name, called=name.replace("-", " "), reach=reach)


def _entry(pump: PumpPlan) -> DeviceEntry:
    return DeviceEntry(
        id=pump.id, unit=pump.unit, place=pump.place, pager_place=pump.place[:24], plan=_plan(pump)
    )


def _plan(pump: PumpPlan) -> Plan | None:
    """What a monitor is told of a pump's feed; a pump without windows has no plan there, as on a ward without one."""
    if not pump.windows:
        return None
    return Plan(
        windows=tuple(Window(_minute(begin), _minute(end)) for begin, end in pump.windows),
        target_ml=pump.target_ml,
        rate_ml_h=pump.rate_ml_h,
        max_rate_ml_h=pump.highest_rate_ml_h,
        kcal_per_ml=pump.kcal_per_ml,
        glucose_risk=pump.glucose_risk,
        feed_kind=pump.feed_kind,
        container_hung=None,
        set_hung=None,
    )


def _minute(clock: str) -> int:
    """HH:MM as minutes after midnight; 24:00 is the next day's 00:00."""
    return (int(clock[:2]) * 60 + int(clock[3:5])) % (24 * 60)

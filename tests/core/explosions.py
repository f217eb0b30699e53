"""A ward on which many pumps lose mains at once, for the tests of groups and of explosions."""

from __future__ import annotations

import dataclasses
from typing import Any

from monitor.core.site import DeviceEntry, Person
from monitor.testing import Bench, Told, ward
from tests.core.stories import only

RULE = "low-power-unplugged"
MINUTE_OF_THE_RULE = "1 min 2 s"  # the rule's minute, and the lateness that a deadline is given


def pumps(count: int) -> dict[str, DeviceEntry]:
    """So many pumps of one ward, four in a bay."""
    return {
        f"pump-{n}": DeviceEntry(
            id=f"pump-{n}",
            unit="elm",
            place=f"bay {n // 4 + 1} bed {n % 4 + 1}",
            pager_place=f"B{n // 4 + 1}/{n % 4 + 1}",
        )
        for n in range(count)
    }


def by_mail() -> dict[str, Person]:
    """Everybody, reached by mail alone."""
    return {
        name: dataclasses.replace(person, reach=person.reach[1:]) for name, person in ward().people.items()
    }


def full_ward(count: int, *rules: str, **changed: Any) -> Bench:
    """All of them feed on mains; nothing is reported but what a test says."""
    bench = Bench(only(*(rules or (RULE,)), devices=pumps(count), **changed), reporting=0)
    for pump in bench.site.devices:
        bench.snapshot(pump, activity="feeding", mains=True, battery_percent=90)
    bench.pass_by("1 s")
    return bench


def lose_mains(bench: Bench, percent: int, *names: str, spread: int = 0) -> None:
    """Mains is gone for these pumps, or all, with so much battery left: at once, or one by one over `spread` ms."""
    chosen = names or tuple(bench.site.devices)
    for pump in chosen:
        bench.snapshot(pump, mains=False, battery_percent=percent)
        bench.until(bench.now + spread // len(chosen))


def recover(bench: Bench, *names: str) -> None:
    """Mains is back."""
    for pump in names or tuple(bench.site.devices):
        bench.snapshot(pump, mains=True)


def told_to(bench: Bench, person: str) -> list[Told]:
    """All that reached a person so far."""
    return [told for told in bench.told if told.person == person]


def counts(bench: Bench) -> dict[str, int]:
    """How many notices each person was sent so far."""
    return {person: len(told) for person in bench.site.people if (told := told_to(bench, person))}


def group_code(told: Told) -> str:
    """The code for all that a notice lists."""
    words = told.text.replace("answer with code ", "Code ").replace("take-over ", "Code ").split("Code ")
    return next(
        part.split()[0] for part in words[1:] if "takes all" in part.split("\n")[0] or "(secondbell" in part
    )

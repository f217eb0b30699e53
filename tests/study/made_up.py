"""Made-up nights for the tests of what is made of nights; nothing in them is measured or simulated."""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from monitor.study.night_record import NightRecord
from monitor.study.running import Task

STRATEGIES = ("nobody told", "forwarded at once", "Second Bell as shipped")


def night(
    seed: int = 1, strategy: str = "Second Bell as shipped", world: str = "ward", **more: Any
) -> NightRecord:
    """A night in which all went well, but for what is said otherwise."""
    plain: dict[str, Any] = {
        "world": world, "strategy": strategy, "seed": seed, "pumps": 24, "nurse_nights": 2.0, "troubles": 10,
        "lasting": 4, "reached": 4, "accepted": 4, "averted": 0, "told_ms": (60_000,) * 4,
        "accepted_ms": (120_000,) * 4, "notices": 8, "calls": 6, "aware": 1,
        "real": 6, "to_know": 0, "worst": 2, "wakings": 3, "needless": 0,
        "calls_of": {"unattended": (6, 6)}, "due_ml": 20_000.0, "lost_ml": 900.0, "lost_kcal": 1000.0,
        "trouble_ml": 300.0, "trouble_kcal": 320.0, "glucose_min": 10.0, "battery_min": 4.0, "messages": 15_000,
        "seconds": 0.5,
    }  # fmt: skip
    return NightRecord(**(plain | more))


def chance_night(world: str, strategy: str, seed: int) -> NightRecord:
    """A night by chance, the same for the same seed; more calls where everything is forwarded, none without."""
    draw = random.Random(f"{world}/{strategy}/{seed}")
    calls = {"nobody told": 0, "forwarded at once": draw.randint(60, 90)}.get(strategy, draw.randint(3, 12))
    lasting = draw.randint(2, 9)
    reached = 0 if not calls else sum(draw.random() < 0.95 for _ in range(lasting))
    real = sum(draw.random() < 0.9 for _ in range(calls))
    return night(
        seed, strategy, world, lasting=lasting, reached=reached, accepted=reached, calls=calls, notices=calls * 2,
        real=real, wakings=calls // 2, needless=(calls - real) // 2, worst=min(calls, 3),
        told_ms=tuple(draw.randrange(30_000, 900_000) for _ in range(reached)),
        accepted_ms=tuple(draw.randrange(60_000, 1_800_000) for _ in range(reached)),
        calls_of={"unattended": (calls, real)} if calls else {},
        trouble_ml=draw.uniform(300, 600) * (1 if calls else 4), glucose_min=draw.uniform(5, 20) * (1 if calls else 6),
    )  # fmt: skip


@dataclass(frozen=True)
class Plays:
    """Plays made-up nights under each strategy, in whatever process; one seed can fail, one can end its process."""

    strategies: tuple[str, ...] = STRATEGIES
    fails: int | None = None
    dies: int | None = None

    def __call__(self, task: Task) -> Iterator[NightRecord]:
        for strategy in self.strategies:
            if task.seed == self.fails:
                raise KeyError("pump-0007")
            if task.seed == self.dies:
                os.kill(os.getpid(), signal.SIGKILL)
            if strategy not in task.skip:
                yield chance_night(task.world, strategy, task.seed)

"""Long runs of a study world, measured from outside: by what its bridges report, its balances and its truth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from simulators import World
from simulators.instants import HOUR
from simulators.wire import Report
from simulators.world import Balance
from simulators.worlds import WorldFile


@dataclass(slots=True)
class Run:
    """What many nights of one world show."""

    durations_s: list[float] = field(default_factory=list)
    onsets: Counter[str] = field(default_factory=Counter)
    first_onsets: Counter[str] = field(default_factory=Counter)  # each pump and condition once a day
    hours_in_use: float = 0.0
    balances: list[tuple[str, Balance]] = field(default_factory=list)  # with how the person is fed
    days: int = 0  # of one person

    @property
    def alarms(self) -> int:
        """Count the onsets."""
        return self.onsets.total()

    def share_within(self, seconds: float) -> float:
        """Return the share of ended alarms no longer than *seconds*."""
        return sum(one <= seconds for one in self.durations_s) / len(self.durations_s)

    def interrupted_h(self, fed: str) -> float:
        """Return the hours a day for which feed was due and not running, for those who are fed this way."""
        hours = [(one.held_ms + one.stopped_ms) / HOUR for how, one in self.balances if how == fed]
        return sum(hours) / len(hours)


def run(world: WorldFile, seeds: Iterable[int], *, causes: bool = True) -> Run:
    """Play days of a world to their end; periodic reports, which show no change, are left out to be quick."""
    found = Run()
    for seed in seeds:
        scenario = world.scenario(seed).model_copy(update={"report_every_s": 1800.0})
        played = World(scenario, causes=causes, write=_as_it_is)
        _measure(found, played.advance(played.end_ms), played.end_ms)
        ways = {pump.id: way(pump.windows) for pump in scenario.pumps}
        found.balances += [(ways[one.device], one) for one in played.balances()]
        found.days += len(played.balances())
    return found


def way(windows: tuple[tuple[str, str], ...]) -> str:
    """Say how somebody is fed, by her plan."""
    if len(windows) != 1:
        return "bolus"
    begin, end = (int(clock[:2]) + int(clock[3:]) / 60 for clock in windows[0])
    return "continuous" if (end - begin) % 24 >= 15 else "overnight"


def _as_it_is(report: Report) -> Report:
    return report


def _measure(found: Run, reports: Iterable[object], end: int) -> None:
    known: dict[str, dict[tuple[str, int], int]] = {}
    used_since: dict[str, int] = {}
    seen: set[tuple[str, str]] = set()
    for report in reports:
        if not isinstance(report, Report):
            continue
        device, at = report.device, report.at
        if device in used_since:
            found.hours_in_use += (at - used_since.pop(device)) / HOUR
        if report.reading.activity != "off":
            used_since[device] = at
        mine = known.setdefault(device, {})
        active = {(alarm.condition, alarm.since) for alarm in report.reading.alarms}
        for condition, since in active - mine.keys():
            mine[condition, since] = at
            found.onsets[condition] += 1
            if (device, condition) not in seen:
                seen.add((device, condition))
                found.first_onsets[condition] += 1
        for over in mine.keys() - active:
            found.durations_s.append((at - mine.pop(over)) / 1000)
    found.hours_in_use += sum((end - since) / HOUR for since in used_since.values())

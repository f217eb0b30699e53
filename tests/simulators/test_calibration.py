"""A long run by chance alone, held against published figures for infusion pump alarms (domain.md §11).

Vitoux 2018 (Biomed Instrum Technol 52(6):433): 0.18 alarms per hour, mean duration 158 s, 60 % dealt with
within 68 s, downstream occlusion 22.9 % of alarms. Yu 2021 (Appl Clin Inform 12:528): 8 % over 4 min; the
lognormal fitted to Vitoux says 14.6 %. Both are taken as bounds. No series for enteral pumps was found.

Everything is measured from outside, from the published messages. Tolerances are three standard errors of as
many alarms as there are; the standard deviation of the fitted lognormal is 530 s.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import dataclass, field

import pytest

from simulators import World, load

LOGNORMAL_SD_S = 530.0


@dataclass(slots=True)
class Measured:
    """What the messages of a run tell."""

    durations_s: list[float] = field(default_factory=list)
    conditions: Counter[str] = field(default_factory=Counter)
    hours_in_use: float = 0.0

    @property
    def alarms(self) -> int:
        """Count the onsets."""
        return sum(self.conditions.values())

    def share_within(self, seconds: float) -> float:
        """Return the share of ended alarms no longer than *seconds*."""
        return sum(one <= seconds for one in self.durations_s) / len(self.durations_s)


@pytest.fixture(scope="module")
def measured() -> Measured:
    """Run many pumps for five days, so that the draw of their rates and targets does not weigh much.

    Periodic reports, which show no change, are left out to be quick.
    """
    scenario = load("quiet-ward", pumps=240, hours=120).model_copy(update={"report_every_s": 86_400.0})
    world = World(scenario)
    found = Measured()
    open_alarms: dict[str, dict[tuple[str, str], int]] = {}
    used_since: dict[str, int] = {}
    while (due := world.next_at()) is not None:
        for message in world.advance(due):
            if not message.topic.endswith("/state"):
                continue
            event = json.loads(message.payload)
            device, data = event["subject"], event["data"]
            if device in used_since:
                found.hours_in_use += (due - used_since.pop(device)) / 3_600_000
            if data["activity"] != "off":
                used_since[device] = due
            active = {(alarm["condition"], alarm["since"]) for alarm in data["alarms"]}
            known = open_alarms.setdefault(device, {})
            for onset in active - known.keys():
                known[onset] = due
                found.conditions[onset[0]] += 1
            for onset in known.keys() - active:
                found.durations_s.append((due - known.pop(onset)) / 1000)
    return found


def test_alarms_per_hour_in_use(measured: Measured) -> None:
    """0.18 an hour; counts of independent alarms scatter by their square root."""
    rate = measured.alarms / measured.hours_in_use
    assert rate == pytest.approx(0.18, abs=3 * math.sqrt(measured.alarms) / measured.hours_in_use)


def test_share_cleared_within_68_seconds(measured: Measured) -> None:
    """60 %; a share scatters binomially."""
    tolerance = 3 * math.sqrt(0.6 * 0.4 / len(measured.durations_s))
    assert measured.share_within(68) == pytest.approx(0.60, abs=tolerance)


def test_mean_duration(measured: Measured) -> None:
    """2 min 38 s; the tail is long, so the mean scatters more than anything else."""
    mean = sum(measured.durations_s) / len(measured.durations_s)
    assert mean == pytest.approx(158, abs=3 * LOGNORMAL_SD_S / math.sqrt(len(measured.durations_s)))


def test_share_over_four_minutes(measured: Measured) -> None:
    """Between 8 % (Yu 2021) and 14.6 % (the fit to Vitoux 2018), and the fit is what is drawn from."""
    share = 1 - measured.share_within(240)
    tolerance = 3 * math.sqrt(0.146 * 0.854 / len(measured.durations_s))
    assert 0.08 <= share <= 0.146 + tolerance


def test_share_of_downstream_occlusions(measured: Measured) -> None:
    """22.9 % of alarms; a share scatters binomially."""
    share = measured.conditions["downstream-occlusion"] / measured.alarms
    assert share == pytest.approx(0.229, abs=3 * math.sqrt(0.229 * 0.771 / measured.alarms))


def test_enough_alarms_to_tell(measured: Measured) -> None:
    """Some thousands of alarms, or the tolerances above would forgive anything."""
    assert measured.alarms > 3_000

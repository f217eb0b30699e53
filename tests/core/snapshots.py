"""Snapshots as the core takes them, for tests that need no bytes."""

from __future__ import annotations

from typing import Any

from monitor.core.messages import AlarmCondition, Plan, Snapshot, Window


def snapshot(at: int, *, sequence: int | None = None, **said: Any) -> Snapshot:
    """A snapshot of pump-1 at `at`; the id goes with the time and sequence, what is not said is absent."""
    values: dict[str, Any] = {
        "site": "trace", "unit": "ward-a", "device": "pump-1", "source": "urn:bridge:north-7", "bridge": "north-7",
        "activity": "feeding", "alarms": (), "mains": None, "battery_percent": None, "battery_low": None,
        "rate_ml_h": None, "delivered_ml": None, "target_ml": None, "dropped": (),
        "id": f"{at}-{sequence}", "time": at, "sequence": at if sequence is None else sequence,
    }  # fmt: skip
    return Snapshot(**(values | said))


def alarm(since: int | None, condition: str = "occlusion", **said: str) -> AlarmCondition:
    """An alarm condition, medium and sounding unless something else is said."""
    values: dict[str, Any] = {"line": "", "priority": "medium", "inactivation": "enabled", **said}
    return AlarmCondition(condition=condition, since=since, **values)


def plan(*windows: tuple[int, int], target_ml: float | None = 1000, glucose_risk: bool = False) -> Plan:
    """A feeding plan with windows in minutes of the local day."""
    shown = tuple(Window(start, end) for start, end in windows)
    return Plan(shown, target_ml, None, None, None, glucose_risk, None, None, None)

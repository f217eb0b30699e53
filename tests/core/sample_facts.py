"""Made-up facts of one concern, for the tests of notices."""

from typing import Any

from monitor.core.facts import Facts
from monitor.core.instants import DAY, HOUR, MINUTE, parse
from monitor.core.messages import AlarmCondition
from monitor.core.plans import Zone

NOW = parse("2026-03-14T01:14:00Z")
ZONE = Zone((0,), (HOUR,))  # one hour east of UTC: it is 02:14
BLOCKED = AlarmCondition("downstream-occlusion", "feed", "medium", "audio-paused", NOW - 7 * MINUTE)


def facts(**changed: Any) -> Facts:
    """A muted occlusion in bay 3 bed 12 at 02:14, or something else where changed."""
    told: dict[str, Any] = {
        "concern": "q2zr", "rule": "muted-too-long", "sentence": "An alarm has been kept without sound.",
        "hazard": "The trouble behind it goes on.", "priority": "medium", "site": "demo", "unit": "north",
        "place": "bay 3 bed 12", "pager_place": "B3/12", "device": "pump-0042", "setting": "ward", "why": "raised",
        "now": NOW, "raised_at": NOW - 2 * MINUTE, "since": NOW - 6 * MINUTE, "times": 1, "alarms": (BLOCKED,),
        "activity": "stopped", "last_seen": NOW - 20_000, "reporting_interval": MINUTE, "unreadable": 0,
        "clock_doubtful": False, "mains": True, "battery_percent": 61.0, "battery_low": False, "rate_ml_h": 85.0,
        "delivered_ml": 412.5, "target_ml": 1000.0, "feed_due": True, "delivering": False, "glucose_risk": False,
        "checks": ("Look at the person first.", "Follow the line."), "code": "K7QX2M", "holder": None,
        "next_at": NOW + 10 * MINUTE, "next_who": "night nurse 2", "recheck_at": None, "late_by": None,
        "settled": None, "places": (), "told_before": 0,
    }  # fmt: skip
    return Facts(**told | changed)


def at_home(**changed: Any) -> Facts:
    """A feed that stands idle at home, about which little is known."""
    told: dict[str, Any] = {
        "rule": "idle-past-limit", "priority": "high", "place": "home 17", "pager_place": "H17", "setting": "home",
        "why": "relapsed", "times": 2, "alarms": (), "activity": "held", "last_seen": NOW - 12 * MINUTE,
        "unreadable": 3, "clock_doubtful": True, "mains": None, "battery_percent": None, "battery_low": None,
        "rate_ml_h": None, "target_ml": None, "holder": "night nurse 2", "late_by": 7 * MINUTE, "next_who": None,
        "told_before": 2, "place_since": NOW - 2 * DAY,
    }  # fmt: skip
    return facts(**told | changed)

"""The MQTT topics of the contract: their names, what the monitor subscribes to, how one is taken apart."""

import re
from typing import Final, NamedTuple

DEFAULT_PREFIX: Final = "secondbell/v1"
RESERVED_UNITS: Final = frozenset({"bridge", "monitor"})
LEVEL: Final = (
    "[A-Za-z0-9_-]{1,64}"  # one level of a topic; also the form of site, unit, device and bridge ids
)

is_level = re.compile(LEVEL, re.ASCII).fullmatch


class Topic(NamedTuple):
    """A topic that the monitor reads: for presence, `unit` is "bridge" and `device` the bridge's name."""

    kind: str
    unit: str
    device: str


def parse_topic(topic: str, prefix: str, site: str) -> Topic | None:
    """Take a topic under this prefix and site apart; None if it is not one that the contract knows."""
    base = f"{prefix}/{site}/"
    if not topic.startswith(base):
        return None
    levels = topic[len(base) :].split("/")
    if len(levels) != 3:
        return None
    unit, device, kind = levels
    if is_level(unit) is None or is_level(device) is None:
        return None
    if kind == "presence":
        return Topic(kind, unit, device) if unit == "bridge" else None
    if kind in ("state", "plan", "responsibility") and unit not in RESERVED_UNITS:
        return Topic(kind, unit, device)
    return None


def filters(prefix: str, site: str) -> tuple[str, ...]:
    """Give the four topic filters that the monitor subscribes to, and no other."""
    return (
        f"{prefix}/{site}/+/+/state",
        f"{prefix}/{site}/+/+/plan",
        f"{prefix}/{site}/+/+/responsibility",
        f"{prefix}/{site}/bridge/+/presence",
    )


def state_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Give the topic of a device's state messages."""
    return f"{prefix}/{site}/{unit}/{device}/state"


def plan_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Give the topic of a device's feeding plan."""
    return f"{prefix}/{site}/{unit}/{device}/plan"


def responsibility_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Give the topic of answers about a device."""
    return f"{prefix}/{site}/{unit}/{device}/responsibility"


def bridge_presence_topic(prefix: str, site: str, bridge: str) -> str:
    """Give the topic of a bridge's presence."""
    return f"{prefix}/{site}/bridge/{bridge}/presence"


def concerns_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Give the topic on which the monitor publishes a device's open concerns."""
    return f"{prefix}/{site}/{unit}/{device}/concerns"


def monitor_presence_topic(prefix: str, site: str, name: str) -> str:
    """Give the topic of a monitor's own presence."""
    return f"{prefix}/{site}/monitor/{name}/presence"

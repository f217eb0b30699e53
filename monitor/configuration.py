"""What has changed between two readings of a site's configuration, for the trail: counts and keys, no free text.

Of each part of what a site file says the names are kept, each with a short keyed hash of what is said of it. So the
next start can tell what is new, gone or different without the old file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, Literal

from monitor.core.site import Site
from monitor.settings import Settings

MOST_NAMED: Final = 20  # keys of one part in one entry of the trail
_OPAQUE: Final[Mapping[str, Literal["person", "device"]]] = {"people": "person", "devices": "device"}

Parts = dict[str, dict[str, str]]  # part -> name -> hash
Key = Callable[[Literal["person", "device"], str], str]


def parts_of(settings: Settings) -> Parts:
    """The parts of a configuration."""
    site = settings.site
    off = site.switched_off
    said: dict[str, Iterable[tuple[str, object]]] = {
        "people": site.people.items(),
        "units": ((unit, settings.units_called.get(unit)) for unit in site.units),
        "carriers": settings.carriers.items(),
        "ladders": ((f"{unit}|{priority}", ladder) for (unit, priority), ladder in site.ladders.items()),
        "rules": ((rule.id, _rule(site, rule.id)) for rule in site.rules if rule.id not in off),
        "rules_off": off.items(),
        "duty": (("|".join((s.person, s.role, s.unit)), (s.start, s.end)) for s in site.rota.fixed),
        "devices": site.devices.items(),
        "others": (
            ("times", site.times),
            ("broker", settings.broker),
            ("site", (site.last_resort, site.technical, site.zone_name, site.setting, site.prefix)),
        ),
    }
    key = site.key[:64]
    return {
        part: {
            name: hashlib.blake2b(repr(what).encode(), key=key, digest_size=6).hexdigest()
            for name, what in items
        }
        for part, items in said.items()
    }


def _rule(site: Site, name: str) -> object:
    return (
        site.rule(name),
        site.thresholds.get(name),
        [(unit, rules.get(name)) for unit, rules in site.unit_thresholds.items()],
    )


def as_text(parts: Parts) -> str:
    """The parts as they are stored."""
    return json.dumps(parts, separators=(",", ":"))


def differences(before: str | None, parts: Parts, key: Key) -> dict[str, Any]:
    """What is added, removed and changed of each part, where anything is; `before` is what was stored.

    Persons and devices are named by `key`, up to 20 of a part; nothing if it is not known what was before.
    """
    if before is None:
        return {}
    old: Parts = json.loads(before)
    found: dict[str, Any] = {}
    for part, now in parts.items():
        was = old.get(part, {})
        added = [name for name in now if name not in was]
        removed = [name for name in was if name not in now]
        changed = [name for name, what in now.items() if was.get(name, what) != what]
        if added or removed or changed:
            found[part] = {
                kind: {
                    "count": len(names),
                    "which": [_named(part, name, key) for name in sorted(names)[:MOST_NAMED]],
                }
                for kind, names in (("added", added), ("removed", removed), ("changed", changed))
                if names
            }
    return found


def _named(part: str, name: str, key: Key) -> str:
    if part == "duty":
        person, role, unit = name.split("|")
        return f"{key('person', person)}|{role}|{unit}"
    return key(_OPAQUE[part], name) if part in _OPAQUE else name

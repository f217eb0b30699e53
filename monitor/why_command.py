"""`secondbell why CONCERN`: what was seen, since when, against which limit of which file, and who was told.

Reads the trail only, read-only, so it works while the service runs and after the concern is forgotten.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from monitor.commandline import BAD_INPUT, WRONG, add_place, say, site_file, state_dir, usage
from monitor.core.changes import TrailEntry
from monitor.core.instants import parse, show
from monitor.core.plans import UTC, Zone
from monitor.core.reasons import limit, sentence, value_words
from monitor.core.rulebook import DEVICE_FIELDS, UNIT_FIELDS, Rule
from monitor.trail.commands import local, reading
from monitor.trail.view import ALTERED, UNREADABLE, Names, name_of

if TYPE_CHECKING:
    from monitor.adapters.store_reader import StoreReader

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

Account = dict[str, Any]
BEGINS = ("raised", "relapsed", "joined", "priority-raised")
ANSWERS = ("accepted", "declined", "handed-back", "taken-over", "accepted-again", "withdrawn", "covered")


def add(commands: Commands) -> None:
    """Add `why`."""
    why = commands.add_parser(
        "why", help="why a concern was raised: what was seen, since when, against which limit of which file"
    )
    why.add_argument(
        "concern", metavar="CONCERN", help="its id, the beginning of one, or the code of a notice about it"
    )
    why.add_argument("--format", choices=("text", "json"), default="text")
    add_place(why)
    why.set_defaults(run=_why)


def _why(args: argparse.Namespace) -> int:
    with reading(args) as reader:
        names = reader.names()
        found = _meant(args, reader, names)
        if len(found) > 1:
            say(f"{args.concern}: {len(found)} concerns begin so: {', '.join(found[:10])}")
            return BAD_INPUT
        if not found:
            say(f"no concern {args.concern} in this trail; `secondbell trail show list` names them")
            return WRONG
        account = tell(reader.entries(concern=found[0]), names, _rules(args))
    if args.format == "json":
        print(json.dumps(account, indent=2, ensure_ascii=False))
        return 0
    here = local(args)
    print(page(account, here.get("zone", UTC), here.get("zone_name", "UTC"), here.get("called", {})))
    return 0


def _meant(args: argparse.Namespace, reader: StoreReader, names: Names) -> list[str]:
    """The ids of the concerns that may be meant."""
    wanted = args.concern.strip()
    known = list(dict.fromkeys(e.concern for e in reader.entries() if e.event == "raised" and e.concern))
    if wanted.lower() in known:
        return [wanted.lower()]
    found = [concern for concern in known if wanted and concern.startswith(wanted.lower())]
    return found or [concern for concern in known if wanted.upper() in _codes(args, reader, concern, names)]


def _codes(args: argparse.Namespace, reader: StoreReader, concern: str, names: Names) -> set[str]:
    """The codes under which people were told of a concern, if the site's key lies where it should."""
    from monitor.adapters.lockfile import KEY_NAME, StateError, site_key
    from monitor.core.site import Site

    folder = state_dir(args)
    if not (folder / KEY_NAME).exists():  # reading makes no key
        return set()
    try:
        key = site_key(folder)
    except StateError as error:
        raise usage(str(error)) from None
    site = Site(name=reader.site, key=key, last_resort="")
    return {site.code(concern, name) for kind, name in names.values() if kind == "person"}


def _rules(args: argparse.Namespace) -> dict[str, Rule]:
    """The rules as they are now, for their reasons; none where they cannot be read."""
    from monitor.core.problems import ProblemsFound
    from monitor.settings import examine
    from monitor.shipped import shipped_rules

    site = site_file(args)
    try:
        rules = shipped_rules() if site is None else [file.rule for file in examine(site).rules]
    except (ProblemsFound, OSError):
        return {}
    return {rule.id: rule for rule in rules}


def tell(entries: Iterable[TrailEntry], names: Names, rules: Mapping[str, Rule]) -> Account:
    """Everything about a concern, as JSON values; instants are RFC 3339."""
    account: Account = {"began": [], "told": [], "answers": [], "unreadable": []}
    for entry in entries:
        try:
            told: dict[str, Any] = json.loads(entry.text)
            _take(account, told, entry.at, names, rules)
        except UNREADABLE:
            account["unreadable"].append(entry.n)
    return account


def _take(account: Account, told: dict[str, Any], at: int, names: Names, rules: Mapping[str, Rule]) -> None:
    detail, event = told.get("detail", {}), told["event"]
    if "concern" not in account and event == "raised":
        rule = rules.get(told["rule"])
        account |= {
            "concern": told["concern"],
            "rule": told["rule"],
            "sentence": rule.sentence if rule else None,
            "device": name_of(told.get("device"), names),
        }
    if "priority" in told:
        account["priority"] = told["priority"]
    if event in BEGINS:
        seen = detail.get("evidence", {})
        account["settled"] = None
        account["began"].append(
            {
                "event": event,
                "at": show(at),
                "since": show(detail["since"]) if "since" in detail else None,
                "priority": told.get("priority"),
                "evidence": seen,
                "limits": _limits(seen, rules.get(told["rule"])),
            }
        )
    elif event == "told":
        who = name_of(told.get("person"), names)
        account["told"].append(
            {"at": show(at), "person": who, "carrier": detail["carrier"], "why": detail["why"]}
        )
    elif event in ANSWERS:
        account["answers"].append(
            {"at": show(at), "person": name_of(told.get("person"), names), "answer": event}
        )
    if event in ("settled", "withdrawn"):
        why = detail.get("why") or detail.get("reason") or event
        account["settled"] = {"at": show(at), "why": why}


def _limits(seen: Mapping[str, Any], rule: Rule | None) -> list[Account]:
    """The thresholds that it was measured against: what they were then, from where, and why they are what they are."""
    found = []
    for name, (number, unit) in seen.get("thresholds", {}).items():
        file, line = seen.get("from", {}).get(name, (None, None))
        threshold = rule.thresholds.get(name) if rule else None
        found.append(
            {
                "name": name,
                "value": number,
                "unit": unit,
                "shown": limit(number, unit),
                "file": file,
                "line": line,
                "reason": threshold.reason if threshold else None,
                "source": threshold.source if threshold else None,
                "shipped": str(threshold.value) if threshold else None,
                "own": rule is not None and file is not None and not _of(rule, file),
            }
        )
    return found


def _of(rule: Rule, file: str) -> bool:
    return any(place.file == file for place in rule.places.values())


def page(account: Account, zone: Zone, zone_name: str, called: Mapping[str, str]) -> str:
    """The account as one plain page, in local time."""
    lines = [f"Concern {account.get('concern', 'that cannot be read')}"]
    if account.get("concern"):
        lines = [
            f"Concern {account['concern']}: {account['rule']}, {account['device']}, {account['priority']} priority",
            f"  {account['sentence'] or 'This rule is not in the rule book now.'}",
        ]
    lines.append(f"  {_state(account, zone)} Times in {zone_name}.")
    for number, began in enumerate(account["began"], 1):
        lines += ["", *_began(number, began, zone)]
    lines += ["", "Told:"] + [
        f"  {_local(told['at'], zone)}  {_person(told['person'], called)} by {told['carrier']} ({told['why']})"
        for told in account["told"]
    ]
    if not account["told"]:
        lines.append("  nobody yet")
    if account["answers"]:
        lines += ["", "Answered:"] + [
            f"  {_local(told['at'], zone)}  {told['answer']} by {_person(told['person'], called)}"
            for told in account["answers"]
        ]
    lines += [f"  entry {n}: {ALTERED}" for n in account["unreadable"]]
    return "\n".join(lines)


def _state(account: Account, zone: Zone) -> str:
    if (settled := account.get("settled")) is None:
        return "Not settled."
    return f"Settled {_local(settled['at'], zone)}: {settled['why']}."


def _began(number: int, began: Account, zone: Zone) -> list[str]:
    """One time that it held: when, why, what was seen, and the limits."""
    seen = began["evidence"]
    since = f", since {_local(began['since'], zone)}" if began["since"] else ""
    lines = [f"{number}. {began['event']} {_local(began['at'], zone)}{since}, {began['priority']} priority"]
    if seen and (why := sentence(seen, seen.get("at", 0), zone, still=True)):
        lines.append(f"  {why}")
    if seen.get("message"):
        acting = f", {_local(show(seen['seen']), zone)}" if "seen" in seen else ""
        lines.append(
            f"  Seen in message {seen['message']} of {seen.get('source', 'an unknown bridge')}{acting}:"
        )
    elif seen:
        lines.append("  Seen:")
    lines += [f"    {line}" for line in _values(seen, zone)]
    for limits in began["limits"]:
        where = "file not recorded"
        if limits["file"] is not None:
            where = f"{limits['file']}, line unknown"
            if limits["line"] is not None:
                where = f"{limits['file']}:{limits['line']}"
        lines.append(f"  Limit {limits['name']}: {limits['shown']} ({where})")
        if limits["own"]:
            lines.append(f"    this site's own value; shipped is {limits['shipped']}, for this reason:")
        if limits["reason"]:
            lines.append(f"    {limits['reason']}")
            lines.append(f"    Source: {limits['source']}")
    return lines


def _values(seen: Mapping[str, Any], zone: Zone) -> list[str]:
    lines = [f"activity: {seen['activity']}"] if "activity" in seen else []
    for condition, line, priority, inactivation, since in seen.get("alarms", ()):
        began = "" if since is None else f", since {_local(show(since), zone)}"
        lines.append(f"alarm: {condition}{f' ({line})' if line else ''}, {priority}, {inactivation}{began}")
    if "activity" in seen and not seen.get("alarms"):
        lines.append("alarms: none")
    for at, condition in seen.get("onsets", ()):
        lines.append(f"onset: {condition}, {_local(show(at), zone)}")
    for field in dict.fromkeys((*DEVICE_FIELDS, *UNIT_FIELDS, "highest_rate_ml_h")):
        if field in seen and field != "activity":
            value = seen[field]
            shown = ("yes" if value else "no") if isinstance(value, bool) else value_words(field, value)
            lines.append(f"{field}: {shown}")
    return lines


def _person(name: str, called: Mapping[str, str]) -> str:
    return f"{called[name]} ({name})" if name in called else name


def _local(at: str, zone: Zone) -> str:
    instant = parse(at)
    return show(instant + zone.offset(instant))[:19].replace("T", " ")

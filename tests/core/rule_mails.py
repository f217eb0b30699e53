"""Every shipped rule's mail and page, as a nurse gets them: each firing trace of its file, through the whole engine.

`python -m tests.core.rule_mails` prints them all, to be read as somebody tired would.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

from monitor.core.briefing import facts_of
from monitor.core.concern import Concern
from monitor.core.instants import parse_duration
from monitor.core.messages import Plan
from monitor.core.notices import Text, mail, page
from monitor.core.rule_file import Rule, Trace
from monitor.core.site import DeviceEntry
from monitor.core.traces import NO_WINDOWS, START, _plan
from monitor.shipped import shipped_rules
from monitor.testing import Bench, ward

BEGIN = START


class Told(NamedTuple):
    """What a nurse got for one trace of one rule."""

    rule: str
    trace: str
    setting: str
    mail: Text
    page: str


def firing() -> Iterator[tuple[Rule, Trace, str]]:
    """Every rule about a device, with each trace that fires, and each setting in which it does so when it says."""
    for rule in shipped_rules():
        for trace in rule.traces:
            if not trace.holds or rule.scope != "device":
                continue
            if not trace.home:
                yield rule, trace, "ward"
            if trace.home or all(threshold.home is None for threshold in rule.thresholds.values()):
                yield rule, trace, "home"


def _raised(rule: Rule, trace: Trace, setting: str) -> tuple[Bench, Concern]:
    """A bench on which a trace has raised its concern, just then."""
    plan: Plan | None = None if trace.plan is None else _plan(trace.plan)
    if any(step.glucose_risk for step in trace.steps):
        plan = (plan or NO_WINDOWS)._replace(glucose_risk=True)
    if plan is not None:
        plan = plan._replace(kcal_per_ml=1.5)
    place = DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 12", pager_place="B3/12", plan=plan)
    site = ward([rule], setting=setting, devices={"pump-1": place})
    bench = Bench(site, start=BEGIN, reporting=0)
    at, steps = 0, list(trace.steps)
    first = parse_duration(trace.holds[0]) + 3_000
    for step in steps:
        if (offset := parse_duration(step.at)) > first:
            break
        bench.until(BEGIN + offset)
        said = step.model_dump(exclude_none=True, exclude={"at", "glucose_risk"})
        if "alarms" in said:
            said["alarms"] = [
                alarm | {"since": None, "line": alarm["line"] or "feed"} for alarm in said["alarms"]
            ]
        bench.snapshot("pump-1", **said)
        at = offset
    bench.until(BEGIN + max(first, at + 3_000))
    (concern,) = bench.engine.responsibility.concerns.values()
    return bench, concern


def evidence_of(rule: Rule, trace: Trace) -> dict[str, Any]:
    """What is kept when a trace fires."""
    return _raised(rule, trace, "home" if trace.home else "ward")[1].evidence


def told(rule: Rule, trace: Trace, setting: str) -> Told:
    """The first notice of a rule on a trace of its file."""
    bench, concern = _raised(rule, trace, setting)
    device = bench.engine.fleet.devices["pump-1"]
    facts = facts_of(bench.site, concern, device, "nurse-1", "raised", bench.now)
    zone = bench.site.zone
    return Told(rule.id, trace.name, setting, mail([facts], zone), page([facts], zone))


def all_told() -> Iterator[Told]:
    """All of them, of wards and of homes."""
    for rule, trace, setting in firing():
        yield told(rule, trace, setting)


if __name__ == "__main__":
    for each in all_told():
        told_of = f"=== {each.rule} ({each.setting}): {each.trace}"
        sys.stdout.write(f"{told_of}\n{each.page}\n{each.mail.subject}\n\n{each.mail.body}\n")

"""Runs the traces that stand in a rule file: do they fire, and stay quiet, exactly when they say?"""

from __future__ import annotations

from monitor.core.device import Device, Subject
from monitor.core.instants import parse_duration, show_duration
from monitor.core.messages import AlarmCondition, Plan, Snapshot, Window
from monitor.core.picture import Picture
from monitor.core.problems import Problem
from monitor.core.rule_file import TracePlan
from monitor.core.rulebook import Rule, Trace, TraceStep, resolve
from monitor.core.sight import UnitPicture

START = 1_800_000_000_000  # 2027-01-15T08:00Z: a trace's times are offsets from 08:00, for its plan's sake
SAID = (
    "activity", "mains", "battery_percent", "battery_low", "rate_ml_h", "delivered_ml", "target_ml"
)  # fmt: skip
NO_WINDOWS = Plan(
    (), None, None, None, None, False, None, None, None
)  # says only whether there is a glucose risk


def trace_problems(rule: Rule, file: str) -> list[Problem]:
    """The traces of a rule that contradict their labels."""
    found = []
    for index, trace in enumerate(rule.traces):
        holds, ends = run_trace(rule, trace)
        for name, wanted, got in (("holds", trace.holds, holds), ("ends", trace.ends, ends)):
            if [parse_duration(offset) for offset in wanted] != got:
                shown = ", ".join(map(show_duration, got)) or "never"
                found.append(
                    Problem(file, f"traces[{index}].{name}", repr(list(wanted)), f"the rule says {shown}")
                )
    return found


def run_trace(rule: Rule, trace: Trace) -> tuple[list[int], list[int]]:
    """The offsets in ms at which the rule begins and ends to hold over a trace."""
    compiled = resolve(rule, home=trace.home)
    until = START + parse_duration(trace.until)
    edges = []
    if rule.scope == "unit":
        subject = Subject()
        state = UnitPicture()
        for step in trace.steps:
            at = START + parse_duration(step.at)
            while (due := subject.due([compiled])) is not None and due < at:
                edges += subject.instant([compiled], state, due, fresh=False)
            for name in ("sight_lost", "glucose_risk", "drill_missed"):
                if (value := getattr(step, name)) is not None:
                    setattr(state, name, value)
            edges += subject.instant([compiled], state, at, fresh=True, receipt=at)
        while (due := subject.due([compiled])) is not None and due <= until:
            edges += subject.instant([compiled], state, due, fresh=False)
    else:
        device = Device("trace", Picture("trace"), (compiled,))
        device.picture.plan = None if trace.plan is None else _plan(trace.plan)
        snapshot: Snapshot | None = None
        for sequence, step in enumerate(trace.steps):
            snapshot = _snapshot(step, snapshot, sequence)
            if step.glucose_risk is not None:
                plan = device.picture.plan or NO_WINDOWS
                device.picture.plan = plan._replace(glucose_risk=step.glucose_risk)
            for _, found in device.instants(snapshot, snapshot.time, snapshot.time):
                edges += found
        for _, found in device.instants(None, until, until):
            edges += found
    holds = [edge.at - START for edge in edges if edge.kind == "holds"]
    ends = [edge.at - START for edge in edges if edge.kind == "ends"]
    return holds, ends


def _plan(plan: TracePlan) -> Plan:
    def hung(before: str | None) -> int | None:
        return None if before is None else START - parse_duration(before)

    def minute(clock: str) -> int:
        return (int(clock[:2]) * 60 + int(clock[3:])) % (24 * 60)

    return Plan(
        windows=tuple(Window(minute(w.from_), minute(w.to), w.rate_ml_h) for w in plan.windows),
        target_ml=plan.target_ml,
        rate_ml_h=plan.rate_ml_h,
        max_rate_ml_h=plan.highest_rate_ml_h,
        kcal_per_ml=None,
        glucose_risk=plan.glucose_risk,
        feed_kind=plan.feed_kind,
        container_hung=hung(plan.container_hung_before),
        set_hung=hung(plan.set_hung_before),
    )


def _snapshot(step: TraceStep, before: Snapshot | None, sequence: int) -> Snapshot:
    """The snapshot of a step: what it does not say stays as in the step before."""
    at = START + parse_duration(step.at)
    standing = {(alarm.condition, alarm.line): alarm for alarm in before.alarms} if before else {}
    alarms = before.alarms if before else ()
    if step.alarms is not None:
        alarms = tuple(
            AlarmCondition(
                condition=alarm.condition,
                line=alarm.line,
                priority=alarm.priority,
                inactivation=alarm.inactivation,
                since=START + parse_duration(alarm.since)
                if alarm.since
                else (standing[key].since if (key := (alarm.condition, alarm.line)) in standing else at),
            )
            for alarm in step.alarms
        )
    base = before or Snapshot(
        site="trace", unit="trace", device="trace", source="urn:bridge:trace", id="", bridge="trace", time=at,
        sequence=0, activity="unknown", alarms=(), mains=None, battery_percent=None, battery_low=None,
        rate_ml_h=None, delivered_ml=None, target_ml=None, dropped=(),
    )  # fmt: skip
    said = {name: value for name in SAID if (value := getattr(step, name)) is not None}
    return base._replace(id=str(sequence), time=at, sequence=sequence, alarms=alarms, **said)

"""One pump with real physics, in integer milliseconds of virtual time.

Nothing is stepped: between two events every quantity is linear in time, so its value and the instant
of the next event are computed in closed form from the last change. How finely `advance` is called
therefore makes no difference. People act through the verbs (`start`, `hold`, `mute`, `clear` …); causes
act through `block`, `break_down`, `unplug`. An alarm and its cause are two things: `clear` takes the
alarm away, only the opposite verb takes the cause away. The pump only ever knows what it can sense.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

from simulators.battery import Battery
from simulators.hardware import Hardware
from simulators.instants import HOUR, MINUTE, SECOND, whole_ms
from simulators.line import ElasticLine
from simulators.reading import Activity, Alarm, Priority, Reading, Side

# By IEC 60601-1-8: prompt response (medium) where feed has stopped, awareness (low) where it has not yet.
PRIORITY: dict[str, Priority] = {
    "downstream-occlusion": "medium",
    "upstream-occlusion": "medium",
    "container-empty": "medium",
    "battery-low": "low",
    "battery-depleted": "high",
    "delivery-complete": "low",
    "inactivity": "low",
}
BATTERY_ALARMS = frozenset({"battery-low", "battery-depleted"})
# These neither stop the drive nor are a reason not to start it.
ADVISORY = frozenset({"battery-low", "delivery-complete", "inactivity"})


class Pump:
    """A pump that is switched on and idle at *at*; *charge* and *health* are shares of 1."""

    def __init__(
        self,
        hardware: Hardware,
        *,
        at: int,
        rate_ml_h: float,
        target_ml: float | None = None,
        delivered_ml: float = 0.0,
        container_ml: float = 1000.0,
        mains: bool = True,
        charge: float = 1.0,
        health: float = 1.0,
        gauge_phase: float = 0.0,
    ) -> None:
        self._hardware = hardware
        self.rate_ml_h = rate_ml_h
        self.target_ml = target_ml
        self.activity: Activity = "idle"
        self.battery = Battery(
            hardware, at=at, mains=mains, charge=charge, health=health, gauge_phase=gauge_phase
        )
        self.sides: dict[Side, ElasticLine] = {
            "downstream": ElasticLine(
                compliance_ml_per_kpa=hardware.downstream_compliance_ml_per_kpa,
                alarm_kpa=hardware.downstream_alarm_kpa,
                at=at,
            ),
            "upstream": ElasticLine(
                compliance_ml_per_kpa=hardware.upstream_compliance_ml_per_kpa,
                alarm_kpa=hardware.upstream_alarm_kpa,
                at=at,
            ),
        }
        self._alarms: dict[str, Alarm] = {}
        self._fault: tuple[str, Priority] | None = None
        self._at = at
        self._delivered = delivered_ml
        self._container = container_ml
        self._spilt = 0.0
        self._resting_since: int | None = at
        self._pass_ends: int | None = None  # end of a flush or a priming
        self.ran_flat = False  # off for want of charge, until it is switched on
        self._turn(at, "idle")

    # What it shows.

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """Return the active alarm conditions, oldest first."""
        return tuple(sorted(self._alarms.values(), key=lambda alarm: (alarm.since, alarm.condition)))

    @property
    def mains(self) -> bool:
        """Say whether it hangs on mains."""
        return self.battery.mains

    def delivered_ml(self, at: int) -> float:
        """Return what the drive has moved of this feed: the number on the pump."""
        if self.activity != "feeding":
            return self._delivered
        moved = self._delivered + self.rate_ml_h * (at - self._at) / HOUR
        return moved if self.target_ml is None else min(moved, self.target_ml)

    def received_ml(self, at: int) -> float:
        """Return what has reached the person: the number less what the line holds or has spilt."""
        return self.delivered_ml(at) - self.sides["downstream"].stored_ml(at) - self._spilt

    def container_ml(self, at: int) -> float:
        """Return what is left in the container."""
        if self.activity not in ("feeding", "priming"):
            return self._container
        return max(0.0, self._container - self._flow_ml_h() * (at - self._at) / HOUR)

    @property
    def shown(self) -> tuple[Activity, tuple[Alarm, ...], bool]:
        """Return the part of its state whose every change is reported at once."""
        return (self.activity, self.alarms, self.mains)

    def reading(self, at: int) -> Reading:
        """Return the whole state at *at*, which must not be before the last change."""
        return Reading(
            activity=self.activity,
            alarms=self.alarms,
            mains=self.mains,
            battery_percent=self.battery.gauge_percent(at),
            battery_low="battery-low" in self._alarms,
            rate_ml_h=self.rate_ml_h,
            delivered_ml=self.delivered_ml(at),
            target_ml=self.target_ml,
        )

    # Virtual time.

    def next_at(self) -> int | None:
        """Return the instant at which something will change by itself, if nobody touches it."""
        return min((due for due, _ in self._dues()), default=None)

    def advance(self, at: int) -> None:
        """Let everything happen that happens by itself up to and including *at*."""
        while True:
            due = min(self._dues(), key=lambda pair: pair[0], default=None)
            if due is None or due[0] > at:
                return
            due[1](due[0])

    # What people do.

    def start(self, at: int) -> None:
        """Start or go on feeding; a cause that it senses at rest stops it again at the same instant."""
        self.advance(at)
        if self.activity in ("off", "feeding") or "battery-depleted" in self._alarms:
            return
        self._alarms.pop("inactivity", None)
        self._turn(at, "feeding")
        if self._fault is not None:
            self._stop(at, *self._fault)
        self.advance(at)

    def hold(self, at: int, *, until: int | None = None) -> None:
        """Pause on purpose; with a time given it reminds only after that."""
        self.advance(at)
        if self.activity in ("feeding", "flushing", "priming"):
            self._turn(at, "held")
            self.rest_until(until)

    def rest_until(self, until: int | None) -> None:
        """At rest, remind of it only after a time that was given."""
        if until is not None and self._resting_since is not None:
            self._resting_since = until

    def set_rate(self, at: int, rate_ml_h: float) -> None:
        """Set another rate; a running feed goes on with it."""
        self.advance(at)
        resting_since, pass_ends = self._resting_since, self._pass_ends
        self._turn(at, self.activity)  # what was moved until now was moved at the old one
        self.rate_ml_h = rate_ml_h
        self._turn(at, self.activity)
        self._resting_since, self._pass_ends = resting_since, pass_ends

    def mute(self, at: int) -> None:
        """Pause the sound of every active alarm condition; it comes back by itself."""
        self.advance(at)
        until = at + whole_ms(self._hardware.audio_pause_s * SECOND)
        self._alarms = {name: replace(alarm, paused_until=until) for name, alarm in self._alarms.items()}

    def clear(self, at: int) -> None:
        """Take the alarms away that it does not sense any more, and let the pressure off the line."""
        self.advance(at)
        self._alarms = {name: alarm for name, alarm in self._alarms.items() if name in BATTERY_ALARMS}
        self._spilt += self.sides["downstream"].vent(at)
        self.sides["upstream"].vent(at)
        if self.activity == "stopped" and "battery-depleted" not in self._alarms:
            self._turn(at, "held")
        elif self._resting_since is not None:
            self._resting_since = at

    def replace_container(self, at: int, ml: float) -> None:
        """Hang a full container; a running feed is held for it."""
        self.hold(at)
        self._container = ml

    def prime(self, at: int) -> None:
        """Fill the set from the container, disconnected from the person; afterwards it is idle."""
        self.advance(at)
        if self.activity in ("held", "idle"):
            self._turn(at, "priming")
            self._pass_ends = at + whole_ms(self._hardware.prime_ml / self._hardware.prime_ml_h * HOUR)

    def flush(self, at: int, ml: float) -> None:
        """Interrupt the feed for a flush of *ml* water, then go on feeding."""
        self.advance(at)
        if self.activity == "feeding":
            self._turn(at, "flushing")
            self._pass_ends = at + whole_ms(ml / self._hardware.flush_ml_h * HOUR)

    def new_feed(self, at: int, *, container_ml: float, delivered_ml: float = 0.0) -> None:
        """Begin another feed: counter at zero, or at what it is a part of has had, and a full container."""
        self.switch_on(at)
        self.clear(at)
        self._turn(at, "idle")
        self._delivered, self._spilt, self._container = delivered_ml, 0.0, container_ml
        self.start(at)

    def switch_on(self, at: int) -> None:
        """Switch on; it needs mains or some charge."""
        self.advance(at)
        if self.activity == "off" and (self.mains or self.battery.charge_mah(at) > 0):
            self.ran_flat = False
            self._turn(at, "idle")

    def switch_off(self, at: int) -> None:
        """Switch off; alarms go with it."""
        self.advance(at)
        self._alarms.clear()
        self._turn(at, "off")

    def plug(self, at: int) -> None:
        """Put it on mains."""
        self.advance(at)
        self.battery.connect(at, mains=True)
        for name in BATTERY_ALARMS:
            self._alarms.pop(name, None)
        if self.activity == "stopped" and not self._stopping():
            self._turn(at, "held")

    def unplug(self, at: int) -> None:
        """Take it off mains."""
        self.advance(at)
        self.battery.connect(at, mains=False)
        self.advance(at)

    # What causes do.

    def block(self, at: int, side: Side) -> None:
        """Block one side of the line completely; the alarm comes when the pressure has built up."""
        self.advance(at)
        self.sides[side].block(at, blocked=True)

    def unblock(self, at: int, side: Side) -> None:
        """Open one side of the line again."""
        self.advance(at)
        self.sides[side].block(at, blocked=False)

    def break_charger(self, at: int) -> None:
        """Let mains be shown and nothing charged, until the charger is repaired."""
        self.advance(at)
        self.battery.charger(at, works=False)

    def repair_charger(self, at: int) -> None:
        """Let it be charged again."""
        self.advance(at)
        self.battery.charger(at, works=True)

    def break_down(self, at: int, condition: str, priority: Priority) -> None:
        """Raise a fault that comes back at every start until it is repaired."""
        self.advance(at)
        if self.activity != "off":
            self._fault = (condition, priority)
            self._stop(at, condition, priority)

    def repair(self, at: int) -> None:
        """Take the cause of a fault away; the alarm stays until it is cleared."""
        self.advance(at)
        self._fault = None

    # How it works inside.

    def _flow_ml_h(self) -> float:
        if self.activity == "feeding":
            return self.rate_ml_h
        if self.activity == "flushing":
            return self._hardware.flush_ml_h
        return self._hardware.prime_ml_h if self.activity == "priming" else 0.0

    def _turn(self, at: int, activity: Activity) -> None:
        self._delivered, self._container = self.delivered_ml(at), self.container_ml(at)
        self._at = at
        self.activity = activity
        self._pass_ends = None
        self._resting_since = at if activity in ("held", "idle") else None
        flow = self._flow_ml_h()
        for side in self.sides.values():
            side.flow(at, 0.0 if activity == "priming" else flow)
        load = 0.0
        if activity != "off":
            load = self._hardware.electronics_ma
            if flow > 0:
                load += self._hardware.motor_ma + self._hardware.motor_ma_per_ml_h * flow
        self.battery.draw(at, load)

    def _stopping(self) -> bool:
        return any(name not in ADVISORY for name in self._alarms)

    def _raise(self, at: int, condition: str, priority: Priority) -> None:
        in_line = condition.endswith("occlusion") or condition == "container-empty"
        line: Literal["feed", "flush"] | None = None
        if in_line:
            line = "flush" if self.activity == "flushing" else "feed"
        # setdefault: an alarm that is on already keeps its true onset.
        alarm = Alarm(condition=condition, priority=priority, since=at, line=line)
        self._alarms.setdefault(condition, alarm)

    def _stop(self, at: int, condition: str, priority: Priority) -> None:
        running = self._flow_ml_h() > 0
        self._raise(at, condition, priority)
        if running:
            self._turn(at, "stopped")

    def _dues(self) -> Iterator[tuple[int, Callable[[int], None]]]:
        """Yield each thing that will happen by itself; at one instant the first listed goes first."""
        if self.activity == "feeding":
            if self.target_ml is not None:
                yield self._moves_at(self.target_ml - self._delivered), self._finish
            yield self._moves_at(self._container), lambda at: self._stop(at, "container-empty", "medium")
        for side, line in self.sides.items():
            alarm_at = line.alarm_at()
            if alarm_at is not None:
                yield alarm_at, self._occluder(side)
        if self._pass_ends is not None:
            yield self._pass_ends, self._end_pass
        for alarm in self._alarms.values():
            if alarm.paused_until is not None:
                yield alarm.paused_until, self._sound_again
        if self._resting_since is not None and "inactivity" not in self._alarms:
            due = self._resting_since + whole_ms(self._hardware.inactivity_alarm_min * MINUTE)
            yield due, lambda at: self._raise(at, "inactivity", PRIORITY["inactivity"])
        if self.activity != "off":
            yield from self._battery_dues()

    def _battery_dues(self) -> Iterator[tuple[int, Callable[[int], None]]]:
        if "battery-low" not in self._alarms:
            low_at = self.battery.falls_to(self._hardware.battery_low_percent)
            if low_at is not None:
                yield low_at, lambda at: self._raise(at, "battery-low", PRIORITY["battery-low"])
        if "battery-depleted" not in self._alarms:
            depleted_at = self.battery.falls_to(self._hardware.battery_depleted_percent)
            if depleted_at is not None:
                yield depleted_at, lambda at: self._stop(at, "battery-depleted", PRIORITY["battery-depleted"])
        empty_at = self.battery.falls_to(0.0)
        if empty_at is not None:
            yield empty_at, self._run_out

    def _moves_at(self, ml: float) -> int:
        return self._at + max(0, whole_ms(ml / self.rate_ml_h * HOUR))

    def _occluder(self, side: Side) -> Callable[[int], None]:
        return lambda at: self._stop(at, f"{side}-occlusion", PRIORITY[f"{side}-occlusion"])

    def _finish(self, at: int) -> None:
        self._turn(at, "finished")
        if self.target_ml is not None:
            self._delivered = self.target_ml
        self._raise(at, "delivery-complete", PRIORITY["delivery-complete"])

    def _end_pass(self, at: int) -> None:
        self._turn(at, "feeding" if self.activity == "flushing" else "idle")

    def _sound_again(self, at: int) -> None:
        self._alarms = {
            name: replace(alarm, paused_until=None)
            if alarm.paused_until is not None and alarm.paused_until <= at
            else alarm
            for name, alarm in self._alarms.items()
        }

    def _run_out(self, at: int) -> None:
        self._alarms.clear()
        self.ran_flat = True
        self._turn(at, "off")

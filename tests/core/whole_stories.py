"""A ward on which everything happens in any order, and an onlooker who knows how long anything may stay untold.

The onlooker's limits are the design's: a rung's wait, the repeat interval, the gather time, for how long the load limit
may hold back, and a carrier is tried. It keeps its own record of who was told, and since when a pump is in trouble.
"""

from __future__ import annotations

from typing import Final

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.effects import RotaRead
from monitor.core.gsm7 import SINGLE, septets
from monitor.core.holds import OUT_OF_SERVICE
from monitor.core.instants import HOUR, MINUTE, SECOND
from monitor.core.plans import DAY
from monitor.core.quiet import Quiet
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import RANK
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.core.wording import WHY
from monitor.testing import START, Bench, Told, alarm
from tests.core.stories import only

PUMPS: Final = tuple(f"pump-{n}" for n in range(1, 9))
PEOPLE: Final = ("nurse-1", "nurse-2", "day-1", "charge")  # and the manager, of whom everything works
RULES: Final = (
    "unattended", "standing-alarm", "low-power-unplugged", "idle-past-limit", "out-of-sight", "chattering",
    "sight-lost", "drill-missed", "stopped-at-glucose-risk",
)  # fmt: skip
LIMIT: Final = 4
ON_DUTY: Final[tuple[tuple[str, ...], ...]] = (("nurse-1", "nurse-2"), ("nurse-1",), ("day-1",), ())

Story = list[tuple[object, ...]]


def ward_of_eight() -> Site:
    """Two units, quiet hours here and there, a rota that may change, and a load limit that is soon reached."""

    def person(name: str, *quiet: tuple[int, int] | None) -> Person:
        ways = (("pager", f"44{name}"), ("mail", f"{name}@ward.invalid"))
        reach = [
            Reach(carrier, address, Quiet(*hours) if hours else None)
            for (carrier, address), hours in zip(ways, quiet, strict=True)
        ]
        return Person(id=name, called=f"{name} on duty", reach=tuple(reach))

    people = [
        person("nurse-1", (23 * 60, 60), None),
        person("nurse-2", (22 * 60 + 20, 23 * 60), (22 * 60 + 20, 22 * 60 + 50)),
        person("day-1", None, None),
        person("charge", (22 * 60 + 40, 23 * 60 + 30), (22 * 60 + 40, 23 * 60 + 10)),
        person("manager", None, None),
        person("technical", None, None),
    ]
    return only(
        *RULES,
        people={one.id: one for one in people},
        rota=rota(0, START),
        devices={
            name: DeviceEntry(id=name, unit="elm" if n < 6 else "oak", place=f"bay {n}", pager_place=f"B{n}")
            for n, name in enumerate(PUMPS)
        },
        most_notices=LIMIT,
    )


def rota(which: int, now: int) -> Rota:
    """Who is on duty from the calendars; the charge nurse always is."""
    return Rota(
        [Span("charge", "charge", "*", 0, FOR_EVER)],
        shifts=shifts(which, now),
        named=["nurse-1", "nurse-2", "day-1"],
        until=now + 35 * DAY,
    )


def shifts(which: int, now: int) -> list[Span]:
    """The nurses of one of the choices, from now on."""
    return [Span(person, "nurse", "*", now, now + 30 * DAY) for person in ON_DUTY[which]]


class Onlooker:
    """Looks at the bench after every step and every minute."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.open_since: dict[str, int] = {}
        self.heard: dict[str, int] = {}  # concern -> when somebody was last called for it
        self.rings_since: dict[str, int] = {}
        self.broken, self.broken_at = False, -HOUR  # whether a carrier is, and when one last was
        self.on_duty_with: dict[str, str] = {}  # concern -> whoever has it, and was on duty since she does
        self.seen = 0  # of what was told
        self.looked = bench.now
        self.latest: dict[tuple[str, str, str], int] = {}

    def look(self) -> None:
        """Everything that must be so at any instant."""
        bench = self.bench
        for told in bench.told[self.seen :]:
            self._told(told)
        self.seen = len(bench.told)
        if self.broken:
            self.broken_at = bench.now
        engine = bench.engine
        for concern in engine.responsibility.concerns.values():
            if concern.state is State.OPEN:
                self._open(concern)
            else:
                self.open_since.pop(concern.id, None)
            if concern.state is State.ACCEPTED:
                assert concern.holder in bench.site.people
                assert concern.recheck_at is not None, f"{concern.rule}: accepted, and never looked at again"
                self._accepted(concern)
            else:
                self.on_duty_with.pop(concern.id, None)
        for name in PUMPS:
            self._pump(name)
        self.looked = bench.now

    def gap(self) -> None:
        """Nothing ran for a while: what was open goes on from here."""
        now = self.bench.now
        self.looked = now
        self.open_since = dict.fromkeys(self.open_since, now)
        self.heard = dict.fromkeys(self.heard, now)
        self.rings_since = dict.fromkeys(self.rings_since, now)

    def _told(self, told: Told) -> None:
        """One notice: it fits, it is for somebody on duty, and says nothing twice."""
        site, concerns = self.bench.engine.site, self.bench.engine.responsibility.concerns
        if told.carrier == "pager":
            assert septets(told.text) <= SINGLE
        for key, why in told.items:
            if WHY[why].kind != "call":
                continue
            self.heard[key] = told.at
            about = concerns.get(key)
            drill = about is not None and site.is_drill(about.subject)
            duty = told.person == site.last_resort or any(  # a duty may end just after, in this very instant
                site.rota.is_on_duty(told.person, at) for at in (told.at, told.at - 1)
            )
            assert duty or drill or why == "not-taken", f"{told.person} is off duty, and called: {why}"
            if why != "still":
                assert self.latest.get((told.person, key, why)) != told.at, f"{told.person}: twice at once"
                self.latest[told.person, key, why] = told.at

    def _accepted(self, concern: Concern) -> None:
        """Whoever has it is on duty, was not when it came to be hers, or holds it on purpose until a time."""
        assert concern.holder is not None
        if self.bench.engine.site.rota.is_on_duty(concern.holder, self.bench.now):
            self.on_duty_with[concern.id] = concern.holder
        elif self.on_duty_with.get(concern.id) == concern.holder:
            held = self.bench.engine.holds.until(concern)
            assert held is not None, f"{concern.rule}: with {concern.holder}, whose duty has ended"

    def _open(self, concern: Concern) -> None:
        """Nobody has it: it is never stuck, and never untold for longer than it may be."""
        bench, engine = self.bench, self.bench.engine
        site = engine.site
        if site.is_drill(concern.subject):
            return
        backlogged = engine.fleet.backlogged(concern.subject)
        assert backlogged or not concern.held_back, f"{concern.rule}: held back, and no backlog is read"
        if backlogged:
            if concern.held_back:
                self.open_since[concern.id] = bench.now  # told once the backlog has been read
            elif concern.id in self.heard:
                self.heard[concern.id] = bench.now  # it goes on then
            return
        since = self.open_since.setdefault(concern.id, self.looked)
        waiting = [
            notice
            for notice in engine.outbox.notices.values()
            if WHY[notice.said.get(concern.id, "taken")].kind == "call"
        ]
        heard = self.heard.get(concern.id, 0)
        about = (
            concern.rule,
            concern.subject,
            concern.priority,
            concern.rung,
            concern.called,
            concern.refused,
        )
        if concern.priority == "low":
            assert heard >= since - MINUTE or waiting or concern.wait_at is not None, ("low, untold", about)
        else:
            assert concern.wait_at is not None or waiting, ("stuck", about)
            if concern.wait_at is not None:
                assert concern.wait_at <= bench.now + max(concern.wait, MINUTE) + 2 * MINUTE, ("far", about)
        if not engine.fleet.troubled(concern, bench.now):
            return  # of a recurring one nothing new: it waits again
        high = concern.rank == RANK["high"]
        limit = 65 * SECOND if heard < since else 10 * MINUTE + 65 * SECOND
        if not high:
            limit += (
                2 * site.most_within
            )  # held back, and then quiet hours begin: the next may be at theirs too
        if bench.now - self.broken_at < 15 * MINUTE:
            limit += 12 * MINUTE if high else 25 * MINUTE
        if concern.priority == "low" and heard >= since - MINUTE:
            return
        assert bench.now - max(since, heard) <= limit, (
            "untold for too long",
            bench.now - max(since, heard),
            about,
        )

    def _pump(self, name: str) -> None:
        """A pump that rings for long is somebody's concern."""
        bench, engine = self.bench, self.bench.engine
        device = engine.devices[name]
        exempt = (
            engine.holds.find(name, OUT_OF_SERVICE) is not None
            or engine.sight.resting(device.picture.bridge)
            or name in bench.silent
        )
        if exempt or not device.picture.troubled_alarms:
            self.rings_since.pop(name, None)
            return
        since = self.rings_since.setdefault(name, bench.now)
        live = [one for one in bench.concerns(name) if one.live]
        assert bench.now - since < 11 * MINUTE or live, f"{name} rings, and it is nobody's concern"


class Play:
    """Does the steps of a story."""

    def __init__(self, *, restarts: bool) -> None:
        self.bench = Bench(ward_of_eight(), reporting=2 * MINUTE, trail=False)
        for name in PUMPS:
            self.bench.snapshot(
                name, unit="elm" if PUMPS.index(name) < 6 else "oak", activity="feeding", mains=True,
                battery_percent=90,
            )  # fmt: skip
        day = [{"from": "22:00", "to": "22:00"}]
        self.bench.plan("pump-1", windows=day, target_ml=2000, glucose_risk=True)
        self.bench.pass_by("10 s")
        self.restarts = restarts
        self.onlooker = Onlooker(self.bench)

    def run(self, story: Story) -> Bench:
        """All of it, and an hour after it."""
        for step in [*story, ("mend-carriers",), ("link", True), ("bridge", True, False), ("pass", 45 * 60)]:
            getattr(self, "_" + str(step[0]).replace("-", "_"))(*step[1:])
            self.onlooker.look()
        return self.bench

    def _pass(self, seconds: int) -> None:
        end = self.bench.now + seconds * SECOND
        while self.bench.now < end:
            self.bench.until(min(end, self.bench.now + 30 * SECOND))
            self.onlooker.look()

    def _ring(self, pumps: list[str], priority: str) -> None:
        for name in pumps:
            self.bench.snapshot(name, activity="stopped", alarms=[alarm("downstream-occlusion", priority)])

    def _mute(self, pumps: list[str]) -> None:
        for name in pumps:
            ringing = alarm("downstream-occlusion", inactivation="audio-paused")
            self.bench.snapshot(name, activity="stopped", alarms=[ringing])

    def _chatter(self, pumps: list[str]) -> None:
        for _ in range(3):
            for name in pumps:
                self.bench.snapshot(name, activity="feeding", alarms=[])
            self.bench.pass_by("5 s")
            for name in pumps:
                self.bench.snapshot(name, activity="feeding", alarms=[alarm("sensor-fault", "low")])
            self.bench.pass_by("5 s")
        for name in pumps:
            self.bench.snapshot(name, alarms=[])

    def _unplug(self, pumps: list[str], percent: int) -> None:
        for name in pumps:
            self.bench.snapshot(name, mains=False, battery_percent=percent)

    def _stop(self, pumps: list[str]) -> None:
        for name in pumps:
            self.bench.snapshot(name, activity="held", alarms=[])

    def _mend(self, pumps: list[str]) -> None:
        for name in pumps:
            self.bench.silent.discard(name)
            self.bench.snapshot(name, activity="feeding", alarms=[], mains=True, battery_percent=90)

    def _silence(self, pumps: list[str]) -> None:
        self.bench.silent.update(pumps)

    def _unit(self, pumps: list[str], unit: str) -> None:
        for name in pumps:
            self.bench.snapshot(name, unit=unit)

    def _answer(self, answer: str, person: str, pump: str, minutes: int, other: str, by_code: bool) -> None:
        lasting = f"{minutes} min" if answer in ("hold", "feed-ended", "away") else None
        to = {"swap": {"device": other}, "move": {"place": "bay 99"}}.get(answer, {})
        reference = self.bench.code(person, pump) if by_code and self.bench.concerns(pump) else pump
        self.bench.answer(answer, person, reference, "on purpose", lasting=lasting, **to)

    def _group(self, answer: str, person: str) -> None:
        """By the newest code for many that the person has."""
        groups = [group for group in self.bench.engine.outbox.groups.known.values() if person in group.listed]
        if groups:
            newest = max(groups, key=lambda group: (group.last, group.id))
            self.bench.answer(answer, person, self.bench.site.code(newest.id, person))

    def _rota(self, which: int) -> None:
        bench = self.bench
        bench.pass_by("1 s")  # no shift is over in the instant in which it begins
        named = ["nurse-1", "nurse-2", "day-1"]
        bench._take(RotaRead(shifts=shifts(which, bench.now), named=named, until=bench.now + 35 * DAY))
        bench.work()

    def _drill(self, unit: str) -> None:
        self.bench.drill(unit, wait="5 min")

    def _returns(self, back: int) -> None:
        mails = [told for told in self.bench.told if told.carrier == "mail"]
        if len(mails) > back:
            self.bench.comes_back(mails[-1 - back].notice)

    def _break(self, carrier: str, person: str, outcome: str) -> None:
        address = f"44{person}" if carrier == "pager" else f"{person}@ward.invalid"
        self.bench.carriers[carrier].fails(outcome, address=address)
        self.onlooker.broken = True

    def _slow(self, seconds: int, answer: str, person: str, pump: str) -> None:
        """Attempts take their time, and somebody answers while they are out."""
        self.onlooker.broken_at, self.bench.holding_sends = self.bench.now, True
        self._pass(seconds)
        self._answer(answer, person, pump, 1, pump, False)
        self._pass(seconds)
        self.bench.holding_sends = False
        self.bench.end_sends()
        self.bench.work()

    def _mend_carriers(self) -> None:
        self.onlooker.broken = False
        for carrier in self.bench.carriers.values():
            carrier.works()

    def _link(self, up: bool) -> None:
        bench = self.bench
        if up and not bench.engine.sight.link:
            bench.link_up()
            bench.marker_back()
            bench.pass_by("2 s")
        elif not up and bench.engine.sight.link:
            bench.link_down()

    def _bridge(self, online: bool, backlog: bool) -> None:
        if self.bench.engine.sight.link:
            self.bench.bridge(online=online, backlog=backlog)

    def _backlog(self, pumps: list[str], minutes: int, mended: bool) -> None:
        """The broker is gone for a while; what it had kept says that these rang, and perhaps no longer do."""
        bench, began = self.bench, self.bench.now
        if not bench.engine.sight.link:
            return
        bench.link_down()
        self._pass(minutes * 60)
        bench.link_up()
        ringing = [alarm("downstream-occlusion", since=began + 1)]
        for name in pumps:
            bench.snapshot(name, time=began + 1, activity="stopped", alarms=ringing)
            if mended:
                bench.snapshot(name, time=bench.now - 1, activity="feeding", alarms=[])
        bench.marker_back()
        bench.pass_by("2 s")

    def _crash(self, seconds: int) -> None:
        """Nothing runs for a while, and then it finds everything as it left it, and later."""
        bench = self.bench
        if bench.engine.sight.link:
            bench.now += seconds * SECOND
            self.onlooker.gap()
            bench.restart(link=False)
            bench.link_up()
            bench.marker_back()
            bench.pass_by("2 s")

    def _restart(self) -> None:
        sight = self.bench.engine.sight
        quiet = sight.link and sight.catch_up is None and not any(b.backlog for b in sight.bridges.values())
        if self.restarts and quiet:
            self.bench.restart()

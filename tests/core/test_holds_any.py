"""No sequence of answers, swaps and restarts keeps anybody quiet about a feed for longer than one answer may."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.core.concern import Concern
from monitor.core.holds import AT_RISK, LIMITS, OUT_OF_SERVICE
from monitor.core.instants import MINUTE
from monitor.testing import Bench
from tests.core.stories import only

PUMPS = ("pump-1", "pump-2", "pump-3")
PEOPLE = ("nurse-1", "nurse-2", "charge")
PATIENCE = {"idle-past-limit": 10 * MINUTE, "stopped-at-glucose-risk": 15 * MINUTE}
SLACK = 6 * MINUTE  # a report, the lateness, and what a feed of less than the bridged gap puts off

pumps, people = st.sampled_from(PUMPS), st.sampled_from(PEOPLE)
minutes = st.integers(1, 150)
steps = st.one_of(
    st.tuples(st.just("pass"), st.integers(1, 50)),
    st.tuples(st.just("does"), pumps, st.sampled_from(("feeding", "held", "idle", "stopped", "flushing"))),
    st.tuples(st.just("hold"), pumps, people, minutes),
    st.tuples(st.just("feed-ended"), pumps, people, minutes),
    st.tuples(st.just("hand-back"), pumps, people),
    st.tuples(st.just("accept"), pumps, people),
    st.tuples(st.just("withdraw"), pumps, people),
    st.tuples(st.just("swap"), pumps, people, pumps),
    st.tuples(st.just("move"), pumps, people),
    st.tuples(st.just("restart")),
)


class Watch:
    """What an onlooker sees: since when each pump stands though feed is due, and until when it may."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.since: dict[str, int] = {}
        self.may: dict[str, int] = {}

    def look(self) -> None:
        """Note what stands by now."""
        for name, device in self.bench.engine.devices.items():
            stands = device.picture.feed_due and not device.picture.delivering
            if not stands or self.bench.engine.holds.find(name, OUT_OF_SERVICE) is not None:
                self.since.pop(name, None)
            else:
                self.since.setdefault(name, self.bench.now)

    def live(self, name: str) -> list[Concern]:
        """What is open about it."""
        return [concern for concern in self.bench.concerns(name) if concern.live and concern.rule in PATIENCE]

    def check(self) -> None:
        """What stands for too long, and nobody said lately that it may, is somebody's concern."""
        for name, since in self.since.items():
            risk = self.bench.engine.devices[name].picture.glucose_risk
            patience = PATIENCE["stopped-at-glucose-risk" if risk else "idle-past-limit"]
            late = max(since + patience, self.may.get(name, 0)) + SLACK
            assert self.bench.now < late or self.live(name), (
                name,
                self.bench.now - since,
                self.bench.engine.holds.all(),
            )


def take(watch: Watch, step: tuple[object, ...]) -> None:
    """Do one step."""
    bench, what = watch.bench, str(step[0])
    if what == "restart":
        bench.restart()
    elif what == "pass":
        for _ in range(int(str(step[1]))):
            bench.pass_by("1 min")
            watch.look()
            watch.check()
    elif what == "does":
        bench.snapshot(str(step[1]), activity=str(step[2]), delivered_ml=0.0)
    else:
        pump, person = str(step[1]), str(step[2])
        picture = bench.engine.devices[pump].picture
        lasting = f"{step[3]} min" if what in ("hold", "feed-ended") else None
        to = {"swap": {"device": str(step[-1])}, "move": {"place": "bay 7"}}.get(what, {})
        reply = bench.answer(what, person, pump, "on purpose", lasting=lasting, **to)
        if reply.ok and lasting is not None:
            most = (AT_RISK if picture.glucose_risk else LIMITS)[what]
            assert int(str(step[3])) * MINUTE <= most
            watch.may[pump] = bench.now + int(str(step[3])) * MINUTE
        elif reply.ok and what == "swap":  # the feed, and what may be of it, is the other pump's now
            new = str(step[-1])
            watch.since.pop(new, None)
            watch.may[new] = max(watch.may.pop(pump, 0), bench.now)
    watch.look()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(steps, min_size=3, max_size=14), st.booleans())
def test_nothing_keeps_quiet_for_longer_than_it_may(story: list[tuple[object, ...]], risk: bool) -> None:
    """Whatever is answered, in whatever order: a pump that stands though feed is due is told in time."""
    bench = Bench(only(*PATIENCE), reporting=2 * MINUTE, trail=False)
    if risk:
        bench.plan("pump-1", windows=[{"from": "22:00", "to": "22:00"}], target_ml=2000, glucose_risk=True)
    for name in PUMPS:
        bench.snapshot(name, activity="feeding", delivered_ml=0.0)
    bench.pass_by("10 s")
    watch = Watch(bench)
    for step in [*story, ("pass", 170)]:
        take(watch, step)

"""Many devices at once: what rested is worked through in slices, with a commit and other inputs in between."""

from __future__ import annotations

import pytest

from monitor.core.engine import Engine
from monitor.core.instants import MINUTE, SECOND
from monitor.testing import Bench, alarm
from tests.core.stories import FAULT, only
from tests.core.test_backlog import reading

PUMPS = [f"pump-{number:03d}" for number in range(120)]  # more than are stepped in one slice


class Sliced(Bench):
    """A bench whose engine lets only a little pass at once, and stores what it did before it goes on."""

    slices = 0

    def work(self) -> None:
        """As ever, in slices."""
        while self.slice_left():
            self.slice()
        super().work()

    def slice_left(self) -> bool:
        """Whether anything is due."""
        due = self.engine.due()
        return due is not None and due <= self.now

    def slice(self) -> None:
        """A little of it, and a commit."""
        self.slices += 1
        Engine.advance(self.engine, self.now, 1)
        self.kept.commit(self.engine.take_changes())


def blind(bench: Bench) -> None:
    """All pumps are seen, half of them in alarm; then the broker is gone for 40 min and comes back."""
    for number, pump in enumerate(PUMPS):
        bridge = "north-7" if number % 3 else "south-1"
        alarms = [FAULT] if number % 2 else [alarm("downstream-occlusion")] if number % 4 else []
        bench.snapshot(pump, activity="stopped" if alarms else "feeding", alarms=alarms, bridge=bridge)
    bench.pass_by("1 min")
    bench.link_down()
    bench.pass_by("40 min")
    bench.link_up()
    bench.marker_back()


def story(bench: Bench) -> tuple[object, ...]:
    """All that was decided, told and kept."""
    return bench.happened, [(t.at, t.person, t.items, t.text) for t in bench.told], bench.kept.rows


def test_slices_change_nothing() -> None:
    """Whether a backlog's end is worked through at once or in slices, the same is told, noted and kept."""
    rules = ("unattended", "standing-alarm", "out-of-sight", "sight-lost")
    straight, sliced = (kind(only(*rules), reporting=0) for kind in (Bench, Sliced))
    for bench in (straight, sliced):
        blind(bench)
        bench.pass_by("10 s")
        bench.bridge("north-7", online=False)
        bench.pass_by("10 min")
        bench.bridge("north-7", online=True)
        bench.pass_by("10 min")
    assert isinstance(sliced, Sliced)
    assert sliced.slices > len(PUMPS)
    assert story(sliced) == story(straight)
    assert len([h for h in straight.happened if h.event == "raised"]) > len(PUMPS)


@pytest.mark.parametrize("done", [0, 1, 2, 3])
def test_a_kill_between_two_slices_loses_nothing(done: int) -> None:
    """Of what had rested some is raised and some not yet: after the next start all of it is, each once, and told."""
    bench = Bench(only("unattended"), reporting=0)
    blind(bench)
    bench.now += SECOND  # the backlog is over now
    for _ in range(done):
        Engine.advance(bench.engine, bench.now, 1)
        bench.kept.commit(bench.engine.take_changes())
    raised = [text for text in bench.kept.rows.get("concern", {}).values() if '"unattended"' in text]
    assert len(raised) < 90, "the last slice was not reached"
    bench.restart(link=False)
    bench.link_up()
    bench.marker_back()
    bench.pass_by("10 s")
    alarmed = [pump for number, pump in enumerate(PUMPS) if number % 2 or number % 4]
    for pump in alarmed:
        [concern] = bench.concerns(pump)
        assert concern.told, f"nobody was told of {pump}"
    assert len(alarmed) == 90


def test_a_message_between_two_slices_acts_as_in_the_backlog() -> None:
    """A pump that is mended while others are worked through: recorded, and nobody is told of it."""
    bench = Bench(only("unattended"), reporting=0)
    blind(bench)
    bench.now += SECOND
    Engine.advance(bench.engine, bench.now, 1)
    Engine.advance(bench.engine, bench.now, 1)
    assert reading(bench)
    assert bench.engine.due() == bench.now
    bench.snapshot(PUMPS[-1], activity="feeding", alarms=[], time=bench.now - 20 * MINUTE)
    assert not reading(bench)
    bench.pass_by("10 s")
    concern = bench.assert_settled(PUMPS[-1])
    assert concern.id not in {key for told in bench.told for key, _ in told.items}
    bench.assert_open(PUMPS[-2])


def test_no_device_is_stored_because_sight_changed() -> None:
    """Broker and bridge go and come: what is kept of each device stays as it was, and says so after a restart."""
    bench = Bench(only("out-of-sight"), reporting=0)
    for pump in PUMPS:
        bench.snapshot(pump, activity="feeding")
    before = dict(bench.kept.rows["device"])
    bench.bridge(online=True)
    bench.link_down()
    bench.pass_by("20 min")
    bench.link_up()
    bench.marker_back()
    bench.pass_by("5 s")
    bench.bridge(online=False)
    bench.pass_by("20 min")
    bench.bridge(online=True)
    returned = bench.now
    bench.pass_by("10 s")
    assert bench.kept.rows["device"] == before
    bench.restart()
    bench.until(returned + 3 * MINUTE + SECOND)
    assert not bench.concerns(PUMPS[0])
    bench.pass_by("2 s")
    assert all(len(bench.concerns(pump)) == 1 for pump in PUMPS)

"""A backtest of what a service recorded counts exactly what that service did, as long as nobody answered it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.backtest.measures import Tally
from monitor.backtest.playing import play
from monitor.core.decode import decode
from monitor.core.effects import Attempted, LinkUp, MarkerBack, SendMarker, SendNotice
from monitor.core.engine import Engine
from monitor.core.instants import MINUTE, SECOND
from monitor.core.parts import Loaded
from monitor.core.plans import UTC
from monitor.core.site import Site
from monitor.recorded import Line
from monitor.recording import Recorder
from monitor.replay import TRACE_KEY
from monitor.settings import load
from tests.backtest.recordings import START, muted_night, ward_file


def live(site: Site, lines: list[Line], folder: Path) -> Tally:
    """A service's engine that takes these messages and records them: what it did."""
    recorder = Recorder(folder)
    begin = START - 10 * SECOND
    engine = recorder.engine(site, now=begin, loaded=Loaded({}, None, 0), digest="")
    tally = Tally()

    def work() -> None:
        while True:
            engine.take_changes()
            recorder.flush()
            tally.take(engine.take_happenings())
            effects = engine.take_effects()
            for effect in effects:
                if isinstance(effect, SendNotice):
                    engine.receive(Attempted(notice=effect.notice, outcome="sent", text="ok"), engine.now)
                elif isinstance(effect, SendMarker):
                    engine.receive(MarkerBack(token=effect.token), engine.now)
            if not effects:
                return

    def pass_until(at: int) -> None:
        while (due := engine.due()) is not None and due <= at:
            engine.advance(max(due, engine.now))
            work()

    engine.receive(LinkUp(session_present=False), begin)
    work()
    for line in lines:
        pass_until(line.received - 1)
        found = decode(line.topic, line.payload, retain=False, prefix=site.prefix, site=site.name)
        assert engine.receive_message(found, line.payload, line.received) is None
        work()
    assert type(engine) is not Engine  # one that records
    pass_until(lines[-1].received)
    recorder.close()
    return tally


def test_it_counts_what_the_service_did(tmp_path: Path) -> None:
    """Each concern and each notice, to the millisecond: muted pumps, and one that falls silent."""
    site = replace(load(ward_file(tmp_path), key=TRACE_KEY).site, zone=UTC)
    lines = [
        line
        for line in muted_night()
        if not (line.topic.endswith("pump-0105/state") and 30 * MINUTE < line.received - START < 50 * MINUTE)
    ]
    tally = live(site, lines, tmp_path / "recording")
    (played,) = play([tmp_path / "recording"], [site])
    stories = tuple(tally.stories.values())
    assert {story.rule for story in stories} >= {"muted-too-long", "out-of-sight"}
    assert any(sent.rules and not sent.first for sent in tally.sent)  # ladders climbed, ends were told
    assert played.measures.stories == stories
    assert played.measures.sent == tuple(tally.sent)
    assert played.measures.messages == len(lines)

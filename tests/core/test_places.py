"""Swapped, moved, out of service: what goes with a feed, what is refused, and what survives a restart."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.decode import decode
from monitor.core.messages import Plan, Window
from monitor.core.parts import Loaded
from monitor.core.site import DeviceEntry, Site
from monitor.recorded import Input, Recorded, input_line, message_line, read_own
from monitor.recording import RecordingEngine
from monitor.rerun import rerun
from monitor.testing import Bench, alarm, ward
from tests.core.stories import FEED, RINGING, only

NIGHT = Plan((Window(22 * 60, 6 * 60),), 800.0, 100.0, 120.0, None, False, None, None, None)


def planned(site: Site | None = None, plan: Plan = NIGHT) -> Site:
    """The ward, where the site file plans a night feed of 800 mL for pump-1."""
    site = site or only(*FEED)
    devices = dict(site.devices)
    devices["pump-1"] = replace(devices["pump-1"], plan=plan)
    return replace(site, devices=devices)


def fed(site: Site | None = None) -> Bench:
    """22:00 to 23:00 pump-1 gives 100 mL of its plan's 800, and is stopped."""
    bench = Bench(site or planned())
    bench.snapshot("pump-1", activity="feeding", delivered_ml=0, rate_ml_h=100)
    for n in range(1, 7):
        bench.at(f"00:{10 * n - 1:02d}:50")
        bench.snapshot("pump-1", delivered_ml=round(100 * n / 6, 1))
    bench.at("01:00:00")
    bench.snapshot("pump-1", activity="held", delivered_ml=100)
    return bench


def swap(bench: Bench, old: str = "pump-1", new: str = "pump-2", person: str = "nurse-1") -> str:
    """Swap; what is said to it."""
    reply = bench.answer("swap", person, old, "the old one will not start", device=new)
    assert reply.ok, reply.text
    return reply.text


def picture(bench: Bench, device: str) -> Any:
    """What is believed of a pump."""
    return bench.engine.devices[device].picture


# ---- swapped ---------------------------------------------------------------------------------------------------------


def test_the_feed_goes_on_with_another_pump() -> None:
    """Plan and place come along; the new counter begins at 0, so given is what the old one gave and the new counter."""
    bench = fed()
    assert swap(bench) == (
        "Swapped: the feed of pump-1 goes on with pump-2 at bay 3 bed 1, with its plan and what was given. pump-2 has "
        "not been heard of yet: switch it on and connect it. pump-1 is out of service until it is heard feeding again. "
        "Check the pump's own settings against the prescription."
    )
    bench.at("01:02:00")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=2, rate_ml_h=100)
    bench.at("01:32:00")
    bench.snapshot("pump-2", delivered_ml=52)
    new, old = picture(bench, "pump-2"), picture(bench, "pump-1")
    assert (new.given_ml, new.given_known, new.feed_due, new.plan) == (152.0, True, True, NIGHT)
    assert (old.plan, old.feed_due, old.given_ml) == (None, False, 0.0)
    assert bench.engine.site.place("pump-2") == "bay 3 bed 1"
    assert bench.engine.site.place("pump-1") is None
    assert bench.concerns("pump-1") == bench.concerns("pump-2") == []


@pytest.mark.parametrize(
    ("first", "given"),
    [(3.0, 3.0), (640.0, 0.0)],
    ids=["its counter began at 0", "it shows another feed's volume"],
)
def test_what_a_counter_shows_at_first(first: float, given: float) -> None:
    """What it cannot have given since the old one stopped is of another feed, and does not hide what is missing."""
    bench = fed()
    swap(bench)
    bench.at("01:03:00")
    bench.snapshot("pump-2", activity="idle", delivered_ml=first)
    assert picture(bench, "pump-2").given_ml == 100 + given


def test_started_before_anybody_said_so() -> None:
    """The new pump feeds already when the swap is told: what it gave counts."""
    bench = fed()
    bench.at("01:05:00")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=0, rate_ml_h=100)
    bench.at("01:35:00")
    bench.snapshot("pump-2", delivered_ml=50)
    swap(bench)
    assert picture(bench, "pump-2").given_ml == 150.0
    bench.at("02:05:00")
    bench.snapshot("pump-2", delivered_ml=100)
    assert picture(bench, "pump-2").given_ml == 200.0


def test_open_concerns_are_about_the_new_pump() -> None:
    """Under the same id, code and holder; told at the old place; it settles when the new pump feeds."""
    bench = fed()
    bench.at("01:10:30")
    concern = bench.assert_open("pump-1", "idle-past-limit")
    code = bench.code("nurse-1", "pump-1")
    swap(bench)
    assert bench.concerns("pump-1") == []
    assert bench.concern("pump-2").id == concern.id
    assert [h.event for h in bench.happened if h.event in ("swapped", "carried", "withdrawn")] == [
        "swapped",
        "carried",
    ]
    assert bench.answer("accept", "nurse-1", code).text.startswith(
        "You have bay 3 bed 1 (feed due, not delivering)."
    )
    listed = {topic.split("/")[-2]: json.loads(said)["data"] for topic, said in bench.published.items()}
    assert listed["pump-1"] == []
    assert [entry["concern"] for entry in listed["pump-2"]] == [concern.id]
    bench.at("01:15:00")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=0, rate_ml_h=100)
    bench.at("01:18:00")
    bench.assert_settled("pump-2", "idle-past-limit")


def test_a_notice_says_since_when_the_place_is_recorded() -> None:
    """A place that somebody said in the night is told with its time."""
    bench = fed()
    swap(bench)
    bench.at("01:03:00")
    bench.snapshot("pump-2", activity="stopped", delivered_ml=0, alarms=[RINGING])
    bench.carriers["pager"].fails("refused")
    bench.at("01:08:30")
    mail = bench.assert_told("nurse-1", by="mail")
    assert "Pump: pump-2, at this place since 23:00." in mail.text


def test_a_new_pump_that_is_never_heard_of() -> None:
    """The feed was due, so its silence counts from the swap: out of sight, with the old pump's place."""
    for site in (planned(), only(*FEED)):  # with a plan and without
        bench = fed(site)
        swap(bench)
        bench.restart()
        bench.at("01:03:30")
        assert bench.assert_open("pump-2", "out-of-sight").unit == "elm"


def test_what_is_held_is_held_there() -> None:
    """A hold goes with the feed, and so does its end."""
    bench = fed()
    bench.answer("hold", "charge", "pump-1", "bath", lasting="1 h")
    swap(bench)
    bench.snapshot("pump-2", activity="idle", delivered_ml=0)
    bench.at("01:59:00")
    assert bench.concerns("pump-2") == []
    bench.at("02:01:00")
    bench.assert_told("charge", "hold-over")
    bench.assert_open("pump-2", "idle-past-limit")


def test_the_old_pump_is_quiet_until_it_feeds_again() -> None:
    """Its alarms call nobody while it is out of service; feeding again it is watched, and what holds by then calls."""
    bench = fed()
    swap(bench)
    bench.snapshot("pump-2", activity="feeding", delivered_ml=0, rate_ml_h=100)
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("drive-fault", "high")])
    bench.at("01:30:00")
    assert bench.concerns("pump-1") == []
    bench.snapshot("pump-1", activity="feeding")
    assert bench.concern("pump-1", "unattended").priority == "high"
    bench.assert_told("nurse-1", "raised")


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ("pump-1", "that is the same pump twice."),
        ("pump-99", "of the new pump: no pump of this id is listed or was ever heard of. Look at its label."),
        ("drill-elm", "of the new pump: no pump of this id is listed or was ever heard of. Look at its label."),
        ("pump-3", "the new pump was feeding while the old one still fed, so it feeds somebody else."),
        ("pump-4", "the new pump has a feeding plan of its own, so it is somebody else's. Swap or end that feed "
         "first."),
        ("pump-5", "the new pump has a feed of its own that was stopped and is not over. If that is left from "
         "before, answer feed-ended with the new pump's id first."),
    ],
)  # fmt: skip
def test_a_pump_that_is_not_to_be_swapped_to(new: str, said: str) -> None:
    """Nobody is given another's pump, and no typing error takes a feed out of sight: refused, with what to do."""
    bench = Bench(planned())
    bench.snapshot("pump-3", activity="feeding")
    bench.snapshot("pump-5", activity="feeding")
    bench.plan("pump-4", windows=[{"from": "20:00", "to": "06:00"}])
    bench.snapshot("pump-1", activity="feeding", delivered_ml=0)
    bench.at("00:10:00")
    bench.snapshot("pump-5", activity="held")
    bench.snapshot("pump-1", activity="held")
    reply = bench.answer("swap", "nurse-1", "pump-1", "broken", device=new)
    assert (reply.ok, reply.text) == (False, f"Nothing was done: {said}")
    assert picture(bench, "pump-1").plan == NIGHT
    assert not bench.engine.site.standing


def test_left_over_from_before() -> None:
    """The way out that the refusal names is one."""
    bench = fed()
    bench.snapshot("pump-5", activity="feeding", delivered_ml=500)
    bench.pass_by("10 s")
    bench.snapshot("pump-5", activity="held")
    assert not bench.answer("swap", "nurse-1", "pump-1", "broken", device="pump-5").ok
    bench.answer("feed-ended", "nurse-1", "pump-5")
    swap(bench, new="pump-5")
    assert picture(bench, "pump-5").given_ml == 100.0


def test_a_swap_survives_a_restart() -> None:
    """Plan, place, volume, the old pump's absence: all there again; and the site's plan does not come back to it."""
    bench = fed()
    swap(bench)
    bench.at("01:05:00")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=5, rate_ml_h=100)
    bench.restart()
    assert (picture(bench, "pump-2").plan, picture(bench, "pump-2").given_ml) == (NIGHT, 105.0)
    assert picture(bench, "pump-1").plan is None
    assert bench.engine.site.place("pump-2") == "bay 3 bed 1"
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("01:20:00")
    assert bench.concerns("pump-1") == []
    bench.assert_trail_whole()


def test_swapped_back() -> None:
    """The feed returns to the first pump, with all that was given by both."""
    bench = fed()
    swap(bench)
    bench.at("01:05:00")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=0, rate_ml_h=100)
    bench.at("01:35:00")
    bench.snapshot("pump-2", delivered_ml=50)
    bench.snapshot("pump-2", activity="held")
    bench.snapshot("pump-1", activity="idle", delivered_ml=100)
    swap(bench, "pump-2", "pump-1")
    bench.at("01:40:00")
    bench.snapshot("pump-1", activity="feeding", delivered_ml=110)
    assert picture(bench, "pump-1").given_ml == 160.0
    assert bench.engine.site.place("pump-1") == "bay 3 bed 1"


# ---- moved -----------------------------------------------------------------------------------------------------------


def move(bench: Bench, device: str = "pump-1", **to: str) -> str:
    """Move; what is said to it."""
    return bench.answer("move", "nurse-1", device, **({"place": "bay 9 bed 9"} | to)).text


def test_a_move_wins_until_the_site_file_says_otherwise() -> None:
    """Told at the new place after a restart too; when the file's entry changes it lets go, and the trail says so."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1")
    said = move(bench, pager_place="B9/9")
    assert said == "Recorded: pump-1 is at bay 9 bed 9 from now on."
    bench.restart()
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.pass_by("5 min 20 s")
    assert "B9/9" in bench.assert_told("nurse-1", by="pager").text
    entry = DeviceEntry(id="pump-1", unit="elm", place="bay 2 bed 2", pager_place="B2/2")
    bench.restart(ward(bench.site.rules, devices={**bench.site.devices, "pump-1": entry}))
    assert bench.engine.site.place("pump-1") == "bay 2 bed 2"
    assert [h.event for h in bench.happened if h.event.startswith("place")] == [
        "place-recorded",
        "place-let-go",
    ]
    assert bench.kept.rows["place"] == {}


def test_the_trail_holds_no_place() -> None:
    """A place is somebody's words, and may name a person: it stands in a row that can be erased, and nowhere else."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1")
    move(bench, place="with old Mr Ashdown")
    swap(bench)
    assert b"Ashdown" not in b"".join(entry.text for entry in bench.kept.entries)
    assert "Ashdown" in "".join(bench.kept.rows["place"].values())


@pytest.mark.parametrize(
    ("to", "said"),
    [
        ({"place": "  "}, "say where it stands now, as a nurse knows the place."),
        ({"place": "y" * 61}, "the place has 61 characters; 60 at most."),
        ({"pager_place": "y" * 25}, "the place for pages has 25 characters; 24 at most."),
        ({"unit": "ash"}, "no such unit; the units are elm, oak."),
        ({"unit": "oak"}, "its messages come under another unit, and those decide whom Second Bell calls."),
    ],
)
def test_a_move_that_is_refused(to: dict[str, str], said: str) -> None:
    """No place, one too long to be told whole, no such unit, or another than its bridge says."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1")
    assert move(bench, **to).startswith(f"Nothing was done: {said}")


def test_a_pump_never_heard_of_is_put_into_a_unit() -> None:
    """Then nothing else decides it."""
    bench = Bench(planned())
    assert move(bench, unit="oak").startswith("Recorded: pump-1 is at bay 9 bed 9")
    bench.at("00:04:00")
    assert bench.assert_open("pump-1", "out-of-sight").unit == "oak"


def test_hostile_words_in_a_place() -> None:
    """A line break, a hidden sign: one clean line, and so on the air; a novel is refused."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1")
    move(bench, place="bay\r\nBcc: x\u202e" + "y" * 500)
    assert bench.engine.site.place("pump-1") == "bay 3 bed 1"
    move(bench, place="bay\r\nBcc: x\u202eyy", pager_place="b\n1\x07")
    entry = bench.engine.site.entry("pump-1")
    assert entry is not None
    assert (entry.place, entry.pager_place) == ("bay Bcc: xyy", "b 1")


# ---- out of service --------------------------------------------------------------------------------------------------


def test_a_whole_pump_out_of_service() -> None:
    """All that is open about it is withdrawn, everyone told hears it, and nothing is raised until it feeds again."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("1 s")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING], mains=False, battery_percent=10)
    bench.at("00:05:30")
    assert len(bench.concerns("pump-1")) == 2
    reply = bench.answer("withdraw", "charge", "pump-1", "to the workshop")
    assert reply.text == (
        "Out of service: pump-1. What was open about it (2) is withdrawn; everybody who was told hears it. Nobody is "
        "called about it until it is heard feeding again, is moved, or takes over a feed by swap."
    )
    bench.pass_by("10 s")
    bench.assert_told("nurse-1", "withdrawn")
    bench.restart()
    bench.at("03:00:00")
    assert all(not concern.live for concern in bench.concerns("pump-1"))
    bench.snapshot("pump-1", activity="feeding", alarms=[], mains=True)
    bench.pass_by("2 min")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.pass_by("6 min")
    bench.assert_open("pump-1", "unattended")


def test_withdrawn_while_it_feeds() -> None:
    """A slip of the finger keeps nobody's feed unwatched: still feeding after 5 min, it is in service."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1", activity="feeding")
    assert (
        "if it still is in 5 min, it is watched again."
        in bench.answer("withdraw", "charge", "pump-1", "service").text
    )
    bench.at("00:06:30")
    assert not bench.engine.holds.of("pump-1")


def test_moved_into_service() -> None:
    """A move brings it back, and what holds by then calls at once."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("1 s")
    bench.answer("withdraw", "charge", "pump-1", "service")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.at("00:30:00")
    bench.assert_nobody_told()
    move(bench)
    bench.pass_by("10 s")
    bench.assert_open("pump-1", "unattended")
    bench.assert_told("nurse-1", "raised")


def test_withdrawing_needs_a_reason() -> None:
    """Of a pump as of a concern."""
    bench = Bench(only(*FEED))
    bench.snapshot("pump-1")
    assert bench.answer("withdraw", "charge", "pump-1").text == "Nothing was done: say why it is withdrawn."


# ---- run again from its recording ------------------------------------------------------------------------------------


class Kept:
    """A recorder that keeps the lines in memory."""

    def __init__(self) -> None:
        self.lines: list[bytes] = []

    def record(self, entry: Recorded) -> None:
        """Keep one, as it would be written."""
        self.lines.append(input_line(entry) if isinstance(entry, Input) else message_line(entry))

    def lose(self, count: int) -> None:
        """Nothing may be missing."""
        raise AssertionError(count)


class RecordedBench(Bench):
    """A bench whose engine takes messages as the service gives them, and records them."""

    def message(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Any message, as bytes on a topic."""
        found = decode(topic, payload, retain=retain, prefix=self.site.prefix, site=self.site.name)
        assert self.engine.receive_message(found, payload, self.now) is None
        self.work()


def test_what_was_recorded_is_replayed_exactly() -> None:
    """Holds, swaps, moves and their ends, to the millisecond and the last text, from the lines of a recording."""
    site, kept = planned(), Kept()
    bench = RecordedBench(site)
    recorder: Any = kept
    bench.engine = RecordingEngine(
        site, now=bench.now, loaded=Loaded({}, None, 0), recorder=recorder, digest="x"
    )
    bench.happened.clear()
    bench.link_up()
    bench.marker_back()
    bench.pass_by("5 s")
    bench.snapshot("pump-1", activity="feeding", delivered_ml=0, rate_ml_h=100)
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held", delivered_ml=0)
    bench.pass_by("12 min")
    bench.answer("hold", "charge", bench.code("charge", "pump-1"), "bath", lasting="1 h")
    bench.pass_by("10 min")
    swap(bench)
    bench.snapshot("pump-2", activity="idle", delivered_ml=0)
    move(bench, "pump-2", pager_place="B9/9")
    bench.answer("away", "nurse-1", "pump-3", "x-ray", lasting="30 min")
    bench.answer("withdraw", "charge", "pump-4", "service")
    bench.pass_by("2 h")
    found = list(rerun([read_own(line.rstrip()) for line in kept.lines], site, say=pytest.fail))
    assert [happening.event for happening in found].count("hold-ended") == 2
    assert [h._asdict() for h in found] == [h._asdict() for h in bench.happened]

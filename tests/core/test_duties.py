"""A rota that changes while concerns are open: who is told, who keeps what, what the trail says; over restarts too."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.effects import RotaRead, TroubleSeen
from monitor.core.instants import DAY, HOUR, MINUTE
from monitor.core.ladders import Ladder, Rung
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.troubles import ROTA_UNREAD
from monitor.recorded import Input
from monitor.recording import Recorder
from monitor.rerun import rerun
from monitor.testing import START, Bench, ward
from tests.core.stories import mended, only, ringing

AHEAD = START + 35 * DAY
LATE = START + 8 * HOUR + 45 * MINUTE  # a quarter of an hour before the change of duty
NURSES = [
    Span("nurse-1", "nurse", "*", START - HOUR, START + 9 * HOUR),
    Span("day-1", "nurse", "*", START + 9 * HOUR, START + 21 * HOUR),
]
CHARGE = [Span("charge", "charge", "*", 0, FOR_EVER)]


def read(bench: Bench, shifts: list[Span], *, until: int | None = AHEAD, named: tuple[str, ...] = ()) -> None:
    """The calendars are read, and say these shifts."""
    everybody = sorted({span.person for span in shifts} | set(named))
    bench.engine.receive(RotaRead(shifts=shifts, named=everybody, until=until), bench.now)
    bench.work()


def calendars(shifts: list[Span] = NURSES, *, start: int = START) -> Bench:
    """A ward whose nurses stand in calendars alone, with an unattended alarm of which they have been told."""
    bench = Bench(only("unattended", rota=Rota(CHARGE)), start=start)
    read(bench, shifts)
    return alarmed(bench)


def alarmed(bench: Bench) -> Bench:
    """An alarm that nobody attends to, and the first rung is told."""
    ringing(bench)
    bench.pass_by("5 min 10 s")
    return bench


def noted(bench: Bench, event: str) -> list[dict[str, object]]:
    """What the journal has of an event."""
    return [dict(found.detail) for found in bench.happened if found.event == event]


def test_a_swap_tells_the_new_one_and_no_longer_the_old_one() -> None:
    """Open: whoever comes on duty by the change hears of it, at once; the next round no longer reaches who left."""
    bench = calendars()
    bench.assert_told("nurse-1")
    read(bench, [NURSES[0]._replace(person="nurse-2"), NURSES[1]], named=("nurse-1",))
    bench.pass_by("10 s")
    bench.assert_told("nurse-2", "duty")
    bench.pass_by("30 min")
    bench.assert_not_told("nurse-1")


def test_who_has_it_and_is_taken_off_duty_is_relieved() -> None:
    """Accepted, and the calendars name her no more: open at rung 1 of those who are on duty now."""
    bench = calendars()
    bench.accept("nurse-1", "pump-1")
    read(bench, [NURSES[0]._replace(person="nurse-2"), NURSES[1]])
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    bench.assert_told("nurse-2", "duty")


def test_a_change_of_other_nights_changes_nothing_now() -> None:
    """A shift of tomorrow given to somebody else tells nobody tonight, and is in the trail."""
    bench = calendars()
    bench.accept("nurse-1", "pump-1")
    read(bench, [NURSES[0], NURSES[1]._replace(person="nurse-2")], named=("day-1",))
    bench.pass_by("10 s")
    bench.assert_nobody_told()
    bench.assert_accepted("pump-1", "nurse-1")
    assert len(noted(bench, "rota-changed")) == 2


def test_the_trail_names_by_keys_alone() -> None:
    """How many shifts are new and gone, and whose, by opaque keys with role and unit."""
    bench = calendars()
    read(bench, [NURSES[0]._replace(person="nurse-2"), NURSES[1]])
    one, two = (bench.site.opaque("person", name) for name in ("nurse-1", "nurse-2"))
    assert noted(bench, "rota-changed")[-1] == {
        "added": 1, "removed": 1, "gained": [[two, "nurse", "*"]], "lost": [[one, "nurse", "*"]],
    }  # fmt: skip
    assert "nurse-1" not in json.dumps(noted(bench, "rota-changed"))


def test_the_same_rota_reaching_further_is_no_change() -> None:
    """Each day it is read anew, to a day later: that is in no trail, and tells nobody."""
    bench = calendars()
    later = Span("nurse-2", "nurse", "*", AHEAD, AHEAD + HOUR)
    read(bench, [*NURSES, later], until=AHEAD + DAY)
    bench.pass_by("10 s")
    assert len(noted(bench, "rota-changed")) == 1
    bench.assert_nobody_told()


def test_what_was_is_forgotten_after_a_day() -> None:
    """Read each day for a month, whether anything changes or not: what is kept of before does not grow."""
    bench = Bench(only("unattended", rota=Rota(CHARGE)))
    long = Span("nurse-1", "nurse", "*", 0, START + 366 * DAY)
    for _ in range(30):
        bench.pass_by("24 h")
        read(bench, [long], until=bench.now + 35 * DAY)
    assert len(bench.engine.site.rota.spans) <= 6


def test_a_duty_of_the_calendars_ends_by_itself() -> None:
    """The change of duty at 07:00 is a deadline as with duties of the site file."""
    bench = calendars()
    bench.accept("nurse-1", "pump-1")
    bench.at("09:00:10")
    bench.assert_told("day-1", "duty")
    bench.assert_open("pump-1")


def test_who_has_no_shift_for_weeks_is_off_duty_not_always_on_call() -> None:
    """A person whom the calendars name at all is on duty in her shifts alone, however far the next is."""
    bench = Bench(only("unattended", rota=Rota(CHARGE)))
    read(bench, NURSES, named=("nurse-2",))
    assert not bench.engine.site.rota.is_on_duty("nurse-2", bench.now)
    assert bench.engine.site.rota.is_on_duty("manager", bench.now)


def test_a_change_at_the_very_instant_of_a_change_of_duty() -> None:
    """Read at 07:00 exactly, when day-1 has just been looked at: nurse-2, who comes in her place, is told."""
    bench = calendars()
    bench.at("09:00:00")
    read(bench, [NURSES[0], NURSES[1]._replace(person="nurse-2")], named=("day-1",))
    bench.pass_by("10 s")
    bench.assert_told("nurse-2", "duty")


def test_a_restart_finds_the_same_duties() -> None:
    """Killed after the change and begun again: the same are on duty, the same are not, and nobody is told twice."""
    bench = calendars()
    swapped = [NURSES[0]._replace(person="nurse-2"), NURSES[1]]
    read(bench, swapped, named=("nurse-1",))
    bench.pass_by("10 s")
    before = bench.engine.site.rota
    bench.restart()
    after = bench.engine.site.rota
    assert (after.spans, after.until) == (before.spans, before.until)
    assert not after.is_on_duty("nurse-1", bench.now)
    read(bench, swapped, named=("nurse-1",))
    bench.pass_by("20 s")
    bench.assert_nobody_told()
    assert len(noted(bench, "rota-changed")) == 2


def test_a_duty_that_changed_while_it_was_not_running() -> None:
    """Stopped at 06:50 and started at 07:02: by the stored rota the duty has ended, and the new one is told."""
    bench = calendars(start=LATE)
    bench.accept("nurse-1", "pump-1")
    bench.now = START + 9 * HOUR + 2 * MINUTE
    bench.restart()
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    assert {told.person for told in bench.told if told.at >= START + 9 * HOUR} == {"day-1"}


def test_another_duty_in_the_site_file_is_a_change_of_duty() -> None:
    """A start with another [[duty]]: who had it and has none is relieved, and who has it now is told."""
    spans = [Span("nurse-1", "nurse", "*", 0, FOR_EVER), *CHARGE]
    bench = alarmed(Bench(only("unattended", rota=Rota(spans))))
    bench.accept("nurse-1", "pump-1")
    changed = [spans[0]._replace(person="nurse-2"), *CHARGE]
    bench.restart(replace(bench.site, rota=Rota(changed)))
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    bench.assert_told("nurse-2", "duty")


def test_a_person_who_is_gone_and_still_in_the_stored_rota() -> None:
    """Removed from the site file: what the stored calendars give her counts no more, so nobody waits for her."""
    bench = calendars()
    site = replace(bench.site, people={k: v for k, v in bench.site.people.items() if k != "nurse-1"})
    bench.restart(site)
    assert bench.engine.site.rota.on_duty("elm", "nurse", bench.now) == ()
    bench.pass_by("20 min")
    bench.assert_told("charge")


def test_without_calendars_their_duties_end() -> None:
    """A site that gives its calendars up: whoever stood in them alone has no duty by them."""
    bench = calendars()
    bench.accept("nurse-1", "pump-1")
    read(bench, [], until=None)
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    bench.assert_told("charge", "duty")


def test_an_open_concern_goes_on_under_another_ladder() -> None:
    """Reload: a rung vanished, the holder is gone, or the unit is: it goes on, and somebody is told."""
    ladder = Ladder((Rung(("role:charge",), 10 * MINUTE),))
    shorter = {("*", priority): ladder for priority in ("high", "medium", "low")}
    bench = calendars()
    bench.pass_by("10 min 10 s")
    assert bench.concern("pump-1").rung == 1
    bench.restart(replace(bench.site, ladders=shorter))
    bench.pass_by("12 min")
    bench.assert_told("manager", "round-again")  # it was past the one rung that is left

    bench = calendars()
    bench.accept("nurse-1", "pump-1")
    people = {k: v for k, v in bench.site.people.items() if k != "nurse-1"}
    bench.restart(replace(bench.site, people=people, ladders=shorter))
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    bench.assert_told("charge", "duty")

    bench = calendars()
    bench.restart(replace(bench.site, units=()))
    bench.pass_by("25 min")
    bench.assert_told("manager")  # an unknown unit's ladder is the last resort
    mended(bench)


def test_a_rota_that_cannot_be_read_is_told_each_day_and_when_it_is_over() -> None:
    """The technical contact hears of it at once, again each day, and that it is over; nobody's name is in it."""
    bench = Bench(ward(rota=Rota([*NURSES, *CHARGE])))
    bench.engine.receive(TroubleSeen(trouble=ROTA_UNREAD, facts={"problems": 3, "until": AHEAD}), bench.now)
    bench.work()
    bench.pass_by("25 h")
    told = [told for told in bench.told_of_troubles if told.items[0][0] == ROTA_UNREAD]
    assert len(told) == 2
    assert "Swaps are NOT known" in told[0].text
    assert len(told[0].text) <= 160
    read(bench, NURSES)
    bench.pass_by("2 min")
    assert "rota is read again" in bench.told_of_troubles[-1].text


def test_a_recording_with_a_change_is_replayed_exactly(tmp_path: Path) -> None:
    """Start with a stored rota, a change, a change of duty: the replay's happenings are those of the run."""
    before = calendars()
    site = before.site
    recorder = Recorder(tmp_path)
    loaded = before.kept.load()
    engine = recorder.engine(site, now=before.now, loaded=loaded, digest="x")
    engine.resume()
    swapped = [NURSES[0]._replace(person="nurse-2"), NURSES[1]]
    engine.receive(RotaRead(shifts=swapped, named=("nurse-1",), until=AHEAD), before.now + MINUTE)
    for minute in range(2, 600):
        engine.advance(before.now + minute * MINUTE)
    again = [
        entry._replace(said=json.loads(json.dumps(entry.said))) if isinstance(entry, Input) else entry
        for entry in recorder.take()
    ]
    assert [*rerun(again, site, say=lambda _: None)] == engine.take_happenings()
    assert site.rota.shifts == ()  # the site that both were made from is as it was


spans = st.lists(
    st.builds(
        lambda person, start, length: Span(person, "nurse", "*", start, start + length),
        st.sampled_from("abc"),
        st.integers(1, 50),
        st.integers(1, 50),
    ),
    max_size=5,
)


@settings(max_examples=60, deadline=None)
@given(spans, spans, spans, st.integers(1, 60))
def test_what_was_stays_and_what_is_is_new(
    fixed: list[Span], old: list[Span], new: list[Span], now: int
) -> None:
    """Before the change the old rota answers, from it on the new one; a dump restored answers the same."""
    first, second = Rota(fixed, shifts=old), Rota(fixed, shifts=new)
    rota = Rota(fixed, shifts=old)
    rota.become(now, since=0, shifts=new, until=100)
    state = json.loads(json.dumps(rota.dump()))
    again = Rota(fixed)
    assert not again.restore(state, "abc", now=now, since=0)
    for at in range(105):
        wanted = (first if at < now else second).on_duty("elm", "nurse", at)
        assert set(rota.on_duty("elm", "nurse", at)) == set(wanted)
        assert again.on_duty("elm", "nurse", at) == rota.on_duty("elm", "nurse", at)

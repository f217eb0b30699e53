"""200 pumps of one unit lose mains at once, with low batteries: how many pages and mails reach whom, exactly.

The counts are this project's own: a nurse can read a handful of pages in 10 minutes. ANSI/ISA-18.2-2016 (from memory)
takes more than 10 alarms in 10 minutes as a flood that one operator cannot follow.
"""

from __future__ import annotations

import sys

import pytest

from monitor.core.concerns import State
from monitor.core.instants import SECOND
from monitor.testing import Bench
from tests.core.explosions import by_mail, counts, full_ward, group_code, lose_mains, recover, told_to

PUMPS = 200


def exploded(
    percent: int,
    minutes: str,
    *,
    stop: str | None = None,
    mail: bool = False,
    spread: int = 0,
    pumps: int = PUMPS,
) -> Bench:
    """All lose mains; so long after that, with a restart after `stop`."""
    bench = full_ward(pumps, **({"people": by_mail()} if mail else {}))
    lose_mains(bench, percent, spread=spread)
    began = bench.now - spread
    if stop is not None:
        bench.pass_by(stop)
        bench.restart()
    bench.until(began + 62 * SECOND + int(minutes.split()[0]) * 60 * SECOND)
    return bench


@pytest.mark.parametrize("mail", [False, True])
def test_high_and_nobody_accepts(mail: bool) -> None:
    """In 10 min: each nurse 5 at once, 1 of all, and 1 when the ladder has gone round; the others 1 a step."""
    bench = exploded(4, "10 min", mail=mail)
    assert counts(bench) == {"nurse-1": 7, "nurse-2": 7, "charge": 2, "manager": 1}
    assert len({pump for pump in bench.site.devices if bench.concern(pump).state is State.OPEN}) == PUMPS


@pytest.mark.parametrize("mail", [False, True])
def test_medium_and_nobody_accepts(mail: bool) -> None:
    """In 10 min each nurse 1; the charge nurse 1 when the wait is over."""
    bench = exploded(15, "10 min", mail=mail)
    assert counts(bench) == {"nurse-1": 1, "nurse-2": 1}
    bench.pass_by("1 min")
    assert counts(bench) == {"nurse-1": 1, "nurse-2": 1, "charge": 1}


@pytest.mark.parametrize(("percent", "first"), [(4, 6), (15, 1)])
def test_one_accept_of_the_group_ends_it(percent: int, first: int) -> None:
    """Nurse 1 takes all with one code: nurse 2 hears it once, the charge nurse never hears of it."""
    bench = full_ward(PUMPS)
    lose_mains(bench, percent)
    bench.pass_by("1 min 10 s")
    said = bench.answer("accept", "nurse-1", group_code(told_to(bench, "nurse-1")[-1]))
    assert said.text.startswith("You have 200 in unit elm")
    bench.pass_by("9 min")
    assert counts(bench) == {"nurse-1": first, "nurse-2": first + 1}
    assert {bench.concern(pump).holder for pump in bench.site.devices} == {"nurse-1"}


@pytest.mark.parametrize(("percent", "people"), [(4, 4), (15, 2)])
def test_all_recover_at_once(percent: int, people: int) -> None:
    """One stand-down to everybody who was told, and no more."""
    bench = exploded(percent, "8 min")
    before = counts(bench)
    recover(bench)
    bench.pass_by("2 min")
    assert {person: count - before[person] for person, count in counts(bench).items()} == dict.fromkeys(
        before, 1
    )
    assert len(before) == people
    assert told_to(bench, "nurse-1")[-1].text.startswith(
        f"OVER {'HIGH' if percent == 4 else 'MEDIUM'} elm: 200 pumps"
    )
    assert {bench.concern(pump).state for pump in bench.site.devices} == {State.SETTLED}


@pytest.mark.parametrize(("percent", "most"), [(4, 9), (15, 4)])
def test_one_by_one_within_a_minute(percent: int, most: int) -> None:
    """As pumps report, each at its own second: 5 at once if high, then 4 pages that grow; not one a pump."""
    bench = exploded(percent, "3 min", spread=60 * SECOND)
    told = told_to(bench, "nurse-1")
    assert len(told) == most
    assert {key for told in told for key, _ in told.items} == {
        bench.concern(pump).id for pump in bench.site.devices
    }


def test_relapse_of_all_is_one_again() -> None:
    """Mains back, stood down, mains gone again: five at once and one page, as the first time."""
    bench = exploded(4, "1 min")
    recover(bench)
    bench.pass_by("2 min")
    before = counts(bench)["nurse-1"]
    lose_mains(bench, 4)
    bench.pass_by("1 min 20 s")
    assert counts(bench)["nurse-1"] - before == 6
    assert "Back again." in told_to(bench, "nurse-1")[-1].text


@pytest.mark.parametrize("stop", ["61 s", "64 s", "70 s", "4 min"])
@pytest.mark.parametrize("percent", [4, 15])
def test_a_restart_in_the_middle_tells_the_same(percent: int, stop: str) -> None:
    """Killed before, while gathered, after it was told, or between two rungs: nobody hears more, less or other."""
    told = []
    for restart in (None, stop):
        bench = exploded(percent, "10 min", stop=restart, pumps=40)
        told.append(sorted((one.at, one.person, one.text) for one in bench.told))
    assert told[0] == told[1]


def test_each_keeps_its_own_record() -> None:
    """Each concern has its raising, call and tellings in the trail, and one entry says what was told as one."""
    bench = exploded(15, "1 min")
    concerns = {bench.concern(pump).id for pump in bench.site.devices}
    for event in ("raised", "called"):
        assert {h.concern for h in bench.happened if h.event == event} == concerns
    told = [(h.concern, h.person) for h in bench.happened if h.event == "told"]
    assert len(told) == len(set(told)) == 2 * PUMPS
    together = [h for h in bench.happened if h.event == "told-together"]
    assert [len(set(h.detail["concerns"])) for h in together] == [PUMPS] * 2  # type: ignore[call-overload]
    bench.assert_trail_whole()


def test_the_cost_grows_no_faster_than_the_pumps() -> None:
    """Five times the pumps take not eight times the calls of functions: nothing on the way is of the square."""
    calls = []
    for count in (40, 200):
        bench = full_ward(count)
        counted = 0

        def called(_frame: object, event: str, _arg: object) -> None:
            nonlocal counted
            counted += event == "call"

        sys.setprofile(called)
        lose_mains(bench, 4)
        bench.pass_by("8 min")
        sys.setprofile(None)
        calls.append(counted)
    assert calls[1] < 8 * calls[0]

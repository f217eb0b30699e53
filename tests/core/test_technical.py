"""Troubles of Second Bell itself: who is told, by which way, how often, and that they are over."""

from __future__ import annotations

import dataclasses
import json
from itertools import pairwise
from typing import Any

import pytest

from monitor.core.effects import Attempted, SendNotice, StoreRefused, StoreWorks, TroubleSeen
from monitor.core.instants import MINUTE, SECOND
from monitor.core.rota import Rota, Span
from monitor.core.technical import REFUSALS, STEADY
from monitor.core.trouble_mail import ALARMS_SOUND
from monitor.core.troubles import (
    BACK,
    CANNOT_SEND,
    CANNOT_STORE,
    CLOCK_STEPPED,
    QUARANTINE_FULL,
    REFUSES,
    SORTS,
    TRAIL_DOUBTFUL,
)
from monitor.testing import START, Bench
from tests.core.stories import only, ringing

FULL = StoreRefused(cause="full", detail="/state/secondbell.db: no space is left for it (disk is full)")


def troubled(bench: Bench, trouble: str = BACK, **facts: Any) -> None:
    """Let the service have seen something."""
    bench.engine.receive(
        TroubleSeen(trouble=trouble, facts=facts or {"gap": 12 * MINUTE, "asked": False}), bench.now
    )
    bench.work()


def noted(bench: Bench, event: str) -> list[dict[str, Any]]:
    """The details of the trail's entries of one event, all with their instant."""
    entries = [json.loads(entry.text) for entry in bench.kept.entries if entry.event == event]
    return [entry.get("detail", {}) | {"at": entry["at"]} for entry in entries]


def refuse(bench: Bench, event: StoreRefused = FULL, times: int = 1) -> list[SendNotice]:
    """Let the store refuse so often; what is to be sent without it."""
    for _ in range(times):
        bench.engine.receive(event, bench.now)
    return bench.engine.technical.take_direct()


def ended(bench: Bench, send: SendNotice, outcome: str = "sent") -> None:
    """Let an attempt end."""
    bench.engine.receive(Attempted(notice=send.notice, outcome=outcome, text="250 taken"), bench.now)


def failing(carrier: str = "pager") -> Bench:
    """A bench on which one carrier answers nobody while two nurses are to be told of a high alarm."""
    bench = Bench(only("unattended"), reporting=0)
    bench.carriers[carrier].fails("try-later", text="no answer from 10.0.0.9")
    ringing(bench)
    bench.at("00:05:04")
    return bench


def test_back_after_a_gap_is_told_to_the_technical_contact() -> None:
    """One notice, by the contact's first way, at once and alone; in the trail it begins, is told and sent."""
    bench = Bench(only("unattended"))
    troubled(bench)
    [told] = bench.told_of_troubles
    assert (told.person, told.carrier, told.at) == ("technical", "pager", START)
    assert told.text == (
        "Second Bell technical 22:00: back after 12 min without watching (21:48-22:00), not asked to. "
        "What is still wrong is told now."
    )
    assert [detail["trouble"] for detail in noted(bench, "trouble-began")] == [BACK]
    assert [detail["carrier"] for detail in noted(bench, "trouble-sent")] == ["pager"]
    assert len(noted(bench, "trouble-told")) == 1
    bench.pass_by("5 h")
    assert len(bench.told_of_troubles) == 1
    assert not bench.engine.technical.troubles, "told once, and then forgotten"
    assert not bench.kept.rows["technical"], "nor is anything of it kept"


def test_what_comes_again_soon_waits_its_time() -> None:
    """Of one trouble somebody hears at most once in its time; then of the newest, once."""
    bench = Bench(only("unattended"))
    for _ in range(3):
        troubled(bench)
        bench.pass_by("5 min")
    assert [told.at - START for told in bench.told_of_troubles] == [0]
    bench.pass_by("2 h")
    assert [told.at - START for told in bench.told_of_troubles] == [0, SORTS[BACK].again]


def test_that_it_watches_is_stored_once_a_minute() -> None:
    """However quiet the night, the store knows to the minute how long it was watched."""
    bench = Bench(only("unattended"), reporting=0)
    stored = []
    for second in range(0, 181, 15):
        bench.engine.technical.watching(START + second * SECOND)
        if bench.engine.take_changes().rows:
            stored.append(second)
    assert stored == [0, 60, 120, 180]


@pytest.mark.parametrize("why", ["nobody", "off duty", "refused"])
def test_whoever_is_not_there_is_replaced_by_the_last_resort(why: str) -> None:
    """No technical contact, one who is off duty, or one whose every way refuses: the last resort is told."""
    site = only("unattended")
    if why == "nobody":
        site = dataclasses.replace(site, technical=None)
    if why == "off duty":
        over = Span("technical", "technical", "*", 0, START)
        site = dataclasses.replace(site, rota=Rota([*site.rota.spans, over]))
    bench = Bench(site)
    if why == "refused":
        bench.carriers["pager"].fails("refused", address="4495")
        bench.carriers["mail"].fails("refused", address="technical@ward.invalid")
    troubled(bench)
    bench.pass_by("1 min")
    assert [told.person for told in bench.told_of_troubles if told.items[0] == (BACK, "begun")] == ["manager"]


def test_a_way_that_fails_for_now_is_tried_again_and_then_others() -> None:
    """The contact's ways in turn, each twice, then the last resort's too, with growing pauses."""
    bench = Bench(only("unattended"))
    for carrier in ("pager", "mail"):
        bench.carriers[carrier].fails("try-later")
    troubled(bench)
    bench.pass_by("10 min")
    tried = [(send.address, send.message_id) for send in bench.sends if BACK[:4] in send.subject + send.body]
    assert [address for address, _ in tried[:6]] == [
        "4495", "technical@ward.invalid", "4495", "technical@ward.invalid", "4490", "manager@ward.invalid",
    ]  # fmt: skip
    assert tried[0][1] == tried[2][1], "the same notice by the same way has the same Message-ID"
    assert len({message_id for _, message_id in tried}) == 4
    bench.carriers["mail"].works()
    bench.pass_by("10 min")
    assert [told.carrier for told in bench.told_of_troubles if told.items == ((BACK, "begun"),)] == ["mail"]


def test_a_carrier_that_does_not_send_is_told_by_another() -> None:
    """After failing in a row over some time; told once, by a carrier that works, and when it sends again."""
    bench = failing()
    bench.at("00:06:00")
    [told] = bench.told_of_troubles
    assert (told.person, told.carrier, told.items) == (
        "technical",
        "mail",
        ((f"{CANNOT_SEND} pager", "begun"),),
    )
    failed = sorted({entry["at"] for entry in noted(bench, "notice-try-later")})
    assert told.at == failed[2], "the third failure in a row"
    assert told.subject == "Second Bell, technical: pager does not send since 22:05"
    assert "it said last: (no answer from 10.0.0.9)" in told.text
    assert ALARMS_SOUND in told.text
    bench.carriers["pager"].works()
    bench.at("00:20:00")
    newest = bench.told_of_troubles[-1]
    assert newest.items == ((f"{CANNOT_SEND} pager", "over"),)
    assert newest.person == "technical"
    assert len(bench.told_of_troubles) == 2


def test_a_failure_or_two_are_nobodys_business() -> None:
    """A carrier that works again within seconds is not told, nor three failures at one instant."""
    bench = failing()
    bench.at("00:05:12")
    bench.carriers["pager"].works()
    bench.at("00:08:00")
    assert len([send for send in bench.sends if send.carrier == "pager"]) > 3
    assert not bench.told_of_troubles


def test_a_dead_carrier_is_told_again_only_while_it_goes_on_failing() -> None:
    """Each half hour in which something failed there; nothing is said where nothing was tried."""
    bench = failing()
    bench.at("01:30:00")
    times = [told.at for told in bench.told_of_troubles if told.items == ((f"{CANNOT_SEND} pager", "begun"),)]
    assert len(times) == 3
    assert all(later - earlier >= SORTS[CANNOT_SEND].again for earlier, later in pairwise(times))


def test_when_no_carrier_is_left_the_trail_says_so() -> None:
    """That the only carrier does not send can be told to nobody until it sends again; then it is."""
    site = only("unattended")
    people = {
        name: dataclasses.replace(person, reach=tuple(r for r in person.reach if r.carrier == "mail"))
        for name, person in site.people.items()
    }
    bench = Bench(dataclasses.replace(site, people=people), reporting=0)
    bench.carriers["mail"].fails("try-later")
    ringing(bench)
    bench.at("00:10:00")
    assert not bench.told
    assert [detail["about"] for detail in noted(bench, "trouble-untold")] == ["mail"]
    bench.carriers["mail"].works()
    bench.at("00:30:00")
    assert [told.items[0] for told in bench.told_of_troubles] == [(f"{CANNOT_SEND} mail", "over")]


def test_a_refused_address_is_told_with_whose_it_is() -> None:
    """One person's address that a carrier refuses is told, by duty label, and over when one is taken there."""
    bench = Bench(only("unattended"), reporting=0)
    bench.carriers["pager"].fails("refused", address="4471", text="550 no such pager 4471")
    ringing(bench)
    bench.at("00:06:00")
    [told] = bench.told_of_troubles
    assert told.items == ((f"{REFUSES} pager nurse-1", "begun"),)
    assert "refuses what is sent to night nurse 1" in told.text
    assert "4471" not in told.text, "an address is in no text"
    assert "4471" not in str([entry.text for entry in bench.kept.entries])
    bench.carriers["pager"].works()
    bench.at("00:30:00")
    assert bench.told_of_troubles[-1].items == ((f"{REFUSES} pager nurse-1", "over"),)


def test_a_carrier_that_refuses_everybody_is_told_as_one() -> None:
    """Three people by name, then the carrier: a server with a wrong login brings no flood."""
    bench = Bench(only("unattended"), reporting=0)
    bench.carriers["pager"].fails("refused", text="550 not allowed")
    for number in range(8):
        bench.engine.technical.heard(
            "pager", f"nurse-{number}", "refused", "550", bench.now + number * 10 * SECOND
        )
    keys = sorted(bench.engine.technical.troubles)
    assert keys == [f"{CANNOT_SEND} pager", *(f"{REFUSES} pager nurse-{number}" for number in range(3))]


def test_notices_about_pumps_are_as_ever() -> None:
    """With troubles of every sort at the same instant those about pumps are told at the same times, word for word."""

    def told(trouble: bool) -> list[tuple[int, str, str, str]]:
        bench = Bench(only("unattended"))
        ringing(bench)
        for second in range(290, 330):
            bench.until(START + second * SECOND)
            if trouble:
                for sort in (BACK, TRAIL_DOUBTFUL, QUARANTINE_FULL, CLOCK_STEPPED):
                    troubled(bench, sort)
        bench.at("00:30:00")
        assert bool(bench.told_of_troubles) == trouble
        return [(t.at, t.person, t.message_id, t.text) for t in bench.told]

    assert told(trouble=True) == told(trouble=False)


# ---- the store -------------------------------------------------------------------------------------------------------


def test_a_store_that_refuses_is_told_without_it() -> None:
    """From the third refusal in a row, directly; the outcome is taken without a commit too."""
    bench = Bench(only("unattended"))
    assert not refuse(bench, times=REFUSALS - 1)
    [send] = refuse(bench)
    assert send.body == (
        "Second Bell technical 22:00: cannot store since 22:00: disk full. Pumps' own alarms sound, but NOBODY IS "
        "TOLD meanwhile. Goes on by itself."
    )
    assert send.urgency == "high"
    ended(bench, send)
    assert not refuse(bench, times=50), "told once"
    bench.now += SORTS[CANNOT_STORE].again
    [again] = refuse(bench)
    assert again.message_id != send.message_id, "for as long as it lasts it is told again, from time to time"


def test_a_technical_notice_that_fails_goes_the_next_way_at_once() -> None:
    """The clock may stand still while nothing is stored: each refusal is a turn, through all ways, for ever."""
    bench = Bench(only("unattended"))
    addresses = []
    sends = refuse(bench, times=REFUSALS)
    for _ in range(8):
        [send] = sends
        addresses.append(send.address)
        assert not refuse(bench), "one at a time"
        ended(bench, send, "try-later")
        sends = refuse(bench)
    mail, boss = "technical@ward.invalid", "manager@ward.invalid"
    assert addresses == ["4495", mail, "4495", mail, "4490", boss, "4490", boss]


def test_storing_again_is_told_with_for_how_long_it_was_not() -> None:
    """After a minute without trouble, and everything is in the trail then, though nothing could be stored."""
    bench = Bench(only("unattended"), reporting=0)
    [send] = refuse(bench, times=REFUSALS)
    ended(bench, send)
    assert not noted(bench, "trouble-began"), "it could not be stored"
    bench.now += 7 * MINUTE
    bench.engine.receive(StoreWorks(), bench.now)
    bench.work()
    [began] = noted(bench, "trouble-began")
    assert began["trouble"] == CANNOT_STORE
    assert [detail["lasted"] for detail in noted(bench, "trouble-over")] == [7 * MINUTE]
    assert [detail["what"] for detail in noted(bench, "trouble-sent")] == ["begun"]
    assert not bench.told_of_troubles, "not yet"
    bench.until(bench.now + STEADY)
    [over] = bench.told_of_troubles
    assert over.items == ((CANNOT_STORE, "over"),)
    assert over.text.startswith(
        "Second Bell technical 22:08: storing again since 22:07; not since 22:00: disk full."
    )
    bench.assert_trail_whole()


def test_a_lock_for_a_moment_is_told_to_nobody() -> None:
    """A backup that holds the file for a few seconds is no trouble."""
    bench = Bench(only("unattended"))
    refuse(bench, times=REFUSALS - 1)
    bench.engine.receive(StoreWorks(), bench.now)
    bench.pass_by("1 h")
    assert not bench.told_of_troubles
    assert not refuse(bench, times=REFUSALS - 1), "they count in a row"


def test_a_store_that_is_full_again_within_a_minute_was_never_over() -> None:
    """What flaps is one trouble: told once, and over when it has been over for a minute."""
    bench = Bench(only("unattended"), reporting=0)
    for _ in range(5):
        for send in refuse(bench, times=REFUSALS):
            ended(bench, send)
        bench.now += 20 * SECOND
        bench.engine.receive(StoreWorks(), bench.now)
        bench.now += STEADY // 2
        bench.work()
    assert len(noted(bench, "trouble-sent")) == 1
    bench.pass_by("5 min")
    assert [told.items for told in bench.told_of_troubles] == [((CANNOT_STORE, "over"),)]


def test_a_store_that_is_damaged_is_told_at_once_before_the_end() -> None:
    """There is no third try: the service ends, and says so, also if it had said before that it cannot store."""
    bench = Bench(only("unattended"))
    damaged = StoreRefused(cause="damaged", detail="/state/secondbell.db: the file is damaged", ended=True)
    [send] = refuse(bench, damaged)
    assert send.body.startswith("Second Bell technical 22:00: ended 22:00: store file damaged.")
    bench = Bench(only("unattended"))
    [first] = refuse(bench, times=REFUSALS)
    ended(bench, first)
    [send] = refuse(bench, damaged)
    assert "Tell the nurses." in send.body


# ---- restarts --------------------------------------------------------------------------------------------------------


def test_a_notice_in_flight_at_a_kill_goes_again_with_the_same_message_id() -> None:
    """As any other: stored before it is sent."""
    bench = Bench(only("unattended"))
    bench.holding_sends = True
    troubled(bench)
    [before] = bench.sends
    bench.restart()
    bench.holding_sends = False
    bench.work()
    assert [send.message_id for send in bench.sends] == [before.message_id] * 2
    assert len(bench.told_of_troubles) == 1
    assert len(noted(bench, "trouble-told")) == 1


def test_a_restart_tells_nothing_twice() -> None:
    """That it was told is stored, and until when it is not told again."""
    bench = failing()
    bench.at("00:06:00")
    assert len(bench.told_of_troubles) == 1
    for _ in range(3):
        bench.restart()
        bench.pass_by("1 min")
    assert len([told for told in bench.told_of_troubles if told.items[0][1] == "begun"]) == 1


def test_somebody_who_is_no_longer_listed_is_not_told() -> None:
    """A restart with another site file finds another way for what was in flight."""
    bench = Bench(only("unattended"))
    bench.holding_sends = True
    troubled(bench)
    people = {name: person for name, person in bench.site.people.items() if name != "technical"}
    bench.restart(dataclasses.replace(bench.site, people=people, technical=None))
    bench.holding_sends = False
    bench.work()
    assert [told.person for told in bench.told_of_troubles] == ["manager"]

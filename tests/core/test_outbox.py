"""Notices on their way: gathered, tried again, sent by the next carrier, resumed after a restart."""

from __future__ import annotations

import dataclasses
import hashlib

import pytest

from monitor.core.instants import MINUTE, SECOND
from monitor.testing import START, Bench, Told, alarm, ward
from tests.core.stories import FAULT, RINGING, mended, only, ringing, unattended

ADDRESSES = {"pager": "4471", "mail": "nurse-1@ward.invalid"}


def unreachable(
    bench: Bench, outcome: str = "try-later", carriers: tuple[str, ...] = ("pager", "mail")
) -> None:
    """From now on nurse 1 is not reached by these carriers."""
    for name in carriers:
        bench.carriers[name].fails(outcome, address=ADDRESSES[name])


def before_the_notice() -> Bench:
    """An alarm is unattended, its first notices are being gathered."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.at("00:05:04")
    return bench


def attempts(bench: Bench, carrier: str = "pager") -> list[tuple[int, str]]:
    """When nurse 1 was tried by a carrier, with which Message-ID."""
    return [(send.date, send.message_id) for send in bench.sends if send.address == ADDRESSES[carrier]]


def test_gathering_makes_one_notice_of_five_seconds() -> None:
    """What is put within 5 s of the first goes with it, what comes later goes by itself."""
    bench = Bench(only("unattended"))
    ringing(bench)
    bench.pass_by("4 s")
    ringing(bench, "pump-2")
    bench.pass_by("3 s")
    ringing(bench, "pump-3")
    bench.at("00:05:30")
    assert [len(told.items) for told in bench.notices("nurse-1")] == [2, 1]


def test_high_is_never_gathered() -> None:
    """Two high concerns at one instant are two notices at that instant."""
    bench = Bench(only("unattended"), reporting=0)
    for pump in ("pump-1", "pump-2"):
        bench.snapshot(pump, activity="stopped", alarms=[FAULT])
    bench.at("00:02:10")
    assert [(told.at, len(told.items)) for told in bench.notices("nurse-1")] == [
        (START + 122 * SECOND, 1)
    ] * 2


def test_a_page_has_room_for_three() -> None:
    """A fourth concern gets a page of its own: each one's code is on a page, none is only counted."""
    bench = Bench(only("unattended"), reporting=0)
    for n in range(1, 6):
        bench.snapshot(f"pump-{n}", activity="stopped", alarms=[RINGING])
    bench.at("00:05:10")
    told = bench.notices("nurse-1")
    assert sorted(len(one.items) for one in told) == [2, 3]
    pages = " ".join(one.text for one in told)
    assert all(bench.code("nurse-1", f"pump-{n}") in pages for n in range(1, 6))


def test_a_mail_takes_them_all() -> None:
    """By mail the same five are one notice."""
    bench = Bench(only("unattended"), reporting=0)
    bench.carriers["pager"].fails("refused")
    for n in range(1, 6):
        bench.snapshot(f"pump-{n}", activity="stopped", alarms=[RINGING])
    bench.at("00:05:20")
    assert [len(told.items) for told in bench.notices("nurse-1")] == [5]


def test_who_declined_before_her_notice_left_is_not_called() -> None:
    """A nurse who said no while her notice was being gathered is not told after that; the other is."""
    bench = before_the_notice()
    bench.decline("nurse-2", "pump-1")
    bench.pass_by("1 min")
    assert {told.person for told in bench.told} == {"nurse-1"}


def test_a_concern_is_said_once_in_a_notice() -> None:
    """Raised and handed back within the gather time is one call to the same person, the newest reason."""
    bench = before_the_notice()
    bench.accept("charge", "pump-1")
    bench.hand_back("charge", "pump-1")
    bench.pass_by("20 s")
    assert all(len(told.items) == 1 for told in bench.told)
    assert len({told.notice for told in bench.told}) == len(bench.told)


def test_it_is_tried_again_with_backoff_and_the_same_message_id() -> None:
    """5 s, 15 s, then every 30 s; each attempt with one Message-ID and one Date."""
    bench = before_the_notice()
    unreachable(bench)
    tried: list[int] = []
    bench.at("00:05:08")
    for _ in range(110):
        tried += [bench.now - START] * len([s for s in bench.sends if s.address == "4471"][len(tried) :])
        bench.pass_by("1 s")
    first = 5 * MINUTE + 8 * SECOND
    assert tried == [first, first + 5 * SECOND, first + 20 * SECOND, first + 50 * SECOND, first + 80 * SECOND]
    assert len(set(attempts(bench))) == 1


def test_a_retry_that_succeeds_ends_it() -> None:
    """Reached at the second attempt: told once, and the wait runs from then."""
    bench = before_the_notice()
    for name in ("pager", "mail"):
        bench.carriers[name].fails("try-later")
    bench.at("00:05:10")
    for carrier in bench.carriers.values():
        carrier.works()
    bench.at("00:06:00")
    assert [told.at for told in bench.told if told.person == "nurse-1"] == [START + 5 * MINUTE + 13 * SECOND]
    assert bench.concern("pump-1").wait_at == START + 15 * MINUTE + 13 * SECOND


def test_the_fallback_carrier_takes_over() -> None:
    """Given up by page after two minutes: the same news by mail, with a Message-ID of its own."""
    bench = before_the_notice()
    unreachable(bench, carriers=("pager",))
    bench.at("00:08:00")
    told = bench.assert_told("nurse-1", "raised", by="mail")
    assert told.message_id not in {message_id for _, message_id in attempts(bench)}
    assert "You were told of it" not in told.text  # the page never reached her


def test_a_refusal_goes_to_the_fallback_at_once() -> None:
    """What is refused is not tried again by that carrier."""
    bench = before_the_notice()
    unreachable(bench, "refused", ("pager",))
    bench.at("00:05:14")
    bench.assert_told("nurse-1", by="mail")
    assert len(attempts(bench)) == 1


def test_a_high_notice_is_given_up_sooner() -> None:
    """45 s for each carrier: far below the three minutes of the rung."""
    bench = Bench(only("unattended"), reporting=0)
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT])
    bench.at("00:02:00")
    unreachable(bench, carriers=("pager",))
    bench.at("00:03:10")
    told = bench.assert_told("nurse-1", by="mail")
    assert told.at <= START + 2 * MINUTE + 2 * SECOND + 60 * SECOND


def test_failed_for_good_is_counted_like_a_decline() -> None:
    """Neither nurse can be reached at all: the next rung is told then, not after the wait."""
    bench = before_the_notice()
    for carrier in bench.carriers.values():
        carrier.fails("refused", address={"pager": "4471", "mail": ADDRESSES["mail"]}[carrier.name])
        carrier.fails("refused", address={"pager": "4472", "mail": "nurse-2@ward.invalid"}[carrier.name])
    bench.at("00:05:30")
    assert {told.person for told in bench.told} == {"charge"}
    assert sorted(str(h.person) for h in bench.happened if h.event == "notice-failed") == [
        "nurse-1",
        "nurse-2",
    ]


def test_a_failure_of_an_earlier_call_is_no_refusal_of_this_one() -> None:
    """A page of the first call that fails after she was called anew refuses nothing: her new notice counts."""
    people = {
        name: dataclasses.replace(person, reach=person.reach[:1]) for name, person in ward().people.items()
    }
    bench = Bench(only("unattended", people=people), reporting=0)
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.holding_sends = True
    bench.at("00:05:10")  # the first attempts are out, and stay out
    for person in ("nurse-1", "nurse-2", "charge"):
        bench.decline(person, "pump-1")
    assert bench.concern("pump-1").called == ["nurse-1", "nurse-2", "charge", "manager"]
    unreachable(bench, "refused", ("pager",))
    bench.end_sends()
    assert [h.person for h in bench.happened if h.event == "notice-failed"] == []
    bench.work()
    assert [h.person for h in bench.happened if h.event == "notice-failed"] == ["nurse-1"]
    assert "nurse-1" not in bench.concern("pump-1").refused


def test_the_wait_runs_from_a_notice_of_this_call() -> None:
    """What gets through to the former acceptor does not start the wait of the rung that cannot be reached."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.carriers["pager"].fails("try-later", address="4480")
    bench.at("00:25:30")
    bench.assert_told("nurse-1", "recheck")
    bench.assert_not_told("charge")
    assert not bench.concern("pump-1").waits_from_send
    bench.at("00:27:40")
    sent = bench.assert_told("charge", "recheck", by="mail").at
    assert bench.concern("pump-1").wait_at == sent + 10 * MINUTE


def test_if_nothing_can_be_sent_the_ladder_climbs_all_the_same() -> None:
    """No carrier works at all: the next rung comes due by itself, and so on; it is never silent."""
    bench = before_the_notice()
    for carrier in bench.carriers.values():
        carrier.fails("try-later")
    bench.at("02:00:00")
    called = [h.detail["rung"] for h in bench.happened if h.event == "called"]
    assert called[:3] == [0, 1, 2]
    assert len(called) > 5
    assert bench.concern("pump-1").due() is not None


def test_a_retry_that_is_no_longer_news_is_not_made() -> None:
    """Accepted while a nurse could not be reached: she is not called any more, only told who has it."""
    bench = before_the_notice()
    unreachable(bench, carriers=("pager",))
    bench.at("00:05:20")
    bench.accept("nurse-2", "pump-1")
    bench.carriers["pager"].works()
    bench.at("00:10:00")
    assert [why for told in bench.told if told.person == "nurse-1" for _, why in told.items] == ["taken"]


def test_an_end_that_is_tried_again_is_not_sent_once_it_is_back() -> None:
    """A stand-down stuck at the carrier when the concern relapses is dropped: "over" never comes after "back"."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    unreachable(bench)
    bench.snapshot("pump-1", mains=True)
    bench.at("00:02:10")
    bench.snapshot("pump-1", mains=False)
    bench.at("00:03:20")
    for carrier in bench.carriers.values():
        carrier.works()
    bench.at("00:06:00")
    whys = [why for told in bench.told if told.person == "nurse-1" for _, why in told.items]
    assert whys == ["raised", "relapsed"]


def test_those_off_duty_get_the_stand_down_by_mail_and_nothing_else() -> None:
    """The morning after: the night nurses, gone home, get the end by mail, no page, not who took it."""
    bench = unattended(start=START + 8 * 60 * MINUTE + 52 * MINUTE)
    bench.at("00:08:10")
    bench.accept("day-1", "pump-1")
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices()} == set()
    mended(bench)
    bench.pass_by("2 min")
    ends = {(told.person, told.carrier) for told in bench.notices()}
    assert ends == {("day-1", "pager"), ("nurse-1", "mail"), ("nurse-2", "mail")}


def test_nobody_off_duty_is_paged_with_an_end_that_mail_did_not_bring() -> None:
    """The mail fails: no fallback to the pager of somebody asleep at home."""
    bench = unattended(start=START + 8 * 60 * MINUTE + 52 * MINUTE)
    bench.at("00:08:10")
    bench.carriers["mail"].fails("refused")
    mended(bench)
    bench.pass_by("10 min")
    assert {told.person for told in bench.notices()} == {"day-1"}


def test_a_thread_begins_with_the_first_mail_of_a_concern() -> None:
    """Later mails to the same person about the same concern name the first one's Message-ID."""
    bench = before_the_notice()
    bench.carriers["pager"].fails("refused")
    bench.at("00:05:30")
    first = bench.assert_told("nurse-1", by="mail")
    bench.at("00:25:40")
    later = bench.assert_told("nurse-1", "round-again", by="mail")
    assert (first.thread, later.thread) == (None, first.message_id)


def told_by(bench: Bench) -> list[tuple[int, str, str, str]]:
    """What reached whom, when."""
    return sorted((t.at, t.person, t.carrier, t.text) for t in bench.told)


@pytest.mark.parametrize("stop", ["00:05:04", "00:05:09", "00:05:15", "00:06:30", "00:07:30", "00:14:00"])
def test_a_restart_resumes_every_notice_where_it_was(stop: str) -> None:
    """Killed while gathering, waiting, or past giving up: the same notices at the same instants as without a stop."""
    stories = []
    for restarted in (False, True):
        bench = before_the_notice()
        unreachable(bench, carriers=("pager",))
        bench.at(stop)
        if restarted:
            bench.restart()
        bench.at("00:30:00")
        stories.append((told_by(bench), bench.concern("pump-1").dump()))
    assert stories[0] == stories[1]


def test_an_attempt_in_flight_is_made_again_with_the_same_message_id() -> None:
    """Killed with attempts out: the same notices, texts, Message-IDs and dates once more, and no others."""
    bench = before_the_notice()
    bench.holding_sends = True
    bench.at("00:05:09")
    out = list(bench.sends)
    bench.restart()
    again = bench.sends[len(out) :]
    assert sorted(again, key=lambda s: s.notice) == sorted(out, key=lambda s: s.notice)
    bench.holding_sends = False
    bench.work()
    assert {told.person for told in bench.told} == {"nurse-1", "nurse-2"}
    assert bench.concern("pump-1").waits_from_send


def test_a_notice_to_somebody_who_left_the_site_fails() -> None:
    """Restarted with a site file without nurse 1: her notice fails for good, the other's goes on."""
    bench = before_the_notice()
    site = bench.site
    people = {name: person for name, person in site.people.items() if name != "nurse-1"}
    bench.decline("nurse-2", "pump-1")
    bench.restart(only("unattended", people=people))
    bench.at("00:05:30")
    assert {told.person for told in bench.told} == {"charge"}


def test_an_address_never_gets_into_the_trail() -> None:
    """A server that quotes the address in its refusal does not put it into what cannot be erased."""
    bench = before_the_notice()
    unknown = "550 5.1.1 <Nurse-1@ward.invalid>: nurse-1 unknown here, ask postmaster@ward.invalid"
    bench.carriers["mail"].fails("refused", address=ADDRESSES["mail"], text=unknown)
    bench.carriers["pager"].fails("refused", address="4471", text="550 no such pager 4471")
    bench.at("00:06:00")
    text = b"".join(entry.text for entry in bench.kept.entries).lower()
    assert b"550 no such pager p:" in text
    for known in (b"ward.invalid", b"nurse-1", b"4471"):
        assert known not in text


def test_what_a_notice_says_is_kept_by_its_hash() -> None:
    """The trail holds the SHA-256 of each text that was told, so that it can be shown what was said."""
    bench = unattended()
    told: Told = bench.assert_told("nurse-1")
    digest = hashlib.sha256(f"{told.subject}\n{told.text}".encode()).hexdigest()
    assert digest in [h.detail.get("text_sha256") for h in bench.happened]


def test_a_raised_priority_overtakes_what_is_gathered() -> None:
    """A medium notice being gathered when the concern rises to high: told as high at once, and not once more."""
    bench = before_the_notice()
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")])
    assert [why for told in bench.notices("nurse-1") for _, why in told.items] == ["priority-raised"]
    bench.at("00:07:00")
    bench.assert_not_told("nurse-1")


def test_a_mail_holds_fifty_concerns_and_no_more() -> None:
    """A longer one is read by nobody and takes too long to write: the rest comes in the next, none is left out."""
    people = {
        name: dataclasses.replace(person, reach=(person.reach[1],)) for name, person in ward().people.items()
    }
    rules = ("unattended", "standing-alarm", "muted-too-long", "idle-past-limit")
    units = [f"w{number}" for number in range(120)]  # each its own, so that they are no group
    bench = Bench(only(*rules, people=people, units=tuple(units)), reporting=0)
    for unit in units:
        bench.snapshot(f"pump-{unit}", unit=unit, activity="stopped", alarms=[alarm("downstream-occlusion")])
    bench.at("00:06:00")
    mails = [told for told in bench.told if told.person == "nurse-1"]
    assert sorted(len(mail.items) for mail in mails) == [20, 50, 50]
    assert len({concern for mail in mails for concern, _ in mail.items}) == 120

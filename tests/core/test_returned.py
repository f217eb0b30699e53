"""What comes back of mails: a report of failure makes more people told, nothing that comes back ever makes fewer."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core import returned
from monitor.core.concerns import State
from monitor.core.effects import Returned
from monitor.core.site import Reach, Site
from monitor.testing import Bench, alarm, ward

MAIL = {
    name: Reach("mail", f"{name}@ward.invalid")
    for name in ("nurse-1", "nurse-2", "charge", "manager", "technical")
}


def mailed(**ways: tuple[Reach, ...]) -> Site:
    """The ward, but that its nurses are reached by mail alone, or as `ways` say."""
    site = ward()
    reached = {name: (MAIL[name],) for name in ("nurse-1", "nurse-2")} | ways
    people = {
        name: replace(person, reach=reached.get(name, person.reach)) for name, person in site.people.items()
    }
    return replace(site, people=people)


def mail_first(name: str) -> tuple[Reach, ...]:
    """By mail, then by pager."""
    return (MAIL[name], Reach("pager", f"44{len(name)}{name[-1]}"))


def troubled(site: Site) -> Bench:
    """A pump has rung for 5 minutes and a half, and the first rung was told."""
    bench = Bench(site)
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")])
    bench.at("00:05:30")
    return bench


def events(bench: Bench, *names: str) -> list[dict[str, Any]]:
    """What the journal says of these."""
    return [
        {"event": one.event, "person": one.person, "concern": one.concern, **one.detail}
        for one in bench.happened
        if one.event in names
    ]


def test_a_mail_that_comes_back_is_told_by_the_next_carrier() -> None:
    """Who could not be reached by mail is paged at once, as where a server refuses."""
    bench = troubled(mailed(**{"nurse-1": mail_first("nurse-1")}))
    mail = bench.assert_told("nurse-1", by="mail")
    bench.pass_by("20 s")
    assert bench.comes_back(mail.notice) == "recorded: failed; the person is told by the next carrier"
    bench.pass_by("10 s")
    page = bench.assert_told("nurse-1", "raised", by="pager")
    assert page.items == mail.items
    [noted] = events(bench, "notice-returned")
    assert (noted["person"], noted["action"], noted["status"], noted["notice"]) == (
        "nurse-1", "failed", "5.1.1", mail.notice,
    )  # fmt: skip
    bench.assert_not_told("charge")
    bench.assert_trail_whole()


def test_without_another_way_the_next_rung_is_told() -> None:
    """A mail that was the only way has failed for good: when all of the rung have, the ladder goes on at once."""
    bench = troubled(mailed())
    first, second = (bench.assert_told(name, "raised", by="mail") for name in ("nurse-1", "nurse-2"))
    bench.pass_by("20 s")
    assert bench.comes_back(first.notice).startswith("recorded: failed for good")
    bench.pass_by("10 s")
    bench.assert_not_told("charge")
    bench.comes_back(second.notice)
    bench.pass_by("10 s")
    bench.assert_told("charge", "next-rung")
    assert [one["person"] for one in events(bench, "notice-failed")] == ["nurse-1", "nurse-2"]


def test_whoever_mends_it_hears_of_a_dead_mailbox() -> None:
    """An address that does not take mail is a technical trouble, told by name of duty and without the address."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    bench.comes_back(mail.notice)
    bench.pass_by("1 min")
    [told] = bench.told_of_troubles
    assert told.person == "technical"
    assert "night nurse 1" in told.text + told.subject or "refuses" in told.text
    assert "nurse-1@ward.invalid" not in told.text


def test_a_holder_whose_mail_comes_back_no_longer_has_it_alone() -> None:
    """A further trouble that did not reach who has the pump is told to others."""
    bench = troubled(mailed())
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("1 min")
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.pass_by("20 s")
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")])
    bench.pass_by("6 min")
    further = bench.assert_told("nurse-1", "further")
    bench.assert_not_told("nurse-2")
    bench.comes_back(further.notice)
    bench.pass_by("30 s")
    assert bench.engine.responsibility.concerns[further.items[0][0]].state is State.OPEN
    assert bench.notices("nurse-2") or bench.notices("charge")


@pytest.mark.parametrize("what", ["delayed", "delivered", "relayed", "expanded", "nonsense"])
def test_what_has_not_failed_changes_nothing(what: str) -> None:
    """A report of delay, or of anything but failure, stands in the trail; a mail that is late is no failed one."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    said = bench.comes_back(mail.notice, what, "4.4.1")
    bench.pass_by("1 min")
    assert said == f"recorded: {what if what != 'nonsense' else 'unclear'}"
    assert not bench.told_of_troubles
    assert [one["action"] for one in events(bench, "notice-returned")] == [said.removeprefix("recorded: ")]
    bench.assert_nobody_told()


@pytest.mark.parametrize(("what", "event"), [("automatic", "automatic-reply"), ("reply", "reply-not-read")])
def test_a_reply_is_never_an_acceptance(what: str, event: str) -> None:
    """Neither an automatic reply nor a person's accepts (RFC 3834): it is recorded, and the ladder goes on."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    assert bench.comes_back(mail.notice, what, "") == "recorded; nobody accepts by replying to a mail"
    assert bench.comes_back("", what, "") == "recorded; nobody accepts by replying to a mail"
    assert [(one["person"], one["concern"]) for one in events(bench, event)] == [
        ("nurse-1", bench.concern("pump-1").id), (None, None),
    ]  # fmt: skip
    bench.assert_open("pump-1")
    bench.pass_by("10 min")
    bench.assert_told("charge", "next-rung")


@pytest.mark.parametrize("notice", ["", "0" * 20, "../../etc", "x" * 80])
def test_an_unknown_id_is_recorded_and_nothing_else(notice: str) -> None:
    """What is about no mail of ours does nothing, and the trail does not repeat its words."""
    bench = troubled(mailed())
    assert "nothing else was done" in bench.comes_back(notice)
    bench.pass_by("1 min")
    bench.assert_nobody_told()
    assert events(bench, "return-unknown") == [
        {"event": "return-unknown", "person": None, "concern": None, "what": "failed"}
    ]


def test_a_flood_of_forged_reports_does_not_fill_the_trail() -> None:
    """So many an hour stand in the trail; the rest is counted in the first of the next hour."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    for _ in range(200):
        bench.comes_back("0" * 20)
        bench.comes_back(mail.notice)
    assert len(events(bench, "return-unknown")) == 60
    assert len(events(bench, "notice-returned")) == 10
    assert len(events(bench, "notice-failed")) == 1


def test_a_status_that_is_none_is_left_out() -> None:
    """Nothing that a stranger wrote gets into the trail but a code of RFC 3463."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    bench.comes_back(mail.notice, "failed", "mr-smith@home.example")
    [noted] = events(bench, "notice-returned")
    assert "status" not in noted
    assert all(b"mr-smith" not in entry.text for entry in bench.kept.entries)


def test_a_report_that_comes_when_all_is_over_does_nothing_more() -> None:
    """Of a settled concern nobody is told again because a mail did not arrive."""
    bench = troubled(mailed())
    mail = bench.assert_told("nurse-1")
    bench.accept("nurse-2", "pump-1")
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.pass_by("5 min")
    bench.assert_settled("pump-1")
    told = len(bench.told)
    assert bench.comes_back(mail.notice) == "recorded: failed; what the mail told of is over"
    bench.pass_by("1 min")
    assert len(bench.told) == told


def test_a_restart_forgets_no_mail() -> None:
    """A report that comes after a kill and a start has its consequence, and only once, whenever it comes again."""
    bench = troubled(mailed(**{"nurse-1": mail_first("nurse-1")}))
    mail = bench.assert_told("nurse-1", by="mail")
    bench.restart()
    bench.comes_back(mail.notice)
    bench.restart()
    assert bench.comes_back(mail.notice) == "recorded: failed"
    bench.pass_by("10 s")
    assert len([told for told in bench.told if (told.person, told.carrier) == ("nurse-1", "pager")]) == 1
    assert all("body" not in text or '"body":""' in text for text in bench.kept.rows["sent-mail"].values())


def test_the_newest_mails_are_remembered_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """The memory is bounded, in the engine and in the store: the oldest goes."""
    monkeypatch.setattr(returned, "MOST", 3)
    bench = troubled(mailed())
    bench.pass_by("2 h")
    assert len(bench.engine.returns.sent) == 3
    assert bench.kept.rows["sent-mail"].keys() == bench.engine.returns.sent.keys()
    newest = sorted((told.at, told.notice) for told in bench.told if told.carrier == "mail")[-3:]
    assert list(bench.engine.returns.sent) == [notice for _, notice in newest]


def test_a_page_cannot_come_back() -> None:
    """Only a mail does: a report that names a page is of nothing known."""
    bench = troubled(ward())
    page = bench.assert_told("nurse-1", by="pager")
    assert "nothing else was done" in bench.comes_back(page.notice)


def test_a_technical_mail_that_comes_back_is_told_to_somebody_else() -> None:
    """That nobody reads the technical contact's mailbox reaches the last resort."""
    site = mailed(technical=(MAIL["technical"],))
    bench = troubled(site)
    bench.comes_back(bench.assert_told("nurse-1").notice)
    bench.pass_by("1 min")
    [told] = bench.told_of_troubles
    assert (told.person, told.carrier) == ("technical", "mail")
    bench.comes_back(told.notice)
    bench.pass_by("20 min")
    assert "manager" in {one.person for one in bench.told_of_troubles}


def test_an_event_of_a_recording_is_what_it_was() -> None:
    """It is recorded by name and replayed from its JSON."""
    event = Returned(token="t", notice="n", what="failed", status="5.1.1")
    from monitor.recorded import EVENTS, NAMES

    said = {"token": "t", "notice": "n", "what": "failed", "status": "5.1.1"}
    assert EVENTS[NAMES[Returned]](**json.loads(json.dumps(said))) == event


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.sampled_from(["failed", "delayed", "automatic", "reply"])),
        max_size=6,
    )
)
def test_nothing_forged_makes_anybody_be_told_less(forged: list[tuple[int, str]]) -> None:
    """Whatever comes back, nobody who would have been told goes without, and nobody is told later."""
    plain, with_forged = (troubled(mailed(charge=mail_first("charge"))) for _ in range(2))
    for number, what in forged:
        mails = [told.notice for told in with_forged.told if told.carrier == "mail"]
        with_forged.comes_back(mails[number % len(mails)], what)
        with_forged.pass_by("1 min")
    for bench in (plain, with_forged):
        bench.at("00:35:30")
    assert {told.person for told in plain.told} <= {told.person for told in with_forged.told}
    first = [min(told.at for told in bench.told if told.person == "charge") for bench in (plain, with_forged)]
    assert first[1] <= first[0]
    with_forged.assert_open("pump-1")

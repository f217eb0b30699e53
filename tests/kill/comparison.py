"""Two nights compared: one whose service was never stopped, and one whose service was killed and started again."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection
from typing import Any

from monitor.adapters.store_reader import StoreReader
from tests.kill.play import Play

RESTARTS = frozenset({"started", "stopped", "configuration-changed", "link-up", "link-down", "caught-up"})
BY_MESSAGE_TIME = frozenset({"raised", "relapsed", "priority-raised", "settled", "joined"})
"""What rules bring about: they run on message time, so a kill moves none of it by a millisecond."""
NOT_COMPARED = frozenset({"now", "noted", "notice", "concerns", "text_sha256", "evidence"})
"""Details that name an instant or a notice (its id holds an instant)."""
GIVEN_AGAIN = frozenset(
    {"messages", "duplicate", "late", "plans unchanged", "presences unchanged", "answers repeated"}
)
"""Counts that grow with what was stored, and not yet acknowledged at a kill."""
REACH = {"nurse-1": ("4101", None), "charge": (None, "4100"), "manager": ("4000",)}  # pagers, None by mail


def concerns(play: Play) -> dict[str, list[tuple[Any, ...]]]:
    """What became of each concern: rule, device, priority and instant of each beginning, rise and end."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for entry in play.ward.trail():
        if entry["event"] in BY_MESSAGE_TIME:
            what = (entry["event"], entry["at"], entry["rule"], entry["device"], entry["priority"])
            found.setdefault(entry["concern"], []).append(what)
    return found


def told(play: Play) -> Counter[tuple[str, str, str]]:
    """How often whom about which concern for what reason."""
    return Counter(
        (entry["concern"], entry["person"], entry["detail"]["why"]) for entry in play.ward.happened("told")
    )


def arrivals(play: Play) -> Counter[str]:
    """How often each notice arrived, by its mail's Message-ID or its page's pager and text."""
    mails = [f"{m.message['Message-ID']}".strip() for m in play.ward.smtp.mails]
    return Counter(mails + [f"{page.pager} {page.text}" for page in play.ward.snpp.pages])


def notices(play: Play) -> dict[str, dict[str, Any]]:
    """All notices of the night, as they are stored."""
    with StoreReader(play.ward.state_dir) as reader:
        return {key: json.loads(text)[1] for key, text in reader.rows("notice").items()}


def sent(play: Play, only: Collection[str] | None = None) -> Counter[str]:
    """How often each notice should have arrived, by the same names: once for each that the store calls sent."""
    found: Counter[str] = Counter()
    for key, notice in notices(play).items():
        assert notice["state"] in ("sent", "dropped"), notice
        pager = REACH.get(notice["person"], (None,))[notice["way"]]
        name = notice["message_id"] if pager is None else f"{pager} {notice['body']}"
        found[name] += notice["state"] == "sent" and (only is None or key in only)
    return +found


def said(play: Play) -> Counter[tuple[str, int, str]]:
    """What notices said: how often to whom by which carrier what about which concerns."""
    return Counter(
        (notice["person"], notice["way"], json.dumps(sorted(notice["items"])))
        for notice in notices(play).values()
        if notice["state"] == "sent"
    )


def asked_again(entry: dict[str, Any]) -> bool:
    """Whether somebody says again what was stored but not answered: accepts her own, hands back what is not hers."""
    event: str = entry["event"]
    before = entry.get("detail", {}).get("state")
    return event == "accepted-again" or (event == "handed-back" and before == "open")


def entries(play: Play) -> dict[str, list[int]]:
    """What the trail tells, but for the restarts: the instants of each entry, by all that it says besides."""
    found: dict[str, list[int]] = {}
    for entry in play.ward.trail():
        if entry["event"] in RESTARTS or asked_again(entry):
            continue
        detail = {key: value for key, value in entry.get("detail", {}).items() if key not in NOT_COMPARED}
        what = {key: value for key, value in entry.items() if key not in ("n", "at", "detail")} | detail
        found.setdefault(json.dumps(what, sort_keys=True), []).append(entry["at"])
    return found


def catching_up(play: Play) -> int:
    """How long in all, ms, nobody was told anything new because a backlog was being read."""
    return sum(entry["detail"]["took"] for entry in play.ward.happened("caught-up"))


def rows(play: Play, kind: str) -> dict[str, Any]:
    """The stored state of one kind at the end of the night."""
    with StoreReader(play.ward.state_dir) as reader:
        return {key: json.loads(text) for key, text in reader.rows(kind).items()}


def pictures(play: Play) -> dict[str, Any]:
    """What is believed and remembered of each device, but for which return of sight it has counted from."""
    found = rows(play, "device")
    for _, _, subject in found.values():
        subject.pop("marked", None)
    return found


def counted(play: Play) -> dict[str, int]:
    """How many messages were taken, by what became of them, but for those that were given to it again."""
    counters = rows(play, "engine")["engine"]["counters"]
    return {name: number for name, number in counters.items() if name not in GIVEN_AGAIN}


def assert_ended_alike(undisturbed: Play, killed: Play) -> None:
    """Two nights ended alike: nothing lost, nothing twice but what was in flight at a kill."""
    assert concerns(killed) == concerns(undisturbed), "other concerns"
    assert told(killed) == told(undisturbed), "other people told"
    assert_same_trail(undisturbed, killed)
    assert_same_notices(undisturbed, killed)
    assert counted(killed) == counted(undisturbed), "messages lost"
    assert pictures(killed) == pictures(undisturbed), "other pictures or rule memories"
    with StoreReader(killed.ward.state_dir) as reader:
        assert reader.verify() is None
        leaves = [entry.leaf for entry in reader.entries()]
    for kill in killed.killed:
        assert leaves[: len(kill.leaves)] == kill.leaves, f"an entry was lost at {kill.place}"


def assert_same_trail(undisturbed: Play, killed: Play) -> None:
    """The same trail but for the restarts and for who asked again; what is told waits while a backlog is read."""
    once, again = entries(undisturbed), entries(killed)
    assert again.keys() == once.keys(), "other entries in the trail"
    late = catching_up(killed)
    for what, instants in once.items():
        assert len(again[what]) == len(instants), f"an entry missing or twice: {what}"
        for before, after in zip(instants, again[what], strict=True):
            assert 0 <= after - before <= late, f"{after - before} ms later than undisturbed: {what}"
    assert not any(asked_again(entry) for entry in undisturbed.ward.trail())
    assert sum(asked_again(entry) for entry in killed.ward.trail()) <= killed.asked_again


def assert_same_notices(undisturbed: Play, killed: Play) -> None:
    """No notice missing, and none arrived twice but an attempt in flight at a kill, with the same Message-ID."""
    assert said(killed) == said(undisturbed), "a notice missing, or one too many"
    once, arrived = sent(killed), arrivals(killed)
    assert not once - arrived, "a notice that counts as sent never arrived"
    again: Counter[str] = Counter()
    for kill in killed.killed:
        again += sent(killed, kill.in_flight)
    assert arrived - once <= again, "a notice arrived twice that was not in flight at a kill"
    ids = {key: notice["message_id"] for key, notice in notices(killed).items()}
    for kill in killed.killed:
        named = {key: ids.get(key) for key in kill.in_flight}
        assert named == kill.in_flight, "sent again under another Message-ID"

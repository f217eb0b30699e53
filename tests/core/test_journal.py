"""What happened, as entries of the trail: by opaque keys, whole, and in order."""

from __future__ import annotations

import dataclasses
import json

import pytest

from monitor.core.instants import MINUTE
from monitor.core.journal import Journal
from monitor.core.trail import check
from monitor.testing import START, Bench, Kept, alarm
from tests.core.stories import FAULT, RINGING, mended, only, unattended


def busy_night() -> Bench:
    """A night in which nearly everything that can be noted is."""
    site = only("unattended", "low-power-unplugged", "repeated-occlusion", "sight-lost", "out-of-sight")
    bench = Bench(site)
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING], mains=False, battery_percent=15)
    bench.snapshot("pump-77", unit="attic", activity="stopped", alarms=[FAULT])
    bench.at("00:05:20")
    bench.carriers["mail"].fails("refused", text="550 <nurse-1@ward.invalid> who?")
    bench.accept("nurse-1", "pump-1")
    bench.accept("nurse-9", "pump-1")
    bench.take_over("nurse-2", "pump-1")
    bench.hand_back("nurse-2", "pump-1")
    bench.button("pump-1", "charge", "accept")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion", "high")], battery_percent=3)
    bench.message("secondbell/v1/larkfield/elm/pump-1/state", b'{"subject": "pump-2"}')
    bench.message("secondbell/v1/larkfield/elm/pump-1/state", b"not json")
    bench.plan("pump-1", windows=[{"from": "21:00", "to": "06:00"}], target_ml=1000)
    bench.button("pump-1", "nurse-1", "feed-ended")
    bench.at("00:08:00")
    bench.bridge(online=True)
    bench.bridge(online=False)
    bench.at("00:20:00")
    bench.link_down()
    bench.at("00:25:00")
    bench.link_up()
    bench.bridge(online=True)
    mended(bench)
    bench.marker_back()
    for offset in (
        "08:30:00",
        "08:55:00",
    ):  # the first is rechecked, the second runs into the end of her duty
        bench.at(offset)
        bench.accept("nurse-1", "pump-77", "unattended")
    bench.at("09:30:00")
    bench.withdraw("manager", "pump-77", "in the workshop")
    bench.restart(only("sight-lost"))
    bench.pass_by("5 min")
    return bench


@pytest.fixture(scope="module")
def night() -> Bench:
    """That night."""
    return busy_night()


def test_the_trail_is_whole(night: Bench) -> None:
    """Entries, leaves and frontier agree, over restarts too."""
    night.assert_trail_whole()
    assert [entry.n for entry in night.kept.entries] == list(range(len(night.kept.entries)))


def test_an_edit_is_found(night: Bench) -> None:
    """One byte of one entry changed is found as edited, one entry left out as a gap."""
    entries, head = night.kept.entries, night.kept.head()
    edited = list(entries)
    edited[7] = dataclasses.replace(entries[7], text=entries[7].text.replace(b"2", b"3", 1))
    finding = check(edited, head)
    assert finding is not None
    assert (finding.n, finding.wrong) == (7, "edited")
    finding = check(entries[:7] + entries[8:], head)
    assert finding is not None
    assert (finding.n, finding.wrong) == (7, "gap")


def test_no_name_is_in_any_entry(night: Bench) -> None:
    """No person's id, label or address, no device's id and no place: only opaque keys."""
    text = b"\n".join(entry.text for entry in night.kept.entries).decode()
    known = [f"pump-{n}" for n in (1, 2, 77)] + [
        "bay 3",
        "B3/",
        "unit:elm",
        "unit:attic",
        "44",
        "ward.invalid",
    ]
    for person in night.site.people.values():
        known += [person.id, person.called]
    told = [json.loads(line) for line in text.splitlines()]
    words = " ".join(_texts(entry) for entry in told)
    for name in known:
        assert name not in words, name


def _texts(value: object) -> str:
    """Every text within an entry, without hashes and ids that may hold any digits."""
    if isinstance(value, dict):
        kept = {
            k: v
            for k, v in value.items()
            if k not in ("text_sha256", "notice", "concern", "concerns", "with_concern")
        }
        return " ".join(_texts(v) for k, v in kept.items() if k not in ("device", "person", "people"))
    if isinstance(value, list):
        return " ".join(map(_texts, value))
    return value if isinstance(value, str) else ""


def test_keys_are_opaque_and_named_in_the_erasable_table(night: Bench) -> None:
    """Each key in an entry has its row of names; without the site's key none can be told from its name."""
    keys: set[str] = set()
    for entry in night.kept.entries:
        told = json.loads(entry.text)
        keys |= {told[kind] for kind in ("device", "person") if kind in told}
        keys |= set(told.get("detail", {}).get("people", ()))
    assert keys <= night.kept.names.keys()
    assert {("person", "nurse-1"), ("device", "pump-77")} <= set(night.kept.names.values())
    other = only("unattended", key=b"another key")
    assert other.opaque("person", "nurse-1") not in keys


def test_every_kind_of_happening_was_noted(night: Bench) -> None:
    """The night above noted each decision, notice, attempt and answer by its own word."""
    events = {entry.event for entry in night.kept.entries}
    assert events >= {
        "raised", "called", "told", "notice-sent", "notice-refused", "notice-failed", "accepted", "taken-over",
        "handed-back", "answer-refused", "priority-raised", "settled", "withdrawn", "quarantined", "device-not-listed",
        "plan-changed", "feed-ended", "bridge-presence", "link-down", "link-up", "caught-up", "rechecked", "duty-ended",
    }  # fmt: skip


def test_an_ordinary_snapshot_writes_no_entry() -> None:
    """An hour of feeding is no evidence: nothing is noted; a concern's entry holds what made it hold."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="feeding", mains=True, battery_percent=90)
    bench.at("01:00:00")
    assert bench.kept.entries == []
    bench = unattended()
    raised = next(json.loads(e.text) for e in bench.kept.entries if e.event == "raised")
    evidence = raised["detail"]["evidence"]
    assert evidence["message"] == "m-000007"
    assert evidence["alarms"] == [["downstream-occlusion", "feed", "medium", "enabled", START + 1000]]
    assert evidence["thresholds"]["patience"] == [5 * MINUTE, "ms"]
    assert (raised["at"], raised["detail"]["noted"]) == (START + 1000 + 5 * MINUTE, START + 3000 + 5 * MINUTE)


def test_without_a_trail_it_still_tells_what_happens() -> None:
    """As in a replay: happenings, and nothing to store."""
    bench = Bench(only("unattended"), trail=False)
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.at("00:06:00")
    assert "raised" in [h.event for h in bench.happened]
    assert bench.kept.entries == []


def test_numbering_goes_on_where_the_store_ended() -> None:
    """A journal that begins from a store continues its numbers and its tree."""
    site = only("unattended")
    first, kept = Journal(site), Kept()
    for n in range(5):
        first.note("thing", now=n)
    entries, frontier, _ = first.take_entries()
    kept.entries, kept.frontier = entries, frontier
    second = Journal(site, size=5, frontier=kept.head())
    second.note("more", now=9, device="pump-1")
    entries, kept.frontier, names = second.take_entries()
    assert check(kept.entries + entries, kept.head()) is None
    assert list(names.values()) == [("device", "pump-1")]
    assert second.take_entries() == ([], None, {})

"""What the store calls sent against what arrived at the servers, and the account of a night in one table."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections import Counter
from typing import Any

from monitor.adapters.snpp import air_lines
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE, SECOND
from tests.soak.faults import Faults
from tests.soak.gauges import HOUR, lives, long_lives, slope
from tests.soak.play import Play

IN_DOUBT = ("may have arrived", "may have gone out")  # how the service says so of an attempt without a reply


def stored_notices(play: Play) -> dict[str, dict[str, Any]]:
    """All notices of the night."""
    with StoreReader(play.ward.state_dir) as reader:
        return {key: json.loads(text)[1] for key, text in reader.rows("notice").items()}


def arrivals(play: Play) -> Counter[str]:
    """How often each notice arrived: a mail by its Message-ID, a page by its pager and text."""
    mails = [str(mail.message["Message-ID"]).strip() for mail in play.ward.smtp.mails]
    return Counter(mails + [f"{page.pager} {page.text}" for page in play.ward.snpp.pages])


def quarantine_wrong(play: Play) -> list[str]:
    """What cannot be read and is not in quarantine, and what is in quarantine and was never published; SHA-256."""
    with contextlib.closing(sqlite3.connect(play.ward.state_dir / FILE_NAME)) as store:
        kept = {sha256 for (sha256,) in store.execute("SELECT sha256 FROM quarantine")}
    return sorted(kept ^ play.traffic.malformed)


def notices_wrong(play: Play) -> list[str]:
    """Notices that are sent and did not arrive, or arrived more often than the service can know of; in words.

    What is told of Second Bell itself is no notice of the outbox: the trail alone says that it was sent, and not what a
    page said. So such a page is one to that pager that no notice has.
    """
    doubted, in_flight = _doubted(play), play.in_flight
    sent, twice = Counter[str](), Counter[str]()
    for key, notice in stored_notices(play).items():
        name = _name(play, notice)
        sent[name] += notice["state"] == "sent"
        twice[name] += doubted[key] + in_flight[key]
    technical: dict[
        str, Counter[str]
    ] = {}  # by pager: how many pages were sent, and how many may have come twice
    for entry in play.ward.trail():
        detail, person = entry.get("detail", {}), entry.get("person", "")
        if entry["event"] not in ("trouble-told", "trouble-sent"):
            continue
        pager, again = _pager(play, person), 0
        if entry["event"] == "trouble-told":
            again = doubted[detail["notice"]] + in_flight[detail["notice"]]
        if detail["carrier"] == "mail":
            name = f"<{detail['notice']}@{play.world.scenario.site}.secondbell.invalid>"
            sent[name] += entry["event"] == "trouble-sent"
            twice[name] += again
        else:
            of = technical.setdefault(pager, Counter())
            of["sent"] += entry["event"] == "trouble-sent"
            of["twice"] += again
    came = arrivals(play)
    wrong = [f"sent and never arrived: {name}" for name in sent - came]
    for pager, of in technical.items():
        extra = {name: count for name, count in (came - sent).items() if name.startswith(f"{pager} ")}
        spare = of["twice"] + sum(twice[name] for name in extra)
        if not of["sent"] <= sum(extra.values()) <= of["sent"] + spare:
            wrong.append(f"technical pages to {pager}: {of['sent']} sent, {sum(extra.values())} arrived")
    too_often = came - sent - twice
    return wrong + [f"arrived too often: {name}" for name in too_often if name.split()[0] not in technical]


def _doubted(play: Play) -> Counter[str]:
    """How many attempts of each notice ended without a reply, so that it may have arrived all the same."""
    return Counter(
        entry["detail"]["notice"]
        for entry in play.ward.trail()
        if entry["event"] in ("notice-try-later", "trouble-try-later")
        and any(words in entry["detail"]["answer"] for words in IN_DOUBT)
    )


def _name(play: Play, notice: dict[str, Any]) -> str:
    if play.people.ways[notice["person"]][notice["way"]] == "mail":
        return str(notice["message_id"])
    return f"{_pager(play, notice['person'])} " + "\n".join(air_lines(notice["body"]))


def _pager(play: Play, person: str) -> str:
    return next(pager for pager, owner in play.people.pagers.items() if owner == person)


def report(play: Play, faults: Faults, reconciled: str) -> str:
    """The account of the night."""
    took = time.monotonic() - play.began
    virtual = (play.now - play.world.start_ms) / SECOND
    notices = Counter(notice["state"] for notice in stored_notices(play).values())
    events = Counter(entry["event"] for entry in play.ward.trail())
    total = sum(play.traffic.published.values())
    done = faults.done + Counter(one.what.replace("-", " ") for one in play.world.scenario.happenings)
    cpu = sum(life[-1].cpu for life in lives(play.samples))
    lines = [
        f"{len(play.world.beds):,} pumps, {virtual / 3600:.2f} h of virtual time in {took:.0f} s: "
        f"{virtual / took:.0f}x; {play.steps:,} instants, {total:,} messages ({total / took:,.0f}/s)",
        f"processor time: service {cpu:.0f} s ({virtual / cpu:.0f}x on a core of its own), "
        f"pumps, bridges, servers and staff {time.process_time():.0f} s",
        "",
        *play.ledger.table(play.counters),
        "",
        "faults: " + ", ".join(f"{kind} {count}" for kind, count in sorted(done.items())),
        "servers, each until an attempt failed: "
        + ", ".join(f"{kind} {count}" for kind, count in sorted(play.servers.felt.items())),
        f"answers: {play.answers['by command']} by command, {play.answers['by message']} by message",
        f"concerns raised {events['raised']}, relapsed {events['relapsed']}, settled {events['settled']}; "
        f"entries of the trail {sum(events.values()):,}",
        f"notices: {', '.join(f'{state} {count}' for state, count in sorted(notices.items()))}; "
        f"mails arrived {len(play.ward.smtp.mails)}, pages {len(play.ward.snpp.pages)}",
        "",
        f"{'life':>4} {'virtual time':>14} {'KiB/h':>8} {'descriptors':>12} {'to the mail':>11} {'threads':>8} "
        f"{'tasks':>8}   resident MiB, by the hour",
    ]
    judged = {life[0].pid: slope(life) for life in long_lives(play.samples)}
    for number, life in enumerate(lives(play.samples), start=1):
        by_hour: dict[int, list[int]] = {}
        for sample in life:
            by_hour.setdefault((sample.at - play.world.start_ms) // HOUR, []).append(sample.rss)
        grown = f"{judged[life[0].pid]:,.0f}" if life[0].pid in judged else "-"
        span = f"{(life[0].at - play.world.start_ms) // MINUTE}-{(life[-1].at - play.world.start_ms) // MINUTE} min"
        ranges = [
            f"{min(values)}-{max(values)}"
            for values in (
                [sample.descriptors for sample in life],
                [sample.mail_lines for sample in life],
                [sample.threads for sample in life],
                [sample.tasks for sample in life],
            )
        ]
        resident = " ".join(
            f"{hour}:{sum(values) / len(values) / 1024:.1f}" for hour, values in by_hour.items()
        )
        lines.append(
            f"{number:>4} {span:>14} {grown:>8} {ranges[0]:>12} {ranges[1]:>11} "
            f"{ranges[2]:>8} {ranges[3]:>8}   {resident}"
        )
    return "\n".join([*lines, "", reconciled.rstrip()])

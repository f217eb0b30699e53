"""The handover by calendar: mailed once to each, tried again, given up by name, kept, and never twice."""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from monitor.adapters.carriers import Attachment, Attempt, Carrier, Outcome, Parcel
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.zones import zone_table
from monitor.core.engine import Engine
from monitor.core.instants import DAY, HOUR, MINUTE, parse
from monitor.handover_mail import KEPT, MAILED, NOT_MAILED, HandoverMail, Page, keep, schedule
from monitor.reports.spans import last_ended
from monitor.settings import load
from monitor.testing.recorders import RecordingCarrier
from simulators.smtp_sink import SmtpSink
from tests.ward_site import site_text

TEN = parse("2026-03-14T22:00:00Z")
EIGHT = parse("2026-03-15T08:00:00Z")  # the night's end in London
WANTED = '[handover]\nto = ["charge"]\nshifts = ["night"]\n'


class Host:
    """A real engine on a real store, stepped by hand: what is needed of a service."""

    def __init__(self, folder: Path, smtp: int = 9, more: str = WANTED) -> None:
        file = folder / "site.toml"
        text = site_text(BrokerAddress("127.0.0.1", 1), smtp=smtp, snpp=3)
        file.write_text(text + more)
        self.settings = load(file, key=b"").with_key(bytes(range(32)))
        self.settings.state_dir.mkdir(mode=0o700)
        self.store = SqliteStore.open(self.settings.state_dir, site=self.settings.site.name)
        self.engine = Engine(self.settings.site, now=TEN, link=True)
        self.at = TEN
        self.note("started")
        self.note("link-up")

    def now(self) -> int:
        """Where time stands."""
        return self.at

    def note(self, event: str, **detail: object) -> None:
        """Into the trail, and stored."""
        self.engine.now = max(self.engine.now, self.at)
        self.engine.note(event, **detail)
        self.store.commit(self.engine.take_changes())
        self.engine.take_effects()

    def mail(self, *, pager: Carrier | None = None, mail: Carrier | None = None) -> HandoverMail:
        """One that has just been started."""
        carriers = {name: one.carrier() for name, one in self.settings.carriers.items()}
        return HandoverMail(
            self.settings, {"mail": mail or carriers["mail"], "pager": pager or carriers["pager"]}
        )

    def noted(self) -> list[tuple[str, dict[str, object]]]:
        """What the trail says of handovers."""
        with StoreReader(self.settings.state_dir) as reader:
            found = [json.loads(entry.text) for entry in reader.entries(events=(MAILED, NOT_MAILED))]
        return [(entry["event"], entry["detail"]) for entry in found]


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Host]:
    """One whose mail server is not there."""
    made = Host(tmp_path)
    yield made
    made.store.close()


def attached(message: EmailMessage) -> tuple[EmailMessage, bytes]:
    """The one attachment of a mail, and its bytes."""
    [part] = message.iter_attachments()
    assert isinstance(part, EmailMessage)
    data = part.get_payload(decode=True)
    assert isinstance(data, bytes)
    return part, data


async def test_a_minute_after_the_shift_it_is_mailed_once(tmp_path: Path) -> None:
    """With the three answers as text and the page attached, by real SMTP; the trail has its SHA-256 and no name."""
    async with SmtpSink() as smtp:
        host = Host(tmp_path, smtp.port)
        mail = host.mail()
        for minutes in (-1, 0, 1, 2, 3, 70):
            host.at = EIGHT + minutes * MINUTE
            await mail.look(host)
            assert len(smtp.mails) == (minutes > 0), minutes
        await host.mail().look(host)
        assert len(smtp.mails) == 1, "begun again, it looks into the trail"
        [sent] = smtp.mails
        message = sent.message
        body = message.get_body(("plain",))
        assert body is not None
        text = body.get_content()
        assert sent.recipients == ("charge@larkfield.invalid",)
        assert message["Subject"] == "Handover Elm ward, Sat 14 Mar, night 20:00 to 08:00: nothing is open"
        assert all(
            asked in text for asked in ("What is open, and whose: nothing is open", "What keeps coming back:")
        )
        assert "Do not rely on Second Bell in place of the pump's own alarm" in text
        part, page = attached(message)
        name = "elm.2026-03-14.night.html"
        assert (part.get_content_type(), part.get_filename()) == ("text/html", f"handover-{name}")
        file = host.settings.state_dir / "handovers" / name
        assert file.read_bytes() == page
        assert (file.stat().st_mode & 0o777, file.parent.stat().st_mode & 0o777) == (0o600, 0o700)
        [(event, detail)] = host.noted()
        assert (event, detail["sha256"]) == (MAILED, hashlib.sha256(page).hexdigest())
        assert "charge" not in str(detail)
        for carrier in mail.carriers.values():
            await carrier.close()
        host.store.close()


async def test_a_server_that_is_away_is_tried_again(host: Host) -> None:
    """At 1, 3, 6, 11, 21, 41 min past and no oftener; once it works, the same mail goes, and nothing after it."""
    carrier, pager = RecordingCarrier("mail"), RecordingCarrier("pager")
    mail = host.mail(mail=carrier, pager=pager)
    carrier.fails(Outcome.TRY_LATER)
    tried = []
    for minutes in range(90):
        host.at = EIGHT + minutes * MINUTE
        before = len(carrier.attempts)
        if minutes == 41:
            carrier.works()
        await mail.look(host)
        tried += [minutes] * (len(carrier.attempts) - before)
    assert tried == [1, 3, 6, 11, 21, 41]
    assert len({parcel.message_id for parcel in carrier.attempts}) == 1
    assert (len(carrier.sent), pager.attempts) == (1, [])
    assert [event for event, _ in host.noted()] == [MAILED]


async def test_after_an_hour_it_is_given_up_and_said(host: Host) -> None:
    """The last try is at the hour; the page is kept, the trail says so, and a new start leaves it at that."""
    carrier = RecordingCarrier("mail")
    carrier.fails(Outcome.REFUSED)
    mail = host.mail(mail=carrier)
    for minutes in range(120):
        host.at = EIGHT + minutes * MINUTE
        await mail.look(host)
    assert len(carrier.attempts) == 7
    assert [event for event, _ in host.noted()] == [NOT_MAILED]
    assert len(list((host.settings.state_dir / "handovers").iterdir())) == 1
    await host.mail(mail=carrier).look(host)
    assert len(carrier.attempts) == 7


@pytest.mark.parametrize(("late", "sent"), [(5 * HOUR, 1), (13 * HOUR, 0)])
async def test_a_service_that_was_down_mails_it_when_it_starts(host: Host, late: int, sent: int) -> None:
    """Up to 12 h after the shift's end, once."""
    carrier = RecordingCarrier("mail")
    host.at = EIGHT + late
    mail = host.mail(mail=carrier)
    for _ in range(2):
        await mail.look(host)
        host.at += MINUTE
    assert len(carrier.sent) == sent


async def test_a_shift_before_the_first_start_is_not_told_of(host: Host) -> None:
    """Nothing is known of it; an empty page would look like a quiet one."""
    carrier = RecordingCarrier("mail")
    host.settings.shifts["night"] = (8 * 60, 21 * 60)  # type: ignore[index]
    host.at = TEN + MINUTE
    await host.mail(mail=carrier).look(host)
    assert carrier.attempts == []


async def test_what_goes_wrong_raises_nothing(host: Host) -> None:
    """A carrier at fault, a folder that cannot be made, a store that is gone: logged; the mail goes where it can."""
    carrier = RecordingCarrier("mail")
    host.at = EIGHT + MINUTE
    (host.settings.state_dir / "handovers").write_text("no folder")
    await host.mail(mail=carrier).look(host)
    assert len(carrier.sent) == 1, "our own copy is not what counts"
    host.at += DAY
    mail = host.mail(mail=carrier)
    mail.carriers = {}
    await mail.look(host)
    host.store.close()
    for file in host.settings.state_dir.glob("secondbell.db*"):
        file.unlink()
    await host.mail(mail=carrier).look(host)
    assert len(carrier.sent) == 1


@pytest.mark.parametrize("ends", [90, 60, 120, 8 * 60, 0])
@pytest.mark.parametrize("day", ["2026-03-28", "2026-10-24"])
def test_each_night_ends_once_where_the_clocks_change(day: str, ends: int) -> None:
    """Minute by minute over three nights in London, also for an end that the clock skips or shows twice."""
    zone, shifts = zone_table("Europe/London"), {"night": (22 * 60, ends)}
    noon = datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=ZoneInfo("Europe/London"))
    start = round(noon.timestamp() * 1000)
    found = [
        last_ended("night", shifts, zone, start + minutes * MINUTE) for minutes in range(3 * 24 * 60 + 1)
    ]
    assert all(span.end <= start + minutes * MINUTE for minutes, span in enumerate(found))
    ended = list(dict.fromkeys(found))
    assert len(ended) == 4
    assert all(one.end <= two.start for one, two in pairwise(ended))


async def test_the_calendar_looks_by_itself(host: Host) -> None:
    """Under a real scheduler; a site that names nobody has no such job."""
    mailed = asyncio.Event()

    class Carrier(RecordingCarrier):
        async def send(self, parcel: Parcel) -> Attempt:
            mailed.set()
            return self.attempt(parcel)

    carrier = Carrier("mail")
    host.at = EIGHT + MINUTE
    scheduler = AsyncIOScheduler(timezone=UTC)
    schedule(scheduler, host, host.mail(mail=carrier), first=0.05)
    scheduler.start()
    [job] = scheduler.get_jobs()
    assert job.next_run_time - datetime.now(UTC) < timedelta(seconds=1)
    async with asyncio.timeout(10):
        await mailed.wait()
    scheduler.shutdown(wait=False)
    silent = AsyncIOScheduler(timezone=UTC)
    schedule(silent, host, None)
    assert silent.get_jobs() == []


def test_the_last_pages_of_each_unit_are_kept(tmp_path: Path) -> None:
    """Sixty of each, the newest; another unit's are its own."""
    keep(tmp_path, Page("elm-2.2026-01-000.night.html", b"x", "", ""), "elm-2")
    for number in range(KEPT + 5):
        keep(tmp_path, Page(f"elm.2026-01-{number:03d}.night.html", b"x", "", ""), "elm")
    names = sorted(file.name for file in tmp_path.iterdir())
    assert len(names) == KEPT + 1
    assert "elm.2026-01-004.night.html" not in names
    assert "elm.2026-01-064.night.html" in names


async def test_a_carrier_that_is_no_mail_leaves_attachments_out(host: Host) -> None:
    """A parcel with one is to a pager what it would be without."""
    carrier = RecordingCarrier("mail")
    host.at = EIGHT + MINUTE
    await host.mail(mail=carrier).look(host)
    [parcel] = carrier.sent
    assert isinstance(parcel.attachments[0], Attachment)
    assert parcel.urgency == "low"

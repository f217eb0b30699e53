"""The handover by calendar: when a shift is over, each unit's page is made, kept, and mailed to whom the site names.

Looked at each minute, by our own reckoning of shifts: so a start just after a shift's end, a machine that slept, clocks
that changed and a mail server that was away all come out the same. What was mailed stands in the trail, which is asked
at the first look: nothing is mailed twice. A page is made in a thread that reads the store for itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import hashlib
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

import structlog
from apscheduler.schedulers.base import BaseScheduler
from apscheduler.triggers.interval import IntervalTrigger

from monitor.adapters import logs
from monitor.adapters.carriers import Attachment, Carrier, Outcome, Parcel, attempt
from monitor.adapters.store_errors import StoreError
from monitor.adapters.store_reader import StoreReader
from monitor.core.guidance import CAUTION
from monitor.core.instants import DAY, HOUR, MINUTE
from monitor.core.journal import Journal
from monitor.reports.spans import Span, last_ended

if TYPE_CHECKING:
    from monitor.settings import Settings

log = structlog.get_logger(__name__)

AFTER: Final = MINUTE  # after a shift's end: what came at its last instant is stored by then
TRIES: Final = (0, 2, 5, 10, 20, 40)  # minutes after that; common practice, no source
GIVEN_UP: Final = HOUR  # after a shift's end: by then it has been handed over by word of mouth
LATEST: Final = 12 * HOUR  # after a shift's end: a service that starts so late mails it still, with one try
KEPT: Final = 60  # pages of each unit, newest first: a month of two shifts a day
MAILED, NOT_MAILED = "handover-mailed", "handover-not-mailed"
FIRST: Final = 10.0  # seconds after a start: what waited at the broker is read by then, as a rule
PAUSE: Final = 0.002  # seconds between two stretches of work on a page, for whoever waits for the interpreter
FOLDER: Final = "handovers"


class Due(NamedTuple):
    """One mail that is owed: a unit's shift to a person."""

    unit: str
    shift: str
    start: int
    person: str


class Page(NamedTuple):
    """A page as it was made: its name, bytes, and what the mail says of it."""

    name: str
    data: bytes
    subject: str
    text: str

    @property
    def sha256(self) -> str:
        """What the trail says of it."""
        return hashlib.sha256(self.data).hexdigest()


class Engine(Protocol):
    """What is needed of the engine: opaque keys."""

    @property
    def journal(self) -> Journal:
        """Who makes them."""
        ...


class Host(Protocol):
    """What is needed of the service."""

    @property
    def engine(self) -> Engine:
        """Its engine."""
        ...

    def now(self) -> int:
        """The service's instant."""

    def note(self, event: str, **detail: object) -> None:
        """Put something into the trail."""


@dataclass(slots=True)
class HandoverMail:
    """Mails the handovers of one site while its service runs."""

    settings: Settings
    carriers: Mapping[str, Carrier]
    _done: set[tuple[str, str, int, str]] | None = None  # unit, shift, start, person's key
    _began: int = 0  # of the trail
    _made: dict[tuple[str, str, int], Page] = field(default_factory=dict)
    _tried: dict[Due, int] = field(default_factory=dict)

    async def look(self, host: Host) -> None:
        """Mail what is owed and due; raises nothing but CancelledError."""
        try:
            await self._look(host)
        except (StoreError, OSError) as error:
            log.error("the handover could not be made; tried again in a minute", why=str(error))
        except Exception as error:
            log.error("the handover could not be made, by a fault of ours", **logs.fault(error))

    async def _look(self, host: Host) -> None:
        now = host.now()
        spans = [span for span in self._ended(now) if AFTER <= now - span.end < LATEST]
        current = {(span.name, span.start) for span in spans}
        self._made = {key: page for key, page in self._made.items() if key[1:] in current}
        self._tried = {due: tries for due, tries in self._tried.items() if (due.shift, due.start) in current}
        if not spans:
            return
        if self._done is None:
            self._done, self._began = await asyncio.to_thread(done_since, self.settings, now - 2 * DAY)
        dead: set[str] = set()  # carriers whose server did not answer: the others' mails must not wait for it
        for span in spans:
            if span.end <= self._began:  # nothing is known of it
                continue
            for unit in self.settings.site.units:
                for person in self.settings.handover.to:
                    await self._one(host, Due(unit, span.name, span.start, person), span, dead)

    def _ended(self, now: int) -> list[Span]:
        settings = self.settings
        names = settings.handover.shifts or tuple(settings.shifts)
        return [last_ended(name, settings.shifts, settings.site.zone, now) for name in names]

    async def _one(self, host: Host, due: Due, span: Span, dead: set[str]) -> None:
        key = host.engine.journal.key("person", due.person)
        assert self._done is not None
        if (done := (due.unit, due.shift, due.start, key)) in self._done:
            return
        since, tries = host.now() - span.end - AFTER, self._tried.get(due, 0)
        over = since >= GIVEN_UP - AFTER
        if not over and (tries >= len(TRIES) or since < TRIES[tries] * MINUTE):
            return
        page = await self._page(host, due.unit, span)
        facts = {
            "unit": due.unit,
            "shift": due.shift,
            "start": span.start,
            "end": span.end,
            "sha256": page.sha256,
        }
        sent = await self._send(page, due, dead, host.now())
        if sent:
            self._done.add(done)
            host.note(MAILED, to=key, **facts)
            log.info("handover mailed", unit=due.unit, shift=due.shift, to=due.person)
            return
        # All tries that are past count as made: after a late start it does not try each of them in a row.
        self._tried[due] = sum(since >= minutes * MINUTE for minutes in TRIES)
        if over:
            self._done.add(done)
            host.note(NOT_MAILED, to=key, **facts)
            log.error(
                "the handover could not be mailed and is given up; its page is kept",
                unit=due.unit, shift=due.shift, to=due.person, page=page.name,
            )  # fmt: skip

    async def _page(self, host: Host, unit: str, span: Span) -> Page:
        key = (unit, span.name, span.start)
        if key not in self._made:
            page = await asyncio.to_thread(made, self.settings, unit, span, host.now())
            try:
                await asyncio.to_thread(keep, self.settings.state_dir / FOLDER, page, unit)
            except OSError as error:  # whoever comes on duty needs the mail, not our copy
                log.error("the handover's page could not be kept", page=page.name, why=str(error))
            self._made[key] = page
        return self._made[key]

    async def _send(self, page: Page, due: Due, dead: set[str], now: int) -> bool:
        for name, address in self.settings.ways_of_mail(due.person):  # a page would not fit on a pager
            if name in dead:
                continue
            made = await attempt(self.carriers[name], parcel(page, due, address, self.settings, now))
            if made.outcome is Outcome.SENT:
                return True
            log.warning(
                "the handover could not be mailed", unit=due.unit, to=due.person, carrier=name, why=made.text
            )
            if made.outcome is Outcome.TRY_LATER:
                dead.add(name)
        return False


def schedule(
    scheduler: BaseScheduler, host: Host, mail: HandoverMail | None, *, first: float = FIRST
) -> None:
    """Look each minute, if the site wants handovers mailed; `first` after so many seconds."""
    if mail is not None and mail.settings.handover.to:
        begin = datetime.now(UTC) + timedelta(seconds=first)
        each = IntervalTrigger(seconds=60, start_date=begin)
        scheduler.add_job(mail.look, each, args=(host,), misfire_grace_time=None)


def made(settings: Settings, unit: str, span: Span, now: int) -> Page:
    """A unit's page; StoreError. Runs in a thread of its own, and lets others work in between."""
    from monitor.reports import page as pages
    from monitor.reports.answers import answers, as_text
    from monitor.reports.frame import local_date
    from monitor.reports.making import Source, handover

    def polite(done: int, total: int) -> None:
        del done, total
        time.sleep(PAUSE)

    site = settings.site
    gc.disable()  # a collection over a long trail's story would stall the loop, and find nothing: it has no cycles
    try:
        with StoreReader(settings.state_dir, site=site.name) as reader:
            report = handover(
                Source(site=site, reader=reader, called=settings.units_called), unit, span, now, polite
            )
    finally:
        gc.enable()
    data = pages.html(report, now).encode()
    day = local_date(span.start, site.zone, "%Y-%m-%d")
    name = f"{unit}.{day}.{span.name}.html"  # no unit or shift has a dot in it
    when = pages.when(report)
    text = (
        f"Handover of {report.unit}, {when}, as it stood when the shift ended.\n\n{as_text(report)}\n\n"
        f"The whole page is attached (handover-{name}): any browser shows it, and it prints on A4.\n"
        "This mail needs no answer, and an answer to it accepts nothing.\n\n"
        f"{CAUTION} Figures are what the pumps reported; unknown is unknown, not zero. Look at the person and the pump "
        "before you act on them.\n"
    )
    return Page(name, data, f"Handover {report.unit}, {when}: {answers(report)[0].short}", text)


def keep(folder: Path, page: Page, unit: str) -> None:
    """Keep a page for the owner alone, with so many before it; OSError."""
    folder.mkdir(mode=0o700, exist_ok=True)
    half = folder / f".{page.name}"
    half.unlink(missing_ok=True)
    half.touch(mode=0o600)
    half.write_bytes(page.data)
    half.replace(folder / page.name)
    for old in sorted(folder.glob(f"{unit}.*.html"))[:-KEPT]:
        old.unlink(missing_ok=True)


def done_since(settings: Settings, since: int) -> tuple[set[tuple[str, str, int, str]], int]:
    """What the trail says was mailed or given up, of shifts that began since an instant, and when it begins itself.

    Raises StoreError.
    """
    found = set()
    with StoreReader(settings.state_dir, site=settings.site.name) as reader:
        began = next((entry.at for entry in reader.entries(after=1)), 0)
        for entry in reader.entries(events=(MAILED, NOT_MAILED)):
            with contextlib.suppress(ValueError, TypeError, KeyError, RecursionError):
                told = json.loads(entry.text)["detail"]
                if told["start"] >= since:
                    found.add((told["unit"], told["shift"], told["start"], told["to"]))
    return found, began


def parcel(page: Page, due: Due, address: str, settings: Settings, now: int) -> Parcel:
    """A page as a mail; the same Message-ID in each attempt."""
    site = settings.site
    told: Sequence[object] = (site.name, *due, page.sha256)
    own = hashlib.sha256(json.dumps(told).encode()).hexdigest()[:20]
    return Parcel(
        notice=f"handover-{own}",
        message_id=f"<handover-{own}@{site.name}.secondbell.invalid>",
        address=address,
        subject=page.subject,
        body=page.text,
        urgency="low",
        thread=None,
        date_ms=now,
        attachments=(Attachment(name=f"handover-{page.name}", kind="text/html", data=page.data),),
    )

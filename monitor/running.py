"""Opens a service from a site file, and runs it until it is told to stop."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from monitor import handover_mail
from monitor.adapters import logs
from monitor.adapters.carriers import Carrier
from monitor.adapters.clock import Clock, SystemClock
from monitor.adapters.lockfile import Lock, StateError, site_key
from monitor.adapters.notify import Notify
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_errors import StoreDamaged, StoreError
from monitor.core.effects import SendNotice
from monitor.core.journal import Happening
from monitor.core.phrases import one_line
from monitor.core.problems import ProblemsFound
from monitor.drill import calendar as drill_calendar
from monitor.handover_mail import HandoverMail
from monitor.record import RecordKeeper
from monitor.recording import NoRecorder, Recorder
from monitor.reload import reload
from monitor.retention import retain
from monitor.rota.reading import rota_of
from monitor.service import Service
from monitor.settings import PasswordMissing, Settings, load, unusable
from monitor.sitefile.reading import read
from monitor.watching_files import EACH, FileWatch

log = structlog.get_logger(__name__)

FAILED, BAD_INPUT = 1, 2


class CannotStart(Exception):
    """Something outside the site file keeps the service from starting; the text is for the person at the terminal."""


def state_dir(site_file: Path) -> Path:
    """The state directory that a site file names, whatever else is wrong in it; ProblemsFound if it names none."""
    found = read(site_file)
    if found.site is None:
        raise ProblemsFound(found.problems)
    return found.beside(found.site.state_dir)


def open_service(
    site_file: Path,
    clock: Clock,
    *,
    on_happening: Callable[[Happening], None] | None = None,
    on_notice: Callable[[SendNotice], None] | None = None,
    record: Path | None = None,
) -> tuple[Service, Lock]:
    """A service ready to run, and the lock on its state directory, to be closed after it.

    Raises ProblemsFound for a wrong site file, CannotStart for what else is in the way.
    """
    gc.disable()  # many devices are about to be made that will all stay
    try:
        return _open(site_file, clock, on_happening, on_notice, record)
    finally:
        gc.enable()


def _open(
    site_file: Path,
    clock: Clock,
    on_happening: Callable[[Happening], None] | None,
    on_notice: Callable[[SendNotice], None] | None,
    record: Path | None,
) -> tuple[Service, Lock]:
    settings = load(site_file, key=b"")
    if problems := unusable(settings):
        raise ProblemsFound(problems)
    try:
        lock = Lock(settings.state_dir)
    except StateError as error:
        raise CannotStart(str(error)) from error
    try:
        settings = settings.with_key(site_key(settings.state_dir))
        carriers = {name: carrier.carrier() for name, carrier in settings.carriers.items()}
        link_options = settings.broker.link_options()
        recorder = NoRecorder() if record is None else Recorder(record)
        store = SqliteStore.open(settings.state_dir, site=settings.site.name)
    except StoreError as error:
        lock.close()
        raise CannotStart(f"{error}. {error.advice}") from error
    except (StateError, PasswordMissing, OSError, ValueError) as error:
        lock.close()
        raise CannotStart(str(error)) from error
    try:
        service = Service(
            settings,
            clock=clock,
            store=store,
            carriers=carriers,
            link_options=link_options,
            on_happening=on_happening,
            on_notice=on_notice,
            recorder=recorder,
            reload=partial(reload, site_file=site_file),
            record=keeper(settings, store, carriers),
            handovers=HandoverMail(settings, carriers),
            notify=Notify.from_environment(os.environ),
            rota=rota_of(settings, clock.now()),
        )
    except ProblemsFound:
        _close(store, lock)
        raise
    except StoreError as error:
        _close(store, lock)
        raise CannotStart(f"{error}. {error.advice}") from error
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        _close(store, lock)  # only whole transactions come back from a store: somebody else has been at it
        fault = f"{store.path}: what it holds cannot be read: {one_line(repr(error))}"
        raise CannotStart(f"{fault}. {StoreDamaged.advice}") from error
    gc.freeze()  # a collection over 100,000 devices would stall the loop for seconds, and find nothing
    return service, lock


def keeper(settings: Settings, store: SqliteStore, carriers: Mapping[str, Carrier]) -> RecordKeeper:
    """Who keeps the record, with the first way of mail to whoever gets its heads."""
    mail = None
    if settings.heads.to is not None:
        name, address = settings.ways_of_mail(settings.heads.to)[0]
        mail = carriers[name], address
    return RecordKeeper(
        store, site=settings.site, monitor=settings.monitor_name, mail=mail, keep=settings.trail.keep
    )


def _close(store: SqliteStore, lock: Lock) -> None:
    with contextlib.suppress(StoreError):
        store.close()
    lock.close()


def run(site_file: Path, clock: Clock, *, record: Path | None = None) -> int:
    """Run until SIGTERM or SIGINT; the exit status. `record` is where every input is kept, if anywhere.

    SIGHUP, or the command `reload`, begins again with what the site file says by then, if nothing is wrong with it.
    """
    while (status := _run_once(site_file, clock, record)) is None:
        pass
    return status


def _run_once(site_file: Path, clock: Clock, record: Path | None) -> int | None:
    """Open a service and run it; None: to be opened again."""
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # while nobody can take it
    try:
        began = time.time_ns()
        service, lock = open_service(site_file, clock, record=record)
    except CannotStart as error:
        print(f"secondbell: {error}", file=sys.stderr)
        return BAD_INPUT
    for warning in service.settings.warnings:
        log.warning("site file", problem=str(warning))
    with lock:
        try:
            asyncio.run(_run(service, site_file, began, chores=isinstance(clock, SystemClock)))
        except StoreError as error:
            log.error(
                "the store cannot go on; start again after mending it", why=str(error), advice=error.advice
            )
            return FAILED
        except ProblemsFound:
            raise  # an address that is taken: said as whatever else is wrong with the site file
        except OSError as error:
            print(f"secondbell: {error.strerror or error}", file=sys.stderr)
            return FAILED
        except Exception as error:
            log.critical(
                "ended by a fault of its own; the next start goes on from the last transaction",
                **logs.fault(error),
            )
            return FAILED
    return None if service.again else 0


async def _run(service: Service, site_file: Path, began: int, *, chores: bool) -> None:
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, service.stop)
    reloading: set[asyncio.Task[tuple[bool, list[str]]]] = set()

    def hang_up() -> None:
        task = loop.create_task(reload(service, site_file), name="reload")
        reloading.add(task)
        task.add_done_callback(reloading.discard)

    loop.add_signal_handler(signal.SIGHUP, hang_up)
    scheduler = AsyncIOScheduler(timezone=service.site.zone_name)
    # Whatever touches a concern is a deadline of the core; the calendar has the chores of the wall clock alone.
    scheduler.add_job(
        retain,
        CronTrigger(hour=12, timezone=service.site.zone_name),
        args=(service,),
        misfire_grace_time=3600,
    )
    if service.record is not None:
        heads, zone = service.settings.heads, service.site.zone_name
        hour, minute = divmod(heads.at, 60)
        for job, trigger in (
            (service.record.sign, IntervalTrigger(seconds=heads.every / 1000)),
            (service.record.sign_and_mail, CronTrigger(hour=hour, minute=minute, timezone=zone)),
        ):
            scheduler.add_job(job, trigger, args=(service,), misfire_grace_time=3600)
    drill_calendar.schedule(scheduler, service)
    handover_mail.schedule(scheduler, service, service.handovers)
    scheduler.add_job(FileWatch(service, site_file, began).look, IntervalTrigger(seconds=EACH))
    if chores:
        scheduler.start()
    try:
        await service.run()
    finally:
        if chores:
            scheduler.shutdown(wait=False)

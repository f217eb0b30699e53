"""The watch as a process: hears the monitor's presence, asks the judgement each second, has it told."""

from __future__ import annotations

import asyncio
import random
import signal
import time

import structlog

from monitor.adapters.mqtt import Connected, MqttLink
from monitor.adapters.notify import Notify
from monitor.core.instants import SECOND
from monitor.watch.beats import read_beat
from monitor.watch.judgement import Judgement, Say
from monitor.watch.reading import WatchSettings
from monitor.watch.telling import Telling, Way
from monitor.watch.words import Watched, drill, status, words

log = structlog.get_logger(__name__)

LOOK = 1.0  # seconds between two looks
TAKE = 100  # messages at a time; there are a few a minute


class Watch:
    """Watches one monitor until it is told to stop."""

    def __init__(self, settings: WatchSettings, notify: Notify) -> None:
        """Opens the carriers: raises PasswordMissing, OSError or ValueError as they do."""
        self._settings, self._notify = settings, notify
        self._watched: Watched = settings.watched
        self._link_options = settings.broker.link_options()
        carriers = {name: carrier.carrier() for name, carrier in settings.carriers.items()}
        ways = [Way(carriers[name], settings.carriers[name].form, address) for name, address in settings.tell]
        self._telling = Telling(ways, self._watched.site, lambda: self._wall(_now()))
        self._judgement = Judgement(_now(), patience=settings.patience, repeat=self._watched.repeat)
        self._stopping = asyncio.Event()
        self._wake = asyncio.Event()
        self._fed = 0
        self._topic = f"{settings.prefix}/{self._watched.site}/monitor/{self._watched.monitor}/presence"

    async def run(self) -> None:
        """Watch until `stop`."""
        loop = asyncio.get_running_loop()
        for name in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(name, self.stop)
        self._link = MqttLink(
            filters=(self._topic,),
            marker_topic=None,
            on_wake=self._wake.set,
            rng=random.Random(),
            kept=False,  # what it said while we were away is over; what the broker keeps tells how it is
            **self._link_options,
        )
        await self._link.start()
        self._notify.ready()
        log.info("watching", topic=self._topic, patience_s=self._settings.patience / SECOND)
        try:
            while not self._stopping.is_set():
                self._look()
                await self._pause()
        finally:
            self._notify.stopping()
            await self._link.stop()
            await self._telling.stop()
            log.info("stopped; nobody watches the monitor now")

    async def drill(self) -> bool:
        """Send by each way that it would reach somebody; whether all took it."""
        now = _now()
        try:
            tried = await self._telling.try_all(drill(self._watched, now, self._wall))
        finally:
            await self._telling.stop()
        for way, sent, answer in tried:
            print(f"{way.carrier.name} to {way.address}: {'taken' if sent else 'FAILED'} ({answer})")
        return all(sent for _, sent, _ in tried)

    def stop(self) -> None:
        """Ask it to stop."""
        self._stopping.set()
        self._wake.set()

    async def _pause(self) -> None:
        try:
            async with asyncio.timeout(LOOK):
                await self._wake.wait()
        except TimeoutError:
            pass
        self._wake.clear()

    def _look(self) -> None:
        """Take what has come; then judge, tell, and say that we live."""
        now = _now()
        while self._link.waiting:
            for event in self._link.take_events():
                if isinstance(event, Connected):
                    log.info("broker there")
                    self._judgement.link_up(now)
                else:
                    log.warning("broker not there", why=getattr(event, "reason", ""))
                    self._judgement.link_down(now)
            taken = self._link.take(TAKE)
            for message in taken:
                beat = read_beat(message.payload) if message.topic == self._topic else None
                if beat is None:
                    log.warning("not a presence", topic=message.topic, bytes=len(message.payload))
                else:
                    self._judgement.hear(beat, now, retained=message.retain)
            self._link.ack(taken)
        if (say := self._judgement.look(now)) is not None:
            self._tell(say, now)
        if self._notify.watchdog is None or now - self._fed >= self._notify.watchdog // 2:
            self._fed = now
            self._notify.alive()
        self._notify.status(status(self._judgement.trouble, self._watched, self._wall, now))

    def _tell(self, say: Say, now: int) -> None:
        over = say.back_at is not None
        log.log(
            20 if over else 40,
            "well again" if over else "wrong",
            wrong=str(say.finding.wrong),
            times=say.times,
        )
        self._telling.tell(words(say, self._watched, now, self._wall), first=say.times == 1 and not over)

    def _wall(self, instant: int) -> int:
        """An instant of the clock that only runs, as UTC."""
        return time.time_ns() // 1_000_000 - (_now() - instant)


def _now() -> int:
    """Ms of a clock that nobody sets, and that stands still while the machine sleeps."""
    return time.monotonic_ns() // 1_000_000

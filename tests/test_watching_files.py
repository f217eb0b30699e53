"""Files that change under a running service: taken once they have settled, refused once, told to who mends it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.clock import SteppedClock
from monitor.adapters.mqtt import BrokerAddress
from monitor.core.instants import DAY, parse
from monitor.core.journal import Happening
from monitor.core.problems import ProblemsFound
from monitor.core.troubles import ROTA_ENDS, ROTA_UNREAD, SITE_UNREAD
from monitor.running import open_service
from monitor.service import Service
from monitor.watching_files import FileWatch
from tests.adapters.calendars import calendar, event
from tests.night import until
from tests.ward_site import site_text

NOW = parse("2026-03-14T22:00:00Z")
NIGHT = ("DTSTART:20260301T200000", "DTEND:20260302T080000", "RRULE:FREQ=DAILY")
GOOD = calendar(event(*NIGHT))
SWAPPED = calendar(event(*NIGHT, summary="nurse: nurse-2"))
BROKEN = calendar(event(*NIGHT, summary="nurse: Somebody by Name"))


class Watching:
    """A service that runs, without a broker, and what looks at its files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site_file = folder / "site.toml"
        self.rota = folder / "rota" / "rota.ics"
        self.rota.parent.mkdir()
        self.rota.write_text(GOOD)
        text = site_text(BrokerAddress("127.0.0.1", 1), smtp=1, snpp=1)
        duty = text[text.index("[[duty]]") : text.index('[[duty]]\nperson = "charge"')]
        self.site_file.write_text(
            text.replace(duty, "").replace('setting = "ward"', 'setting = "ward"\nrota_dir = "rota"')
        )
        self.clock = SteppedClock(NOW)
        self.happened: list[Happening] = []
        self.service: Service
        self.watch: FileWatch

    @contextlib.asynccontextmanager
    async def runs(self) -> AsyncIterator[Watching]:
        """Open and run it until the block is left."""
        long_ago = time.time() - 100
        for path in (self.site_file, self.rota):
            os.utime(path, (long_ago, long_ago))
        self.happened.clear()
        self.service, lock = open_service(self.site_file, self.clock, on_happening=self.happened.append)
        self.watch = FileWatch(self.service, self.site_file, time.time_ns())
        task = asyncio.create_task(self.service.run())
        try:
            await until(lambda: bool(self.noted("started")), "the start to be stored")
            yield self
        finally:
            self.service.stop()
            await task
            lock.close()

    async def look(self, times: int = 2) -> None:
        """Look so often, as each minute."""
        for _ in range(times):
            await self.watch.look()
        await until(lambda: not self.service._inbox, "what was seen to be taken")

    def noted(self, event: str) -> list[dict[str, Any]]:
        """What was noted of an event."""
        return [dict(found.detail) for found in self.happened if found.event == event]

    def nurses(self) -> tuple[str, ...]:
        """Who is on duty now."""
        return self.service.engine.site.rota.on_duty("elm", "nurse", self.clock.now())

    def wrong(self) -> set[str]:
        """The troubles that stand."""
        return {t.sort for t in self.service.engine.technical.troubles.values() if t.over is None}


async def test_a_changed_rota_is_taken_once_it_has_settled(tmp_path: Path) -> None:
    """Not while it is being written: two looks must find the same. Then it counts, and the trail has it."""
    async with Watching(tmp_path).runs() as watching:
        await watching.look()
        assert watching.nurses() == ("nurse-1",)
        await until(lambda: len(watching.noted("rota-changed")) == 1, "the first reading to be stored")
        watching.rota.write_text(SWAPPED[:100])
        await watching.look(1)
        watching.rota.write_text(SWAPPED)
        await watching.look(1)
        assert watching.nurses() == ("nurse-1",)
        await watching.look(1)
        assert watching.nurses() == ("nurse-2",)
        await until(lambda: len(watching.noted("rota-changed")) == 2, "the change to be stored")


async def test_a_broken_rota_keeps_the_last_good_one(tmp_path: Path) -> None:
    """Refused once, counted in the trail without what it says, told; over when it is right again."""
    async with Watching(tmp_path).runs() as watching:
        watching.rota.write_text(BROKEN)
        await watching.look(6)
        assert (watching.nurses(), watching.wrong()) == (("nurse-1",), {ROTA_UNREAD})
        await until(lambda: bool(watching.noted("rota-unread")), "it to be stored")
        assert watching.noted("rota-unread") == [{"problems": 1}]
        assert not any("Somebody" in str(found) for found in watching.happened)
        watching.rota.unlink()
        await watching.look()
        await until(lambda: len(watching.noted("rota-unread")) == 2, "the missing file to be said")
        assert watching.nurses() == ("nurse-1",)
        watching.rota.write_text(SWAPPED)
        await watching.look()
        assert (watching.nurses(), watching.wrong()) == (("nurse-2",), set())


async def test_a_rota_is_read_each_day_and_its_end_is_told(tmp_path: Path) -> None:
    """A day later it reaches a day further; broken for four weeks, what is known is about to end, and that is told."""
    async with Watching(tmp_path).runs() as watching:
        rota = watching.service.engine.site.rota
        await until(lambda: rota.until is not None, "the first reading to be taken")
        known = rota.until
        watching.clock.enter(NOW + DAY)
        await watching.look(1)
        assert rota.until == (known or 0) + DAY
        watching.rota.write_text(BROKEN)
        await watching.look()
        assert watching.wrong() == {ROTA_UNREAD}
        watching.clock.enter(NOW + 30 * DAY)
        await watching.look(1)
        assert watching.wrong() == {ROTA_UNREAD, ROTA_ENDS}


async def test_a_changed_site_file_is_taken(tmp_path: Path) -> None:
    """Once it has settled the service begins again with it."""
    async with Watching(tmp_path).runs() as watching:
        await watching.look()
        watching.site_file.write_text(watching.site_file.read_text().replace("3 min", "4 min"))
        await watching.look(1)
        assert not watching.service.again
        await watching.watch.look()
        assert watching.service.again


async def test_a_broken_site_file_is_refused_once_and_told(tmp_path: Path) -> None:
    """What runs is kept; put back as it was, the trouble is over, and nothing begins again."""
    async with Watching(tmp_path).runs() as watching:
        good = watching.site_file.read_text()
        watching.site_file.write_text(good.replace("role:charge", "role:"))
        await watching.look(5)
        assert watching.wrong() == {SITE_UNREAD}
        await until(lambda: bool(watching.noted("reload-refused")), "it to be stored")
        assert watching.noted("reload-refused") == [{"problems": 2}]
        watching.site_file.write_text(good)
        await watching.look()
        assert (watching.wrong(), watching.service.again) == (set(), False)


async def test_a_site_file_that_no_longer_fits_the_rota_is_refused(tmp_path: Path) -> None:
    """All or nothing: a person removed who still stands in the rota."""
    async with Watching(tmp_path).runs() as watching:
        text = watching.site_file.read_text()
        person = text[text.index("[people.nurse-1]") : text.index("[people.nurse-2]")]
        watching.site_file.write_text(text.replace(person, ""))
        await watching.look()
        assert (watching.service.again, watching.wrong()) == (False, {SITE_UNREAD})
        watching.rota.write_text(SWAPPED)
        await watching.look()
        assert watching.nurses() == ("nurse-2",)
        await watching.watch.look()
        assert watching.service.again  # and the site file is taken after all: nobody has to touch it again


async def test_a_start_with_a_broken_rota(tmp_path: Path) -> None:
    """Without a good one stored it is refused; with one the service starts with that, and tells."""
    watching = Watching(tmp_path)
    watching.rota.write_text(BROKEN)
    with pytest.raises(ProblemsFound, match="Somebody by Name"):
        open_service(watching.site_file, watching.clock)
    watching.rota.write_text(GOOD)
    async with watching.runs():
        assert watching.nurses() == ("nurse-1",)
    watching.rota.write_text(BROKEN)
    async with watching.runs():
        assert watching.nurses() == ("nurse-1",)
        await until(lambda: watching.wrong() == {ROTA_UNREAD}, "the trouble to be seen")
    watching.rota.write_text(GOOD)
    async with watching.runs():
        await until(lambda: watching.wrong() == set(), "the trouble to be over")


async def test_the_trail_tells_what_of_the_configuration_has_changed(tmp_path: Path) -> None:
    """Counts, and who and which by keys: no label, no address, no reason."""
    watching = Watching(tmp_path)
    async with watching.runs():
        assert watching.noted("configuration-changed") == [{"digest": watching.service.settings.digest}]
    text = watching.site_file.read_text().replace("night1@larkfield", "nachts@larkfield")
    text = text.replace('[devices.pump-0112]\nunit = "elm"\nplace = "bay 3 bed 4"\n', "")
    text += '[rules.chattering]\noff = "a reason that stays here"\n[rules.unattended]\npatience = "6 min"\n'
    watching.site_file.write_text(text.replace('wait = "3 min" }, {', 'wait = "5 min" }, {'))
    async with watching.runs() as found:
        key = found.service.site.opaque
        (told,) = found.noted("configuration-changed")
        assert told == {
            "digest": found.service.settings.digest,
            "people": {"changed": {"count": 1, "which": [key("person", "nurse-1")]}},
            "ladders": {"changed": {"count": 1, "which": ["*|high"]}},
            "rules": {
                "removed": {"count": 1, "which": ["chattering"]},
                "changed": {"count": 1, "which": ["unattended"]},
            },
            "rules_off": {"added": {"count": 1, "which": ["chattering"]}},
            "devices": {"removed": {"count": 1, "which": [key("device", "pump-0112")]}},
        }

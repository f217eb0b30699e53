"""Looks each minute whether the site file, what lies beside it, or the rota has changed on disk, and has it taken.

What has changed is taken once two looks have found the same, so that nothing is read while it is being written. What is
wrong is refused once; it is read again when it changes. The rota is also read once a day, as it reaches five weeks
ahead of when it was read.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import structlog

from monitor.adapters import logs
from monitor.core.instants import DAY
from monitor.reload import reload
from monitor.rota import reading as rota_reading
from monitor.service import Service

log = structlog.get_logger(__name__)

EACH: Final = 60  # seconds from one look to the next; common practice, no source

_COARSE: Final = 2_000_000_000  # ns: no common file system keeps times more coarsely (FAT: 2 s; from memory)

Signature = tuple[tuple[str, int, int], ...]  # name, when it was changed (ns), size


class Watched:
    """One set of files: whether it has changed, and has settled since."""

    def __init__(self, files: Callable[[], Iterable[Path]], since: int) -> None:
        """`files` lists them, as they are now; `since` (ns) they were read, and are again if they may have changed."""
        self._files = files
        now = self.signature()
        old = all(changed < since - _COARSE for _, changed, _ in now)
        self._taken: Signature | None = now if old else None
        self._seen: Signature | None = None

    def settled(self) -> bool:
        """Whether they are other than what was taken, and as they were at the last look."""
        now = self.signature()
        settled, self._seen = now == self._seen, now
        return settled and now != self._taken

    def taken(self) -> None:
        """What was seen last has been looked at, whatever came of it."""
        self._taken = self._seen

    def look_again(self) -> None:
        """What was looked at is to be looked at once more."""
        self._taken = None

    def signature(self) -> Signature:
        """What they look like from outside; a file that is not there is a change too."""
        found = []
        try:
            for path in self._files():
                try:
                    stat = path.stat()
                    found.append((str(path), stat.st_mtime_ns, stat.st_size))
                except OSError as error:
                    found.append((str(path), 0, -(error.errno or 1)))
        except OSError as error:  # the folder itself
            found.append((str(error.filename), 0, -(error.errno or 1)))
        return tuple(found)


class FileWatch:
    """The files of one service."""

    def __init__(self, service: Service, site_file: Path, since: int) -> None:
        """`since` (ns since 1970) they have been read."""
        self._service, self._site_file = service, site_file
        settings = service.settings
        self._site = Watched(lambda: [site_file, *_all(settings.beside)], since)
        folder = settings.rota_dir
        self._rota = None if folder is None else Watched(lambda: _calendars(folder), since)
        self._read_at = service.now()
        self._refused = False  # the site file, as it is

    async def look(self) -> None:
        """One look; never raises."""
        try:
            await self._look()
        except Exception as error:  # a chore must not end the chores
            log.critical("a fault of ours while looking for changed files", **logs.fault(error))

    async def _look(self) -> None:
        if await asyncio.to_thread(self._site.settled):
            self._site.taken()
            taken, _ = await reload(self._service, self._site_file, asked=False)
            self._refused = not taken
            if self._service.again:
                return
        if self._rota is not None:
            await self._look_at_rota(self._rota)

    async def _look_at_rota(self, watched: Watched) -> None:
        changed = await asyncio.to_thread(watched.settled)
        now = self._service.now()
        if not changed and now - self._read_at < DAY:
            return
        if changed:
            watched.taken()
        self._read_at = now
        rota = await asyncio.to_thread(rota_reading.rota_of, self._service.settings, now)
        if rota is not None and rota_reading.take(self._service, rota) and self._refused:
            self._site.look_again()  # it may have been refused because of the rota


def _calendars(folder: Path) -> list[Path]:
    from monitor.adapters.calendar import rota_files  # sites without calendars spare time and memory

    return rota_files(folder)


def _all(paths: Iterable[Path]) -> list[Path]:
    """The files among these, and those in the folders among these."""
    found: list[Path] = []
    for path in paths:
        found += sorted(path.iterdir()) if path.is_dir() else [path]
    return found

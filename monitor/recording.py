"""`secondbell run --record DIR`: every input that the engine has, kept as it came, so that it can be replayed exactly.

What is recorded is written by a thread of its own after the transaction that it led to: recording can be late or end,
and the service goes on. A recording holds the contents of messages, of answers (by whom: the ids of the site file) and
of the state that a start found; no places but those that `move` and `swap` recorded, no duty labels, no addresses, no
codes and no text of a notice.
"""

from __future__ import annotations

import json
import os
import queue
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import structlog

from monitor import __version__
from monitor.adapters.logs import fault
from monitor.core.effects import Asked, Attempted
from monitor.core.engine import Engine
from monitor.core.instants import HOUR, show
from monitor.core.messages import Cleared, Decoded, PlanMessage, PresenceMessage, Reason, Rejection, Snapshot
from monitor.core.parts import Loaded
from monitor.core.site import Site
from monitor.core.topics import bridge_presence_topic, plan_topic, responsibility_topic, state_topic
from monitor.recorded import MEMBER, NAMES, Input, Line, Recorded, input_line, message_line

log = structlog.get_logger(__name__)

MOST_WAITING: Final = (
    200_000  # inputs that wait to be written; a disk that is slower than the pumps must not fill memory
)
PAUSE: Final = 10.0  # seconds from a failure to the next try; common practice, no source
FAREWELL: Final = 10.0  # seconds for what is still to be written at a stop
MOST_UNSURE: Final = 5_000  # inputs that are written and could not be read back after a kill
LEVEL: Final = 6  # of compression; zlib's own default
_WORDS_OF_NOTICES: Final = (
    "subject",
    "body",
)  # places and codes stand in them; no decision is made of them again


class Recorder:
    """Takes inputs while a transaction is made, and has them written once it is stored."""

    def __init__(self, folder: Path, *, pause: float = PAUSE, most_waiting: int = MOST_WAITING) -> None:
        """Make the folder, if need be, for its owner alone; raises OSError."""
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.folder = folder
        self.not_recorded = 0  # inputs that this recording lacks
        self._inputs: list[Recorded] = []
        self._last = 0
        self._most_waiting, self._pause = most_waiting, pause
        self._waiting = 0
        self._queue: queue.SimpleQueue[Sequence[Recorded] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._tape = Tape(folder)
        self._thread: threading.Thread | None = None

    def engine(self, site: Site, *, now: int, loaded: Loaded, digest: str) -> Engine:
        """An engine whose inputs are recorded; `digest` tells a replay whether it has the same site file and rules."""
        return RecordingEngine(site, now=now, loaded=loaded, recorder=self, digest=digest)

    def record(self, entry: Recorded) -> None:
        """Take one input; what is received does not run back."""
        self._last = max(self._last, entry.received)
        self._inputs.append(entry if entry.received == self._last else entry._replace(received=self._last))

    def take(self) -> list[Recorded]:
        """The inputs since the last call: those of the transaction that is about to be stored."""
        taken, self._inputs = self._inputs, []
        return taken

    def write(self, taken: Sequence[Recorded]) -> None:
        """Have them written: their transaction is stored. Never waits, never raises."""
        if not taken:
            return
        with self._lock:
            full = self._waiting > 0 and self._waiting + len(taken) > self._most_waiting
            if full:
                self.not_recorded += len(taken)
            else:
                self._waiting += len(taken)
        if full:
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="recording", daemon=True)
            self._thread.start()
        self._queue.put(taken)

    def flush(self) -> None:
        """All that was taken is stored: have it written."""
        self.write(self.take())

    def close(self) -> None:
        """Write what is waiting, for some seconds at most, and say what this recording lacks."""
        if self._thread is None:
            return
        self._queue.put(None)
        self._thread.join(FAREWELL)
        if self.not_recorded or self._thread.is_alive():
            lacks = self.not_recorded + self._waiting
            log.error("the recording lacks inputs", folder=str(self.folder), not_recorded=lacks)

    # ---- the thread ----------------------------------------------------------------------------------------------

    def _run(self) -> None:
        failed_at: float | None = None
        said = 0  # of `not_recorded`, in the files
        while (taken := self._queue.get()) is not None:
            if failed_at is not None and time.monotonic() - failed_at < self._pause:
                self.lose(len(taken), waited=len(taken))
                continue
            lost = self.not_recorded
            gap = [Input(taken[0].received, "not-recorded", {"so_far": lost})] if lost > said else []
            try:
                self._tape.write([*gap, *taken], last=self._queue.empty())
            except Exception as error:  # whatever it is, the service goes on
                self.lose(self._tape.give_up(), waited=len(taken))
                if failed_at is None:
                    why = getattr(error, "strerror", None) or repr(error)
                    log.error("recording pauses", folder=str(self.folder), why=why)
                failed_at = time.monotonic()
                continue
            if failed_at is not None:
                failed_at = None
                log.warning("recording goes on", folder=str(self.folder), not_recorded=lost)
            said = lost
            with self._lock:
                self._waiting -= len(taken)
        try:
            self._tape.close()
        except OSError as error:
            self.lose(self._tape.give_up())
            log.error("recording pauses", folder=str(self.folder), why=error.strerror)

    def lose(self, inputs: int, *, waited: int = 0) -> None:
        """Count inputs that are not recorded; `waited` of those that waited do so no more."""
        with self._lock:
            self.not_recorded += inputs
            self._waiting -= waited


class NoRecorder:
    """Records nothing."""

    def engine(self, site: Site, *, now: int, loaded: Loaded, digest: str) -> Engine:
        """An engine and no more."""
        del digest
        return Engine(site, now=now, loaded=loaded)

    def take(self) -> list[Recorded]:
        """Nothing."""
        return []

    def write(self, taken: Sequence[Recorded]) -> None:
        """Nothing is written."""

    def flush(self) -> None:
        """Nothing is written."""

    def close(self) -> None:
        """Nothing is waiting."""


class Tape:
    """The files: one for each hour of receipt, whose members follow one another whoever was killed before."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file = -1
        self._hour = -1
        self._good = 0  # bytes of the file that can be read back
        self._unsure = 0  # inputs written since
        self._packer: Any = None  # zlib's class has no name
        self._sum = self._length = 0

    def write(self, entries: Sequence[Recorded], *, last: bool) -> None:
        """Write these; with `last` so that they can be read back at once. Raises OSError; then `give_up`."""
        text: list[bytes] = []
        self._unsure += sum(isinstance(entry, Line) or entry.kind != "not-recorded" for entry in entries)
        for entry in entries:
            if (hour := entry.received // HOUR) != self._hour:
                self._put(b"".join(text))
                text = []
                self._end()
                self._open(hour)
            text.append(message_line(entry) if isinstance(entry, Line) else input_line(entry))
        self._put(b"".join(text))
        if last or self._unsure >= MOST_UNSURE:
            self._out(self._packer.flush(zlib.Z_SYNC_FLUSH))
            self._good, self._unsure = os.fstat(self._file).st_size, 0

    def close(self) -> None:
        """End the last file."""
        self._end()
        self._unsure = 0

    def give_up(self) -> int:
        """After a failure: leave the file as it can be read back; how many inputs that loses."""
        lost, self._unsure = self._unsure, 0
        if self._file >= 0:
            try:
                os.ftruncate(self._file, self._good)
            except OSError:
                pass  # no file of ours behind that name; what is torn is read up to the tear
            finally:
                os.close(self._file)
        self._file, self._hour, self._packer = -1, -1, None
        return lost

    def _open(self, hour: int) -> None:
        path = self._folder / f"{show(hour * HOUR)[:13]}.jsonl.gz"
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600)
        os.fchmod(self._file, 0o600)
        self._good = os.fstat(self._file).st_size
        self._out(MEMBER)
        self._packer, self._sum, self._length = zlib.compressobj(LEVEL, zlib.DEFLATED, -15), 0, 0
        self._hour = hour

    def _put(self, text: bytes) -> None:
        if text:
            self._sum, self._length = zlib.crc32(text, self._sum), self._length + len(text)
            self._out(self._packer.compress(text))

    def _end(self) -> None:
        """End the member and its file (RFC 1952 §2.3.1: CRC-32 and length of the text)."""
        if self._packer is not None:
            ending = self._sum.to_bytes(4, "little") + (self._length & 0xFFFFFFFF).to_bytes(4, "little")
            self._out(self._packer.flush() + ending)
            os.close(self._file)
            self._file, self._packer, self._hour = -1, None, -1

    def _out(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._file, data) :]


class RecordingEngine(Engine):
    """The engine, each of whose inputs is recorded before it is taken."""

    def __init__(self, site: Site, *, now: int, loaded: Loaded, recorder: Recorder, digest: str) -> None:
        """Begin as `Engine` does."""
        self._recorder = recorder
        self._within = False  # an input is being taken: what it calls is no input of its own
        super().__init__(site, now=now, loaded=loaded)
        start = {"site": site.name, "digest": digest, "version": __version__, "entries": loaded.size}
        recorder.record(Input(self.now, "start", start))
        for kind, rows in loaded.rows.items():
            for key, text in rows.items():
                if (row := _row(kind, text)) is not None:
                    recorder.record(Input(self.now, "state", {"kind": kind, "key": key, "row": row}))

    def receive(self, event: object, now: int) -> None:
        """Record an event, and take it."""
        if not self._within:
            self._keep(lambda: Input(max(now, self.now), NAMES[type(event)], self._said(event)))
        super().receive(event, now)

    def receive_message(self, message: Decoded, payload: bytes, now: int) -> Exception | None:
        """Record a message, and take it."""
        self._keep(lambda: message_as_line(message, payload, max(now, self.now), self.site.prefix))
        self._within = True
        try:
            return super().receive_message(message, payload, now)
        finally:
            self._within = False

    def advance(self, now: int, most: int | None = None) -> None:
        """Record that time passes, where something is due, and let it pass."""
        if (due := self.due()) is not None and due <= now:
            said: dict[str, Any] = {} if now >= self.now else {"to": show(now)}
            if most is not None:
                said["most"] = most
            self._keep(lambda: Input(max(now, self.now), "advance", said))
        super().advance(now, most)

    def note(self, event: str, **detail: object) -> None:
        """Record what the service notes, and note it."""
        self._keep(lambda: Input(self.now, "note", {"event": event, "detail": detail}))
        super().note(event, **detail)

    def resume(self) -> None:
        """Record the end of a start, and resume."""
        self._keep(lambda: Input(self.now, "resume", {}))
        super().resume()

    def _keep(self, make: Callable[[], Recorded]) -> None:
        """Record one input; a fault of ours in that must not keep the engine from it."""
        try:
            self._recorder.record(make())
        except Exception as error:
            self._recorder.lose(1)
            log.critical("a fault of ours: an input is not recorded", **fault(error))

    def _said(self, event: object) -> dict[str, Any]:
        """What an event says, without a code or an address."""
        said: dict[str, Any] = asdict(event)  # type: ignore[call-overload]  # events of the core are dataclasses
        if isinstance(event, Asked) and (whose := self._whose_code(event)) is not None:
            del said["reference"]
            said["code_of"] = whose
        elif isinstance(event, Attempted):
            said["text"] = self._without_address(event)
        return said

    def _without_address(self, event: Attempted) -> str:
        """A carrier's words as the engine will note them: without the address that the notice went to."""
        if self.technical.owns(event.notice):
            return self.outbox.without_address(self.technical.in_flight(event.notice)[0], event.text)
        notice = self.outbox.notices.get(event.notice)
        return "" if notice is None else self.outbox.without_address(notice.person, event.text)

    def _whose_code(self, event: Asked) -> list[str] | None:
        """The concern and the person that a code was made for."""
        concerns = self.responsibility.concerns
        reference = event.reference.strip()
        if reference.lower() in concerns:
            return None
        people = sorted(self.site.people, key=lambda person: person != event.person)
        for person in people:
            for concern in concerns:
                if self.site.code(concern, person) == reference.upper():
                    return [concern, person]
        return None


def message_as_line(message: Decoded, payload: bytes, received: int, prefix: str) -> Line:
    """A message as it came: decoding the line gives it again."""
    if isinstance(message, Rejection):
        return Line(received, message.topic, payload, message.reason is Reason.RETAINED_ANSWER)
    if isinstance(message, PresenceMessage):
        return Line(received, bridge_presence_topic(prefix, message.site, message.bridge), payload)
    if isinstance(message, Cleared):
        state = state_topic(prefix, message.site, message.unit, message.device)
        return Line(received, state.removesuffix("state") + message.kind, payload, True)
    topic = (
        state_topic if isinstance(message, Snapshot)
        else plan_topic if isinstance(message, PlanMessage)
        else responsibility_topic
    )  # fmt: skip
    return Line(received, topic(prefix, message.site, message.unit, message.device), payload)


def _row(kind: str, text: str) -> str | None:
    """What of a stored row a replay needs; None if nothing."""
    if kind == "configuration":
        return None  # what a service compares at its start; no decision is made of it
    if kind != "notice":
        return text
    version, notice = json.loads(text)
    if notice["state"] in ("sent", "failed", "dropped"):
        return None
    kept = {field: "" if field in _WORDS_OF_NOTICES else value for field, value in notice.items()}
    return json.dumps([version, kept])

"""The live service: wires the adapters to the engine, nothing else.

One loop takes what has come (messages, link events, answers, outcomes of attempts), gives it to the engine, stores in
one transaction what it did, and only then acknowledges the messages, performs the effects and answers. While one
transaction is being stored, the next is made ready.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import structlog

from monitor import __version__
from monitor.adapters import logs, mqtt
from monitor.adapters.carriers import Carrier
from monitor.adapters.clock import Clock, SteppedClock
from monitor.adapters.control import ControlServer
from monitor.adapters.notify import Notify
from monitor.adapters.store import Store
from monitor.adapters.store_errors import StoreError
from monitor.attempts import Attempts
from monitor.commands import Commands
from monitor.core.decode import decode
from monitor.core.effects import (
    Attempted,
    Effect,
    LinkDown,
    LinkUp,
    MarkerBack,
    Publish,
    Reply,
    SendMarker,
    SendNotice,
    StoreRefused,
    StoreWorks,
    TroubleSeen,
)
from monitor.core.journal import Happening
from monitor.core.parts import Loaded
from monitor.core.published import monitor_presence_payload
from monitor.core.topics import filters, monitor_presence_topic
from monitor.core.trail import Frontier
from monitor.core.troubles import CLOCK_STEPPED
from monitor.doors import Doors
from monitor.pulse import Pulse
from monitor.record import RecordKeeper
from monitor.recording import NoRecorder, Recorder
from monitor.rota import reading as rota_reading
from monitor.settings import Settings
from monitor.starting import note_start
from monitor.transactions import Transactions

if TYPE_CHECKING:
    from monitor.adapters.calendar import RotaFound
    from monitor.handover_mail import HandoverMail

log = structlog.get_logger(__name__)

Found = TypeVar("Found")

BATCH = 2_000  # messages in one transaction at the most: a longer one would stall the loop and the writer
TURN = 125  # messages taken before anything else has its turn: a few ms of work
SLICE = (
    1_000  # of work on deadlines before anything else has its turn, as `Engine.advance` reckons it: some ms
)
FAREWELL = 5.0  # seconds for attempts in flight at a stop; they are made again after the next start


@dataclass(slots=True)
class Batch:
    """What one transaction is about."""

    messages: list[mqtt.Received] = field(default_factory=list)
    markers: list[str] = field(default_factory=list)

    def __bool__(self) -> bool:
        """Whether it holds anything."""
        return bool(self.messages or self.markers)


class Service:
    """One site's monitor."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        store: Store,
        carriers: Mapping[str, Carrier],
        link_options: Mapping[str, Any],
        on_happening: Callable[[Happening], None] | None = None,
        on_notice: Callable[[SendNotice], None] | None = None,
        recorder: Recorder | NoRecorder | None = None,
        reload: Callable[[Service], Awaitable[tuple[bool, list[str]]]] | None = None,
        record: RecordKeeper | None = None,
        handovers: HandoverMail | None = None,
        notify: Notify | None = None,
        rota: RotaFound | None = None,
    ) -> None:
        """`reload` is what the command of that name does; `again` says after `run` whether to open it anew.

        Raises ProblemsFound for a broken rota where no good one is stored.
        """
        self.settings = settings
        self.again = False
        self.site = settings.site
        self.store = store  # worked with by `in_store` alone
        self.record, self.handovers = record, handovers
        self._noted: list[asyncio.Future[None]] = []  # who waits until what they noted is stored
        self._clock = clock
        self._on_happening = on_happening
        self._wake = asyncio.Event()
        self._quiet = asyncio.Event()
        self._inbox: deque[object] = deque()
        self._marks: dict[str, asyncio.Event] = {}
        self._tokens = 0
        self._attempts = Attempts(carriers, self._attempted, on_notice)
        self._batch = Batch()
        self._stopping = asyncio.Event()
        self._transactions = Transactions(
            store,
            stopping=self._stopping,
            ended=self._wake.set,
            refused=self._store_refused,
            works=lambda: self.engine.receive(StoreWorks(), self._clock.now()),
        )
        self._presence = monitor_presence_topic(self.site.prefix, self.site.name, settings.monitor_name)
        found = store.load()
        rota_reading.refuse_without(rota, found.rows.get("rota", {}))
        now = clock.now()
        self.pulse = Pulse(notify or Notify(), self._publish_presence, now)
        self._recorder = recorder or NoRecorder()
        loaded = Loaded(
            rows=found.rows,
            frontier=Frontier.from_text(found.frontier),
            size=found.next_entry,
            once=recorder is None,
        )
        self.engine = self._recorder.engine(self.site, now=now, loaded=loaded, digest=settings.digest)
        clock.start_from(self.engine.now)  # the machine's clock may have been set back since the last run
        clock.on_step = self._clock_set
        note_start(self, clock.now(), found.doubt, found.rows.get("configuration", {}).get("parts"))
        rota_reading.begin(self, rota, found.rows.get("rota", {}))
        self.link = mqtt.MqttLink(
            filters=filters(self.site.prefix, self.site.name),
            marker_topic=f"{self.site.prefix}/{self.site.name}/monitor/{settings.monitor_name}/marker",
            will=(self._presence, monitor_presence_payload(online=False, at=now, last_step=None)),
            on_wake=self._wake.set,
            rng=random.Random(),
            **link_options,
        )
        stepped = self if isinstance(clock, SteppedClock) else None
        ask = None if reload is None else partial(reload, self)
        more = None if record is None else record.commands(self)
        self._commands = Commands(
            self.engine, give=self.take, now=clock.now, stepped=stepped, reload=ask, more=more
        )
        self._doors = Doors(self, self._commands)
        self._control = ControlServer(settings.state_dir, self._commands.serve)

    # ---- running -------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until `stop`; raises StoreError if the store cannot go on.

        Whatever else it ends with: nothing half done is stored, and the next start goes on from the last transaction.
        """
        clean = False
        try:
            await self._control.start()
            await self._doors.open()
            self._store()  # the start itself, and the notices that were on their way
            await self._transactions.finish()
            if self.record is not None:
                await self.record.sign(self)
            await self.link.start()
            self.pulse.ready()
            log.info("serving", site=self.site.name, devices=len(self.engine.devices), version=__version__)
            while not self._stopping.is_set():
                await self._clock.wait(self._wake, self._next())
                self._wake.clear()
                await self._step()
            await self._transactions.finish()
            clean = True
        finally:
            await self._end(clean=clean)

    def now(self) -> int:
        """The service's instant."""
        return self._clock.now()

    @property
    def dropped(self) -> int:
        """How many publications were given up."""
        return self.link.dropped

    @property
    def carriers(self) -> tuple[str, ...]:
        """The names of its carriers."""
        return tuple(self.settings.carriers)

    async def connected(self, running: asyncio.Task[None]) -> None:
        """Wait until the broker is there and what it had is read; raises what `running` raised if it ended."""
        while not self.engine.sight.link and not running.done():
            await asyncio.wait({running}, timeout=0.02)
        if running.done():
            running.result()

    def note(self, event: str, **detail: object) -> None:
        """Put something into the trail that neither a message nor a person did."""
        self.engine.note(event, **detail)
        self._wake.set()

    async def stored(self) -> None:
        """Return once what was noted so far is stored."""
        waiting: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._noted.append(waiting)
        self._wake.set()
        await waiting

    async def in_store(self, work: Callable[[], Found]) -> Found:
        """Do something with the store in its own thread; raises StoreError."""
        return await self._transactions.ask(work)

    def take(self, event: object) -> None:
        """Give the engine an input in its turn."""
        self._inbox.append(event)
        self._wake.set()

    def begin_again(self) -> None:
        """Ask for a clean stop, after which whoever runs this opens it anew."""
        self.again = True
        self.stop()

    def stop(self) -> None:
        """Ask for a clean stop."""
        self._commands.refuse()
        self._stopping.set()
        self._wake.set()

    def _next(self) -> int | None:
        """When to wake at the latest: at a deadline of the core, or to say that the rule loop works."""
        if self._transactions.failing:
            return self.pulse.due
        due = self.engine.due()
        if self._transactions.busy:
            return due  # its end wakes us, and is the sign; one that never ends must not make the loop spin
        return self.pulse.due if due is None else min(due, self.pulse.due)

    async def _step(self) -> None:
        """One round: take what has come, and store what was done of it as soon as the last is stored."""
        self._transactions.check()
        if not self._transactions.failing:  # else what has come waits where it is, and no deadline passes
            self._take(self._batch)
            self.engine.advance(self._clock.reached(), SLICE)
        else:
            self.pulse.unable(self._clock.now(), self.late())
        if self._transactions.due(len(self._batch.messages)):
            self._store()
        if self._more():
            self._wake.set()
            await asyncio.sleep(0)  # an event that is set already lets nobody else have a turn
        elif self._is_quiet():
            self._quiet.set()

    def _more(self) -> bool:
        """Whether there is something that could be taken now."""
        if len(self._batch.messages) >= BATCH or self._transactions.failing:
            return False
        due = self.engine.due()
        late = due is not None and due <= self._clock.reached()
        return late or bool(self.link.waiting or self._inbox)

    def _is_quiet(self) -> bool:
        """Whether all that has come is stored and performed, and nothing is due."""
        due = self.engine.due()
        at_work = self._transactions.busy or self._batch or self._attempts or self.link.waiting or self._inbox
        return not at_work and (due is None or due > self._clock.reached())

    def _take(self, batch: Batch) -> None:
        while self._inbox:
            self.engine.receive(self._inbox.popleft(), self._clock.now())
        turn = min(BATCH, len(batch.messages) + TURN)
        while self.link.waiting and len(batch.messages) < turn:
            for event in self.link.take_events():
                self._take_event(event, batch)
            now = self._clock.now()
            for message in self.link.take(turn - len(batch.messages)):
                self._take_message(message, now)
                batch.messages.append(message)

    def _take_event(self, event: mqtt.LinkEvent, batch: Batch) -> None:
        now = self._clock.now()
        if isinstance(event, mqtt.Connected):
            log.info("broker there", session=event.session_present)
            self.engine.receive(LinkUp(session_present=event.session_present), now)
            self.pulse.linked(now)
            for token in self._marks:
                self.link.send_marker(token)  # those of a lost connection are forgotten
        elif isinstance(event, mqtt.Lost):
            log.warning("broker not there", why=event.reason)
            self.engine.receive(LinkDown(reason=event.reason), now)
            self.pulse.unlinked(now)
        else:
            batch.markers.append(event.token)
            self.engine.receive(MarkerBack(token=event.token), now)

    def _take_message(self, message: mqtt.Received, now: int) -> None:
        """Read one message; what it does to the engine must never depend on who else is in the batch."""
        decoded = decode(
            message.topic,
            message.payload,
            retain=message.retain,
            prefix=self.site.prefix,
            site=self.site.name,
        )
        error = self.engine.receive_message(decoded, message.payload, now)
        if error is not None:
            log.critical(
                "a fault of ours on one message; it is quarantined", topic=message.topic, **logs.fault(error)
            )

    def _store(self) -> None:
        """Store what the engine did; then acknowledge, perform and answer."""
        batch, self._batch = self._batch, Batch()
        at = self._clock.now()
        owed = at >= self.pulse.due
        self.engine.memo["last"] = str(at)
        self.engine.technical.watching(at, at_once=owed)
        changes = self.engine.take_changes()
        effects = self.engine.take_effects()
        happened = self.engine.take_happenings()
        inputs = self._recorder.take()
        noted, self._noted = self._noted, []

        def then() -> None:
            self._recorder.write(inputs)
            for waiting in noted:
                if not waiting.done():
                    waiting.set_result(None)
            self._stored(batch, happened, effects)
            self.pulse.committed(at, self._clock.now(), self.late(), owed=owed)

        self._transactions.begin(changes, then)

    def _stored(self, batch: Batch, happened: list[Happening], effects: list[Effect]) -> None:
        if batch.messages:
            self.link.ack(batch.messages)
        for happening in happened:
            self._show(happening)
        for effect in effects:
            self._perform(effect)
        for token in batch.markers:
            if (mark := self._marks.pop(token, None)) is not None:
                mark.set()

    # ---- effects -------------------------------------------------------------------------------------------------

    def _perform(self, effect: Effect) -> None:
        if isinstance(effect, SendNotice):
            self._attempts.start(effect)
        elif isinstance(effect, Publish):
            self.link.publish(effect.topic, effect.payload, retain=effect.retain)
        elif isinstance(effect, SendMarker):
            self.link.send_marker(effect.token)
        elif isinstance(effect, Reply):
            self._commands.reply(effect)

    def _store_refused(self, error: StoreError, ended: bool) -> None:
        """Tell whoever mends it, without the store."""
        refused = StoreRefused(cause=error.cause, detail=str(error), ended=ended)
        self.engine.receive(refused, self._clock.now())
        self.pulse.refused(error.cause, self._clock.now())
        self._wake.set()  # the loop waits for the commit's end, and has to go on giving signs of life
        for effect in self.engine.technical.take_direct():
            self._attempts.start(effect)

    def _clock_set(self, by: int) -> None:
        log.warning("the machine's clock was set", by_s=by / 1000)
        self.take(TroubleSeen(trouble=CLOCK_STEPPED, facts={"by": by}))

    def _attempted(self, attempt: Attempted) -> None:
        if self._transactions.failing and self.engine.technical.owns(attempt.notice):
            self.engine.receive(attempt, self._clock.now())  # it may go another way then, at the next refusal
            return
        self.take(attempt)

    def _show(self, happening: Happening) -> None:
        if self._on_happening is not None:
            self._on_happening(happening)
        logs.tell(happening)

    def late(self) -> int:
        """By how many ms the earliest deadline is overdue."""
        due = self.engine.due()
        return 0 if due is None else max(0, self._clock.reached() - due)

    def _publish_presence(self, payload: bytes) -> None:
        self.link.publish(self._presence, payload, retain=True)

    async def drill(self, *, unit: str, to: str | None, priority: str, wait: int, by: str) -> dict[str, Any]:
        """Begin a drill (`wait` in ms); its id, or why there is none, after the commit."""
        command = {"command": "drill", "unit": unit, "to": to, "priority": priority, "wait": wait, "by": by}
        return await self._commands.drill(command)

    async def answer(self, answer: str, reference: str, person: str) -> dict[str, Any]:
        """Give a person's answer to the engine; what it says, after the commit."""
        return await self._commands.answer(answer, reference, person)

    # ---- the stepped clock (demo and tests) ----------------------------------------------------------------------

    def enter(self, at: int) -> None:
        """It is `at` now; its deadlines wait for `complete`."""
        assert isinstance(self._clock, SteppedClock)
        self._quiet.clear()
        self._clock.enter(at)

    async def complete(self, *, messages: bool = True) -> int | None:
        """Let the instant's messages come, its deadlines pass and its sends end; then the next instant due.

        `messages` False spares waiting for our marker where nothing was published.
        """
        assert isinstance(self._clock, SteppedClock)
        if messages and self.engine.sight.link:
            self._tokens += 1
            token = f"complete-{self._tokens}"
            mark = self._marks[token] = asyncio.Event()
            self.link.send_marker(token)
            await mark.wait()
        self._quiet.clear()
        self._clock.complete()
        self._wake.set()
        await self._quiet.wait()
        return self.engine.due()

    # ---- the end -------------------------------------------------------------------------------------------------

    async def _end(self, *, clean: bool) -> None:
        if clean or self.engine.technical.sending:
            await self._attempts.wait(FAREWELL)
        if clean:
            await self._store_last()
        for waiting in self._noted:
            waiting.cancel()
        if clean and self.record is not None:
            await self.record.last(self)
        await self._attempts.cancel()
        self._commands.close()
        await self._doors.shut_pages()
        await self._control.stop()
        await self._doors.shut_health()
        self.pulse.ends(self._clock.now(), asked=clean, again=self.again)
        await self.link.stop()
        await self._attempts.close()
        if self.record is not None:
            await self.record.close()
        await self._transactions.close()
        await asyncio.to_thread(self._recorder.close)
        log.info("stopped")

    async def _store_last(self) -> None:
        """Store what has come in meanwhile, and answer those who asked; notices go out after the next start."""
        try:
            await self._transactions.finish()
            while self._inbox:
                self.engine.receive(self._inbox.popleft(), self._clock.now())
            self.engine.note("stopped")
            self.engine.memo["stopped"] = "asked to"
            self.engine.memo["last"] = str(self._clock.now())
            changes, effects = self.engine.take_changes(), self.engine.take_effects()
            await self._transactions.last(changes)
        except StoreError as error:
            log.error("the last transaction could not be stored", why=str(error))
            return
        self._recorder.flush()
        self.link.ack(self._batch.messages)
        for effect in effects:
            if isinstance(effect, Publish | Reply):
                self._perform(effect)

"""The link to the broker: what arrives, in order; acknowledgements when they are due; reconnecting for ever.

Rules for editing: a message is acknowledged only by `ack`, which the service calls after its commit, and only
on the connection that brought it: message ids start anew with each connection, so an old id would acknowledge
a new message that nobody has stored. Nothing blocks the loop, and nothing is raised into paho.

The broker decides how many messages may be on their way unacknowledged: mosquitto's default of 20 throttles a
service that acknowledges in batches, so its `max_inflight_messages` should be 1000 or more. Paho's setting of
that name is about what *we* publish.
"""

from __future__ import annotations

import asyncio
import random
import ssl
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import structlog
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.mqtt_connection import Connection, Identity
from monitor.adapters.mqtt_events import Connected, LinkEvent, Lost, MarkerBack, Received
from monitor.adapters.mqtt_markers import Markers
from monitor.adapters.mqtt_outgoing import Outgoing, Publication
from monitor.adapters.mqtt_receipts import Receipts
from monitor.adapters.mqtt_rounds import BrokerAddress, LinkTimes, Rounds

__all__ = [
    "BrokerAddress",
    "Connected",
    "LinkEvent",
    "LinkTimes",
    "Lost",
    "MarkerBack",
    "MqttLink",
    "Received",
]

log = structlog.get_logger(__name__)


class MqttLink:
    """What a service holds of MQTT: one persistent session, over whichever broker answers.

    Messages and events stand in one queue in the order in which they happened. `take` stops at an event and
    `take_events` at a message, so neither can overtake the other: call both until `waiting` is 0.

    When a connection is lost, its messages not yet taken are thrown away: unacknowledged, the broker sends
    them again, and an old copy beside the new one would only be counted as a duplicate. (A broker that itself
    crashed may have lost them; the next snapshot heals that, as with all that a crashed broker loses.)

    A session that the broker kept is trusted to hold our `filters`; whoever changes the filters must change
    the `client_id`.
    """

    def __init__(
        self,
        *,
        addresses: Sequence[BrokerAddress],
        client_id: str,
        filters: Sequence[str],
        marker_topic: str | None,
        on_wake: Callable[[], None],
        rng: random.Random,
        will: tuple[str, bytes] | None = None,
        username: str | None = None,
        password: str | None = None,
        tls: ssl.SSLContext | None = None,
        keepalive: int = 15,
        kept: bool = True,
        protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv311,
        max_waiting: int = 20_000,
        times: LinkTimes | None = None,
    ) -> None:
        """Prepare; nothing is done before `start`.

        Args:
            addresses: brokers, tried in turn; a persistent session helps only if they share it.
            client_id: name of the session at the broker, the same after each start of the same service.
            filters: topic filters subscribed to at QoS 1, beside `marker_topic`.
            marker_topic: a topic of our own, for `send_marker`; none for who sends no markers.
            on_wake: called on the loop, soon after something begins to wait; what it raises is logged.
            rng: spreads the waits, so that all clients of a broker do not return at once.
            will: topic and payload that the broker publishes, retained, when we are gone without a `stop`.
            tls: context for TLS; none means plain TCP.
            keepalive: seconds of silence after which the peer is asked, and after as many again given up.
            kept: whether the broker keeps the session and what comes while we are away.
            protocol: 3.1.1 is 8-11 microseconds a message cheaper in paho than 5.
            max_waiting: messages untaken at which reading stops, until half of them are taken.
        """
        self._identity = Identity(
            client_id=client_id,
            will=will,
            username=username,
            password=password,
            tls=tls,
            keepalive=keepalive,
            kept=kept,
            protocol=protocol,
        )
        self._subscriptions = [(name, 1) for name in (*filters, marker_topic) if name is not None]
        self._marker_topic = marker_topic
        self._on_wake = on_wake
        self._max_waiting = max_waiting
        self._times = times or LinkTimes()
        self._rounds = Rounds(addresses, self._times, rng)
        self._generation = 0
        self._queue: deque[Received | LinkEvent] = deque()
        self._untaken = 0
        self._wake_due = False
        self._connection: Connection | None = None  # from the dialling on
        self._live = False  # CONNACK has come: publications may go out
        self._ready = asyncio.Event()  # subscriptions stand
        self._session_present = False
        self._subscriptions_doubted = False  # a SUBSCRIBE was sent and not wholly granted
        self._reasons_told: set[str] = set()
        self._receipts = Receipts()
        self._markers = Markers()
        self._marker_timer: asyncio.TimerHandle | None = None
        self._outgoing = Outgoing()
        self._task: asyncio.Task[None] | None = None
        self._stopping = False

    # --- for the service --------------------------------------------------------------------------------

    async def start(self) -> None:
        """Begin to connect, and return at once."""
        if self._task is None:
            self._task = asyncio.create_task(self._run(), name="mqtt link")

    @property
    def waiting(self) -> int:
        """How many messages and events have not been taken."""
        return len(self._queue)

    @property
    def generation(self) -> int:
        """How many connections a broker has accepted so far."""
        return self._generation

    @property
    def dropped(self) -> int:
        """How many publications were given up: unretained without a connection, or more than can be kept."""
        return self._outgoing.dropped

    def take(self, limit: int) -> list[Received]:
        """Give what has arrived, oldest first, at most `limit`, and nothing from behind an event."""
        taken: list[Received] = []
        queue = self._queue
        while queue and len(taken) < limit:
            head = queue[0]
            if not isinstance(head, Received):
                break
            taken.append(head)
            queue.popleft()
        self._untaken -= len(taken)
        if self._connection is not None and self._untaken <= self._max_waiting // 2:
            self._connection.resume()
        return taken

    def take_events(self) -> list[LinkEvent]:
        """Give the events at the head of the queue, and none from behind a message."""
        taken: list[LinkEvent] = []
        while self._queue:
            head = self._queue[0]
            if isinstance(head, Received):
                break
            taken.append(head)
            self._queue.popleft()
        return taken

    def ack(self, received: Iterable[Received]) -> None:
        """Acknowledge messages, each once, after what they did is on disk.

        Those of an older connection are ignored; one never acknowledged holds back all that came after it.
        """
        here = self._generation
        self._receipts.settle_all([message.mid for message in received if message.generation == here])
        self._send_acks()

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish, now or when connected again; never raises.

        Without a connection only the newest payload for each retained topic is kept (10,000 topics at most,
        the oldest given up first); what is not retained is given up. Both count in `dropped`.
        """
        publication = Publication(topic, payload, qos, retain)
        if self._stopping:
            self._outgoing.give_up(publication)
        else:
            self._outgoing.publish(publication)

    def send_marker(self, token: str) -> None:
        """Send a marker that comes back as `MarkerBack(token)` behind all that is queued now.

        Without a connection it is forgotten, as are markers under way when one is lost: send a new one at
        `Connected`.
        """
        if self._live and not self._stopping:
            self._markers.expect(token)
            self._publish_marker(token)
            if self._session_present and self._marker_timer is None:
                loop = asyncio.get_running_loop()
                self._marker_timer = loop.call_later(self._times.marker, self._doubt_session)

    async def stop(self) -> None:
        """Disconnect cleanly, so that the will is not published; 4 seconds at most.

        What was published and acknowledged before goes out first; nothing is taken, sent or told afterwards.
        """
        self._stopping = True
        connection = self._connection
        if connection is not None and self._live:
            await self._outgoing.settle(self._times.farewell)
            await connection.hang_up(self._times.farewell)
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None

    # --- connecting, for ever ---------------------------------------------------------------------------

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        while not self._stopping:
            began = loop.time()
            stood = await self._hold_one(self._rounds.address)
            await asyncio.sleep(self._rounds.wait_after(loop.time() - began if stood else 0.0))

    async def _hold_one(self, address: BrokerAddress) -> bool:
        """Make one connection and hold it until it is lost; tells whether it ever stood."""
        connection = Connection(address, self._identity, self, limit=self._times.connect)
        try:
            await connection.dial()
        except TimeoutError:
            self._tell_lost(None, f"{address}: no connection within {self._times.connect:g} s")
            return False
        except Exception as error:  # refused, unknown, untrusted: whatever it is, it must not end the trying
            self._tell_lost(None, f"{address}: {error}")
            return False
        self._connection = connection
        try:
            return await self._hold(connection, address)
        finally:
            connection.close("stopped")
            self._forget_connection()

    async def _hold(self, connection: Connection, address: BrokerAddress) -> bool:
        ready = asyncio.ensure_future(self._ready.wait())
        either: set[asyncio.Future[Any]] = {ready, connection.lost}
        try:
            await asyncio.wait(either, timeout=self._times.answer, return_when=asyncio.FIRST_COMPLETED)
        finally:
            ready.cancel()
        if not self._ready.is_set():
            connection.close(f"no answer to our login within {self._times.answer:g} s")
        reason = await connection.lost
        stood = self._ready.is_set()
        self._forget_connection()
        if not self._stopping:
            self._tell_lost(self._generation if stood else None, f"{address}: {reason}")
        return stood

    def _tell_lost(self, generation: int | None, reason: str) -> None:
        if generation is None:
            if reason in self._reasons_told:  # each reason once, not at each of a night's attempts
                return
            self._reasons_told.add(reason)
        self._enqueue(Lost(generation, reason))

    def _forget_connection(self) -> None:
        if self._connection is None:
            return
        self._connection = None
        self._live = False
        self._ready.clear()
        self._queue = deque(item for item in self._queue if isinstance(item, Connected | Lost))
        self._untaken = 0
        self._receipts.clear()
        self._markers.clear()
        self._cancel_marker_timer()
        self._outgoing.lost()

    # --- what a connection tells us (ConnectionListener) ------------------------------------------------

    def accepted(self, session_present: bool) -> None:
        """Begin a generation; subscribe only where the broker has kept no session."""
        self._generation += 1
        self._live = True
        self._session_present = session_present
        if session_present and not self._subscriptions_doubted:
            self._connected()
        else:
            self._subscribe()
        if self._connection is not None:
            self._connection.count_from(self._generation)
            self._outgoing.connected(self._connection.client)

    def granted(self, refused: list[int]) -> None:
        """Go on with standing subscriptions, or give this connection up naming those that were refused."""
        connection = self._connection
        if connection is None:
            return
        if refused:
            names = ", ".join(
                self._subscriptions[place][0] for place in refused if place < len(self._subscriptions)
            )
            asyncio.get_running_loop().call_soon(
                connection.close, f"subscription refused by the broker: {names}"
            )
            return
        self._subscriptions_doubted = False
        if not self._ready.is_set():
            self._connected()
        for token in self._markers:  # those sent before had nowhere to come back to
            self._publish_marker(token)

    def arrived(self, message: MQTTMessage) -> None:
        """Put a message at the end of the queue."""
        if message.qos:
            self._receipts.owe(message.mid)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "\N{REPLACEMENT CHARACTER}"  # a broker should refuse such a topic; no contract has it
        if topic == self._marker_topic:
            self._marker_back(message.mid, message.qos, bytes(message.payload))
            return
        payload = bytes(message.payload)
        self._enqueue(Received(self._generation, message.mid, topic, payload, message.retain, message.qos))
        self._count(1)

    def came(self, publications: list[Received]) -> None:
        """Put messages at the end of the queue, in order."""
        self._receipts.owe_all([message.mid for message in publications if message.qos])
        markers = [place for place, message in enumerate(publications) if message.topic == self._marker_topic]
        at = 0
        for place in markers:
            self._enqueue_all(publications[at:place])
            self._marker_back(publications[place].mid, publications[place].qos, publications[place].payload)
            at = place + 1
        self._enqueue_all(publications[at:])

    def _enqueue_all(self, publications: list[Received]) -> None:
        if publications:
            self._queue.extend(publications[:-1])
            self._enqueue(publications[-1])
            self._count(len(publications))

    def _count(self, more: int) -> None:
        self._untaken += more
        if self._untaken >= self._max_waiting and self._connection is not None:
            self._connection.pause()

    def confirmed(self, mid: int) -> None:
        """Strike off a publication that the broker has."""
        self._outgoing.confirmed(mid)

    # --- the parts --------------------------------------------------------------------------------------

    def _connected(self) -> None:
        self._ready.set()
        self._reasons_told.clear()
        self._enqueue(Connected(self._generation, self._session_present))

    def _subscribe(self) -> None:
        if self._connection is not None:
            self._subscriptions_doubted = True
            self._connection.client.subscribe(self._subscriptions)

    def _doubt_session(self) -> None:
        """Subscribe anew where a kept session lets no marker through.

        So it is after a process died between CONNACK and SUBACK.
        """
        self._marker_timer = None
        if self._markers and self._live:
            log.warning("a marker does not come back: subscribing again", after_s=self._times.marker)
            self._subscribe()

    def _cancel_marker_timer(self) -> None:
        if self._marker_timer is not None:
            self._marker_timer.cancel()
            self._marker_timer = None

    def _publish_marker(self, token: str) -> None:
        if self._connection is not None and self._marker_topic is not None:
            payload = self._markers.payload(self._generation, token)
            self._connection.client.publish(self._marker_topic, payload, qos=1)

    def _marker_back(self, mid: int, qos: int, payload: bytes) -> None:
        if qos:
            self._receipts.settle(mid)  # nothing of it is stored
        token = self._markers.recognise(payload, self._generation)
        if token is not None:
            if not self._markers:
                self._cancel_marker_timer()
            self._enqueue(MarkerBack(self._generation, token))
        self._send_acks()

    def _send_acks(self) -> None:
        if self._connection is not None:
            self._connection.acknowledge(self._receipts.due())

    def _enqueue(self, item: Received | LinkEvent) -> None:
        self._queue.append(item)
        if not self._wake_due:
            self._wake_due = True
            asyncio.get_running_loop().call_soon(self._wake)

    def _wake(self) -> None:
        self._wake_due = False
        try:
            self._on_wake()
        except Exception:
            log.exception("the consumer of the MQTT link failed")

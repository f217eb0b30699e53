"""One connection to one broker: a paho client driven by the asyncio loop, from dialling to its loss.

Rules for editing: a connection and its client are never used twice, so nothing of an old connection (message
ids, packets half written, a thread still dialling) can reach a new one. No exception may leave a paho
callback: paho would hand over the same packet for ever. No socket is closed inside one: paho holds a lock.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading
from dataclasses import dataclass, field
from typing import Any, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.mqtt_buffered import BufferedClient, client_class
from monitor.adapters.mqtt_events import Received
from monitor.adapters.mqtt_rounds import BrokerAddress

# Messages read in one turn of the loop, or one piece more: a few ms of work, so that nothing else waits longer.
READ_TURN = 200

# Unsubscribed from to show the broker that we live, where a ping cannot be used.
NEVER_SUBSCRIBED = "secondbell/never-subscribed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a client says of itself when it connects; its `will` is published retained at QoS 1."""

    client_id: str
    will: tuple[str, bytes] | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None
    keepalive: int = 15
    kept: bool = True  # the broker keeps what comes while we are away
    protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv311


class TidySocket(ssl.SSLSocket):
    """A TLS socket that is closed when its handshake fails, which paho would leave to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, or close and raise."""
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class ConnectionListener(Protocol):
    """Who is told what happens on a connection; all but `lost` are called from inside paho."""

    def accepted(self, session_present: bool) -> None:
        """Hear that the broker accepted the login."""

    def arrived(self, message: MQTTMessage) -> None:
        """Hear of one message."""

    def came(self, publications: list[Received]) -> None:
        """Hear of several messages at once, in order."""

    def granted(self, refused: list[int]) -> None:
        """Hear the answer to a subscription: which of its filters, by position, were refused."""

    def confirmed(self, mid: int) -> None:
        """Hear that the broker has the message published under this id."""


class Connection:
    """One connection, from `dial` until `lost` is done; `lost` tells why in words."""

    def __init__(
        self, address: BrokerAddress, identity: Identity, listener: ConnectionListener, *, limit: float
    ) -> None:
        """Prepare a client; nothing is sent before `dial`, which takes `limit` seconds at most."""
        self.address = address
        self._limit = limit
        self._loop = asyncio.get_running_loop()
        self.lost: asyncio.Future[str] = self._loop.create_future()
        self._identity = identity
        self._listener = listener
        self._socket: Any = None  # paho's SocketLike lacks pending(); None before and after the connection
        self._refusal: str | None = None
        self._arrivals = 0
        self._paused = False
        self._discarding = False
        self._probe_after = 0.0  # loop time until which the keepalive is ours, see _tick
        self._probed = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self.client = self._build()

    def _build(self) -> Client:
        who = self._identity
        v5 = who.protocol == MQTTProtocolVersion.MQTTv5
        client = client_class()(
            CallbackAPIVersion.VERSION2,
            client_id=who.client_id,
            clean_session=None if v5 else not who.kept,
            protocol=who.protocol,
            manual_ack=True,
            reconnect_on_failure=False,  # else paho dials again, blocking, inside the CONNACK
        )
        client.connect_timeout = self._limit
        if who.username is not None:
            client.username_pw_set(who.username, who.password)
        if who.tls is not None:
            if who.tls.sslsocket_class is ssl.SSLSocket:
                who.tls.sslsocket_class = TidySocket
            client.tls_set_context(who.tls)
            client.tls_insecure_set(not who.tls.check_hostname)
        if who.will is not None:
            client.will_set(who.will[0], who.will[1], qos=1, retain=True)
        if v5:
            kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            # MQTT 5 §3.1.2.11.2: never, or at once
            kept.SessionExpiryInterval = 0xFFFFFFFF if who.kept else 0
            client.connect_async(
                self.address.host, self.address.port, who.keepalive, clean_start=not who.kept, properties=kept
            )
        else:
            client.connect_async(self.address.host, self.address.port, who.keepalive)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        if isinstance(client, BufferedClient):
            client.on_publications = self._on_publications
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_register_write
        client.on_socket_unregister_write = self._on_unregister_write
        return client

    # --- dialling ---------------------------------------------------------------------------------------

    async def dial(self) -> None:
        """Connect TCP (and TLS) in a thread of its own and send CONNECT.

        A daemon thread, not the loop's shared pool: looking up a name can hang for a minute, and must then
        hold up neither the store's work nor the end of the process.

        Raises:
            TimeoutError: no connection within the limit; the thread closes what it still gets.
            OSError, ValueError: refused, unreachable, unknown name, or a TLS failure.
        """
        done: asyncio.Future[None] = self._loop.create_future()

        def finish(error: Exception | None) -> None:
            if done.done():  # given up meanwhile
                self._close_unattached()
            elif error is not None:
                done.set_exception(error)
            else:
                done.set_result(None)

        def connect() -> None:
            error: Exception | None = None
            try:
                self.client.reconnect()
            except Exception as caught:  # handed to the loop, whatever it is
                error = caught
            try:
                self._loop.call_soon_threadsafe(finish, error)
            except RuntimeError:  # the loop has closed
                self._close_unattached()

        threading.Thread(target=connect, name=f"dial {self.address}", daemon=True).start()
        async with asyncio.timeout(self._limit):
            await done
        self._attach()

    def _close_unattached(self) -> None:
        stray = self.client.socket()
        if stray is not None:
            stray.close()

    def _attach(self) -> None:
        self._socket = self.client.socket()
        with contextlib.suppress(OSError):
            # Acknowledgements of 4 bytes would else wait 40 ms for the peer's delayed ACK (Nagle).
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._loop.add_reader(self._socket, self._readable)
        if self.client.want_write():
            self._loop.add_writer(self._socket, self._writable)
        self._timer = self._loop.call_later(self._tick_seconds, self._tick)

    # --- reading and writing ----------------------------------------------------------------------------

    def _readable(self) -> None:
        try:
            until = self._arrivals + READ_TURN
            while self._arrivals < until:
                if self._paused or self._socket is None:
                    return
                before = self._arrivals
                self.client.loop_read()
                if self._arrivals == before:  # nothing more there, or no message: the loop calls again
                    break
        except Exception as error:  # paho on a packet it cannot parse
            self.close(f"unreadable packet from the broker: {error}")
            return
        # Bytes that have left the network already do not make the socket readable again.
        inside_tls = isinstance(self._socket, ssl.SSLSocket) and self._socket.pending()
        if inside_tls or (isinstance(self.client, BufferedClient) and self.client.holds_bytes):
            self._loop.call_soon(self._readable)

    def _writable(self) -> None:
        if self._socket is None:
            return
        try:
            self.client.loop_write()
        except Exception as error:
            self.close(f"write failed: {error}")

    def pause(self) -> None:
        """Stop reading: what the broker sends stays in the network until `resume`."""
        if not self._paused and self._socket is not None:
            self._paused = True
            self._loop.remove_reader(self._socket)

    def resume(self) -> None:
        """Read again."""
        if self._paused:
            self._paused = False
            self._probe_after = self._loop.time() + self._identity.keepalive / 2
            if self._socket is not None:
                self._loop.add_reader(self._socket, self._readable)
                self._loop.call_soon(self._readable)  # TLS may hold bytes already

    @property
    def _tick_seconds(self) -> float:
        return min(1.0, self._identity.keepalive / 4)

    def _tick(self) -> None:
        if self._socket is None:
            return
        self._timer = self._loop.call_later(self._tick_seconds, self._tick)
        now = self._loop.time()
        try:
            if not self._paused and now >= self._probe_after:
                self.client.loop_misc()
            elif now - self._probed >= self._identity.keepalive / 2:
                # While we do not read, paho would take the unread PINGRESP for a dead broker, and without a
                # packet from us the broker would drop us. Paho has no public ping; this one changes nothing.
                self._probed = now
                self.client.unsubscribe(NEVER_SUBSCRIBED)
        except Exception as error:
            self.close(f"keepalive failed: {error}")

    # --- the end ----------------------------------------------------------------------------------------

    async def hang_up(self, limit: float) -> None:
        """Send what is queued and DISCONNECT, and wait at most `limit` seconds for the broker to close.

        Closing first could reset the connection with bytes unread, and a broker that thus misses the
        DISCONNECT would publish our will. Messages that still come are not taken: they come again.
        """
        self._discarding = True
        self.resume()
        try:
            self.client.disconnect()
            async with asyncio.timeout(limit):
                await asyncio.shield(self.lost)
        except TimeoutError:
            pass
        finally:
            self.close("stopped")

    def count_from(self, generation: int) -> None:
        """Mark what comes from now on with this generation."""
        if isinstance(self.client, BufferedClient):
            self.client.generation = generation

    def acknowledge(self, mids: list[int]) -> None:
        """Acknowledge messages of QoS 1, in this order."""
        if isinstance(self.client, BufferedClient):
            self.client.ack_all(mids)
        else:
            for mid in mids:
                self.client.ack(mid, 1)

    def close(self, reason: str) -> None:
        """Close at once, without DISCONNECT; the first reason given is the one that `lost` tells."""
        self._forget_socket(close=True)
        if not self.lost.done():
            self.lost.set_result(reason)

    def _forget_socket(self, *, close: bool) -> None:
        if self._timer is not None:
            self._timer.cancel()
        gone, self._socket = self._socket, None
        if gone is not None:
            self._loop.remove_reader(gone)
            self._loop.remove_writer(gone)
            if close:
                gone.close()

    # --- paho's callbacks -------------------------------------------------------------------------------

    def _on_connect(
        self, _c: Client, _u: Any, flags: ConnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
        else:
            self._listener.accepted(flags.session_present)

    def _on_message(self, _c: Client, _u: Any, message: MQTTMessage) -> None:
        self._arrivals += 1
        if not self._discarding:
            self._listener.arrived(message)

    def _on_publications(self, publications: list[Received]) -> None:
        self._arrivals += len(publications)
        if not self._discarding:
            self._listener.came(publications)

    def _on_subscribe(
        self, _c: Client, _u: Any, _m: int, reasons: list[ReasonCode], _p: Properties | None
    ) -> None:
        self._listener.granted([place for place, reason in enumerate(reasons) if reason.is_failure])

    def _on_publish(self, _c: Client, _u: Any, mid: int, _r: ReasonCode, _p: Properties) -> None:
        self._listener.confirmed(mid)

    def _on_disconnect(
        self, _c: Client, _u: Any, flags: DisconnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        if self._refusal is not None:
            told = f"login refused by the broker: {self._refusal}"
        elif flags.is_disconnect_packet_from_server:
            told = f"closed by the broker: {reason}"
        elif reason == "Keep alive timeout":
            told = f"no answer within the keepalive of {self._identity.keepalive} s"
        elif reason == "Protocol error":
            told = "protocol error"
        else:
            told = "connection closed"
        if not self.lost.done():
            self.lost.set_result(told)

    def _on_socket_close(self, _c: Client, _u: Any, _s: Any) -> None:
        self._forget_socket(close=False)  # paho closes it next

    def _on_register_write(self, _c: Client, _u: Any, _s: Any) -> None:
        if self._socket is not None:  # else still in the dialling thread: _attach sees to it
            self._loop.add_writer(self._socket, self._writable)

    def _on_unregister_write(self, _c: Client, _u: Any, _s: Any) -> None:
        if self._socket is not None:
            self._loop.remove_writer(self._socket)

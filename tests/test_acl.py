"""The shipped mosquitto.conf and mosquitto.acl, on a real mosquitto over TLS: who may say what, and that is enough.

Files are taken as they are shipped but for paths, the port, and the name of the tests' monitor; one account that reads
everything is added, to look. What is denied is dropped without a word, so behind each attempt the same client says
something that it may: when that has come, the other has not.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.brokers import Mosquitto, publish_all, tls_settings
from tests.conftest import ROOT
from tests.night import ELM, MINUTE, PREFIX, PRESENCE, SECOND, TEN, Ward, alarm, answer, state, until, ward
from tests.ward_site import site_text

CONFIG = ROOT / "config"
USERS = ("secondbell", "watch", "north-7", "north-8", "button-0101", "spy")
OAK = f"{PREFIX}/oak"


class Shipped(Mosquitto):
    """A mosquitto with the shipped configuration."""

    def configuration(self) -> str:
        """The shipped text, with the paths of this test."""
        text = (CONFIG / "mosquitto.conf").read_text()
        for shipped, here in (
            ("listener 8883", f"listener {self.address.port} {self.address.host}"),
            ("/etc/mosquitto/certs/", f"{self.folder}/"),
            ("/etc/mosquitto/secondbell.", f"{self.folder}/secondbell."),
        ):
            assert shipped in text
            text = text.replace(shipped, here)
        return f"{text}\npersistence_location {self.folder}/\nlog_dest file {self.log_file}\nuser root\n"


class Clients:
    """Clients that are not ours, each with the name and password of its own."""

    def __init__(self, broker: Shipped, trusting: ssl.SSLContext) -> None:
        self.broker, self.trusting = broker, trusting
        self.heard: list[tuple[str, bytes]] = []

    async def say(self, user: str, *messages: tuple[str, bytes], retain: bool = False) -> None:
        """Publish as this user, at QoS 1, each confirmed."""
        auth = {"username": user, "password": f"of {user}"}
        await publish_all(
            self.broker.address, messages, retain=retain, auth=auth,
            tls={"ca_certs": str(self.broker.folder / "server.pem")},
        )  # fmt: skip

    @contextlib.asynccontextmanager
    async def listening(self, user: str, topic: str = "#") -> AsyncIterator[list[tuple[str, bytes]]]:
        """What this user hears while the block lasts."""
        heard: list[tuple[str, bytes]] = []
        subscribed: list[int] = []
        client = Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set(user, f"of {user}")
        client.tls_set_context(self.trusting)

        def on_message(_client: Client, _userdata: object, message: MQTTMessage) -> None:
            heard.append((message.topic, bytes(message.payload)))

        client.on_message = on_message
        client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        client.on_subscribe = lambda *_: subscribed.append(1)
        client.connect(self.broker.address.host, self.broker.address.port)
        client.loop_start()
        try:
            await until(lambda: bool(subscribed), f"{user} to be subscribed")
            yield heard
        finally:
            client.disconnect()
            client.loop_stop()


def _prepare(folder: Path) -> ssl.SSLContext:
    """Put certificate, passwords and rights where the configuration has them; a context that trusts the broker."""
    folder.mkdir()
    _, trusting = tls_settings(folder)
    program = shutil.which("mosquitto_passwd")
    assert program is not None, "mosquitto_passwd comes with mosquitto"
    passwords = folder / "secondbell.passwords"
    passwords.write_text("".join(f"{user}:of {user}\n" for user in USERS))
    subprocess.run([program, "-U", str(passwords)], check=True, capture_output=True)
    rights = (CONFIG / "mosquitto.acl").read_text()
    assert "monitor/main/" in rights
    (folder / "secondbell.acl").write_text(
        rights.replace("monitor/main/", "monitor/night/") + "\nuser spy\ntopic read #\n"
    )
    return trusting


@contextlib.asynccontextmanager
async def shipped_broker(folder: Path) -> AsyncIterator[Clients]:
    """The broker, running."""
    trusting = _prepare(folder)
    broker = Shipped(folder)
    await broker.start()
    try:
        yield Clients(broker, trusting)
    finally:
        await broker.stop()


STATE, PLAN, SAY = b'{"a": "state"}', b'{"a": "plan"}', b'{"an": "answer"}'

DENIED = [
    ("north-7", f"{OAK}/pump-0201/state"),  # a pump of another bridge
    ("north-7", f"{OAK}/pump-0201/plan"),
    ("north-7", f"{PREFIX}/bridge/north-8/presence"),  # another bridge's presence
    ("north-7", f"{ELM}/pump-0101/responsibility"),  # an answer
    ("north-7", f"{ELM}/pump-0101/concerns"),  # what the monitor says
    ("north-7", PRESENCE),
    ("north-7", f"{PREFIX}/monitor/night/marker"),
    ("north-7", f"{ELM}/drill-elm/state"),  # the drill's device
    ("north-7", "secondbell/v1/elsewhere/elm/pump-0101/state"),  # another site
    ("north-8", f"{OAK}/pump-0203/state"),  # a pump of its unit that is not its own
    ("button-0101", f"{ELM}/pump-0102/responsibility"),  # an answer about somebody else's pump
    ("button-0101", f"{ELM}/pump-0101/state"),
    ("watch", PRESENCE),
    ("watch", f"{ELM}/pump-0101/responsibility"),
    ("secondbell", f"{ELM}/pump-0101/state"),  # not even the monitor makes up a pump's state
    ("secondbell", f"{ELM}/pump-0101/responsibility"),
]
ALLOWED = {
    "north-7": [f"{ELM}/pump-0101/state", f"{ELM}/pump-0109/plan", f"{PREFIX}/bridge/north-7/presence"],
    "north-8": [f"{OAK}/pump-0201/state", f"{OAK}/pump-0202/plan", f"{PREFIX}/bridge/north-8/presence"],
    "button-0101": [f"{ELM}/pump-0101/responsibility"],
    "watch": [f"{PREFIX}/bridge/watch/presence"],  # of no use to it, and no harm
    "secondbell": [
        f"{ELM}/pump-0101/concerns", PRESENCE, f"{PREFIX}/monitor/night/marker", f"{ELM}/drill-elm/state",
    ],
}  # fmt: skip


async def test_each_client_may_say_its_own_and_nothing_else(tmp_path: Path) -> None:
    """Every pair of a client and a topic: what is denied never arrives, what is allowed behind it does."""
    async with shipped_broker(tmp_path / "broker") as clients, clients.listening("spy") as heard:
        for user, allowed in ALLOWED.items():
            attempts = [(topic, f"{user} denied".encode()) for who, topic in DENIED if who == user]
            await clients.say(user, *attempts, *((topic, f"{user} allowed".encode()) for topic in allowed))
        wanted = {(topic, f"{user} allowed".encode()) for user, topics in ALLOWED.items() for topic in topics}
        await until(lambda: wanted <= set(heard), "all that is allowed to arrive")
        assert set(heard) == wanted
        assert {who for who, _ in DENIED} == set(ALLOWED)


async def test_each_client_hears_its_own_and_nothing_else(tmp_path: Path) -> None:
    """Bridges hear the concerns of their unit, a button those of its pump, the watch the monitor's heart alone."""
    said = [
        (f"{ELM}/pump-0101/concerns", b"concerns"), (f"{ELM}/pump-0102/concerns", b"others"), (PRESENCE, b"heart"),
    ]  # fmt: skip
    async with (
        shipped_broker(tmp_path / "broker") as clients,
        clients.listening("spy") as all_of_it,
        clients.listening("watch") as watch,
        clients.listening("button-0101") as button,
        clients.listening("north-7") as bridge,
    ):
        await clients.say("north-7", (f"{ELM}/pump-0101/state", STATE))
        await clients.say("secondbell", *said)
        await until(lambda: len(all_of_it) == 4, "all of it to arrive")
        await until(lambda: bool(watch) and bool(button) and len(bridge) == 2, "each to hear its own")
        assert (watch, button, bridge) == ([said[2]], [said[0]], said[:2])


@pytest.mark.parametrize(("user", "password"), [("north-7", "wrong"), ("nobody", "of nobody"), (None, None)])
async def test_nobody_comes_in_without_a_name_and_its_password(
    tmp_path: Path, user: str | None, password: str | None
) -> None:
    """A wrong password, an unknown name, no name at all: the broker refuses the login."""
    refused: list[bool] = []
    async with shipped_broker(tmp_path / "broker") as clients:
        client = Client(CallbackAPIVersion.VERSION2)
        if user is not None:
            client.username_pw_set(user, password)
        client.tls_set_context(clients.trusting)
        client.on_connect = lambda _client, _userdata, _flags, reason, _properties: refused.append(
            reason.is_failure
        )
        client.connect(clients.broker.address.host, clients.broker.address.port)
        client.loop_start()
        try:
            await until(lambda: bool(refused), "the broker to answer")
        finally:
            client.disconnect()
            client.loop_stop()
    assert refused[0]


async def _step(made: Ward, clients: Clients, at: int, user: str, *messages: tuple[str, bytes]) -> None:
    """Pass what is due before an instant, and then the instant, with what a user says at it."""
    await made.step(at - 1)
    made.now = at
    await made.monitor.ask("enter", at=at)
    if messages:
        await clients.say(user, *messages)
    await made.monitor.ask("complete")


async def test_the_monitor_can_do_all_that_it_needs(tmp_path: Path) -> None:
    """Through these rights a bridge's pump is heard, somebody is paged, the button answers, the lists are said."""
    async with shipped_broker(tmp_path / "broker") as clients, ward(tmp_path / "ward") as made:
        password = tmp_path / "password"
        password.write_text("of secondbell")
        password.chmod(0o600)
        login = f'username = "secondbell"\npassword_file = "{password}"\nca_file = "{clients.broker.folder}/server.pem"'
        text = site_text(clients.broker.address, smtp=made.smtp.port, snpp=made.snpp.port, login=login)
        made.write_site(text.replace("mqtt://", "mqtts://"))
        async with clients.listening("spy") as heard:
            await made.monitor.start(TEN)
            await _step(made, clients, TEN, "north-7")
            await _step(made, clients, TEN + 2 * SECOND, "north-7")
            drill = {"unit": "elm", "to": None, "priority": "medium", "wait": 10 * MINUTE, "by": "night"}
            assert (await made.monitor.ask("drill", **drill))["ok"]
            await _step(made, clients, TEN + 10 * SECOND, "north-7")
            await until(
                lambda: any(t == f"{ELM}/drill-elm/state" for t, _ in heard), "its drill's made-up pump"
            )
            at = TEN + MINUTE
            presence = (f"{PREFIX}/bridge/north-7/presence", b'{"online": true}')
            await _step(
                made, clients, at, "north-7", presence, state(at, activity="stopped", alarms=[alarm(at)])
            )
            await _step(made, clients, at + 3 * MINUTE, "north-7")
            raised = next(entry for entry in made.happened("raised") if entry["device"] == "pump-0101")
            assert made.snpp.pages
            said = answer("b-1", answer="accept", concern=raised["concern"], person="nurse-1")
            await _step(
                made, clients, at + 4 * MINUTE, "button-0101", (f"{ELM}/pump-0101/responsibility", said)
            )
            assert raised["concern"] in {entry["concern"] for entry in made.happened("accepted")}

            def listed() -> list[bool]:
                lists = [
                    json.loads(payload) for topic, payload in heard if topic == f"{ELM}/pump-0101/concerns"
                ]
                return [concern["accepted"] for one in lists for concern in one["data"]]

            await until(lambda: listed()[-1:] == [True], "the list to say that somebody has it")
            assert any(topic == PRESENCE and json.loads(payload)["online"] for topic, payload in heard)
            assert await made.monitor.stop() == 0
            await until(
                lambda: any(t == PRESENCE and not json.loads(p)["online"] for t, p in heard), "its goodbye"
            )

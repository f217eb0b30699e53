"""A simulated night in about a minute: everything is really published, decided, stored, sent and answered.

A real broker, a real mail server and a paging server run on free loopback ports; only the pumps, the people and the
passing of time are made up. The clock is stepped: the next instant is entered when all that was published is committed
and every send that is due has ended, so that nine hours in a minute stay exact.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.adapters.broker import Preference, broker_process
from monitor.adapters.clock import SteppedClock
from monitor.demo.morning import morning
from monitor.demo.outcome import Outcome
from monitor.demo.screen import Screen
from monitor.reports.spans import Span
from monitor.running import open_service
from monitor.service import Service
from simulators import World
from simulators import load as load_scenario
from simulators.broker import BridgeConnection
from simulators.broker import BrokerAddress as SimulatorAddress
from simulators.scenario import PumpPlan, Scenario
from simulators.staff import Answer, Habit, Staff
from simulators.wire import Published

if TYPE_CHECKING:  # the sinks need aiosmtpd, which only the extra `demo` brings
    from simulators.smtp_sink import Mail
    from simulators.snpp_sink import Page

SCENARIO = "demo-night"

PEOPLE = {
    # id: (duty label, pager, mail address); invented
    "nurse-1": ("night nurse 1", "4101", "night1@larkfield.invalid"),
    "nurse-2": ("night nurse 2", "4102", "night2@larkfield.invalid"),
    "charge": ("charge nurse", "4100", "charge@larkfield.invalid"),
    "technical": ("technical contact", None, "technical@larkfield.invalid"),
    "manager": ("ward manager on call", "4000", "manager@larkfield.invalid"),
}

USUAL = {
    "nurse-1": Habit(),
    "nurse-2": Habit(answer_after=(4.0, 7.0)),
    "charge": Habit(answer_after=(1.0, 2.0), comes_after=(4.0, 7.0)),
    "manager": Habit(answer_after=(2.0, 4.0), comes_after=(8.0, 12.0)),
}
HABITS = {
    # both nurses are busy elsewhere: nobody on the first rung accepts
    ("nurse-1", "pump-0105"): Habit(answers=0),
    ("nurse-2", "pump-0105"): Habit(answers=0),
    # accepted, and then she is called away
    ("nurse-1", "pump-0102"): Habit(answers=1, comes=False),
    ("nurse-2", "pump-0102"): Habit(answers=0),
}


def site_text(scenario: Scenario, *, mqtt_port: int, smtp_port: int, snpp_port: int) -> str:
    """The demo ward's site file, with the ports of this run."""
    people = []
    for person, (called, pager, mail) in PEOPLE.items():
        ways = [f'{{ carrier = "mail", address = "{mail}" }}']
        if pager is not None:
            ways.insert(1 if person == "charge" else 0, f'{{ carrier = "pager", address = "{pager}" }}')
        people.append(f'[people.{person}]\ncalled = "{called}"\nreach = [{", ".join(ways)}]')
    devices = [
        f'[devices.{pump.id}]\nunit = "elm"\nplace = "{pump.place}"\npager_place = "{pager_place(pump.place)}"\n'
        f"plan = {plan_of(pump, scenario)}"
        for pump in scenario.pumps
    ]
    rungs = """
rungs = [
    {{ tell = ["role:nurse"], wait = "{wait}" }},
    {{ tell = ["role:charge"], wait = "{wait}" }},
]"""
    ladders = [
        f'[[ladders]]\nunit = "*"\npriority = "{priority}"{rungs.format(wait=wait)}'
        for priority, wait in (("high", "3 min"), ("medium", "10 min"))
    ]
    return (
        "\n\n".join(
            [
                "# The site of `secondbell demo`: an invented ward. The ports are this run's own.",
                f"""[site]
name = "{scenario.site}"
setting = "ward"
zone = "Europe/London"
state_dir = "state"
monitor = "demo"
last_resort = "manager"
technical = "technical\"""",
                f'[broker]\naddresses = ["mqtt://127.0.0.1:{mqtt_port}"]\nclient_id = "secondbell-demo"',
                f"""[carriers.mail]
kind = "email"
host = "127.0.0.1"
port = {smtp_port}
security = "none"
sender = "Second Bell <secondbell@larkfield.invalid>\"""",
                f'[carriers.pager]\nkind = "snpp"\nhost = "127.0.0.1"\nport = {snpp_port}\nlevel = 2',
                *people,
                '[units.elm]\ncalled = "Elm ward"',
                *ladders,
                '[[duty]]\nperson = "nurse-1"\nrole = "nurse"\nunit = "elm"',
                '[[duty]]\nperson = "nurse-2"\nrole = "nurse"\nunit = "elm"',
                '[[duty]]\nperson = "charge"\nrole = "charge"\nunit = "elm"',
                *devices,
            ]
        )
        + "\n"
    )


def plan_of(pump: PumpPlan, scenario: Scenario) -> str:
    """A plan by which the pump is just in time when the night begins, and done when its target is reached."""
    assert pump.target_ml is not None
    begins = scenario.start - timedelta(hours=pump.delivered_ml / pump.rate_ml_h)
    ends = begins + timedelta(hours=pump.target_ml / pump.rate_ml_h)
    window = f'{{ from = "{begins:%H:%M}", to = "{ends:%H:%M}" }}'
    return (
        f"{{ windows = [{window}], target_ml = {pump.target_ml:g}, rate_ml_h = {pump.rate_ml_h:g}, "
        "kcal_per_ml = 1.5 }"
    )


def pager_place(place: str) -> str:
    """ "bay 1 bed 4" as it is said on the air."""
    words = place.split()
    return f"B{words[1]}-{words[3]}" if len(words) == 4 else place[:16]


class Night:
    """One run of the demo."""

    def __init__(
        self, folder: Path, screen: Screen, *, broker: Preference = "auto", hours: float | None = None
    ) -> None:
        self.folder = folder
        self.screen = screen
        self._broker: Preference = broker
        self._hours = hours
        self.outcome = Outcome(folder)
        self._pager_of = {pager: person for person, (_, pager, _) in PEOPLE.items() if pager}
        self._mailbox_of = {mail: person for person, (_, _, mail) in PEOPLE.items()}

    async def run(self) -> Outcome:
        """Run it; whatever was started has ended when this returns or raises."""
        from simulators.smtp_sink import SmtpSink
        from simulators.snpp_sink import SnppSink

        scenario = load_scenario(SCENARIO)
        if self._hours is not None:
            scenario = scenario.model_copy(update={"hours": self._hours})
        world = World(scenario)
        clock = SteppedClock(world.start_ms)
        self._staff = Staff(
            seed=scenario.seed,
            places={pager_place(p.place): p.id for p in scenario.pumps}
            | {p.place: p.id for p in scenario.pumps},
            habits=HABITS,
            usual=USUAL,
        )
        self._clock = clock
        (self.folder / "broker").mkdir(parents=True, exist_ok=True)
        async with contextlib.AsyncExitStack() as stack:
            address = await stack.enter_async_context(
                broker_process(self.folder / "broker", prefer=self._broker)
            )
            smtp = await stack.enter_async_context(
                SmtpSink(folder=self.folder / "mails", on_mail=self._mail_came, now_ms=clock.now)
            )
            snpp = await stack.enter_async_context(
                SnppSink(folder=self.folder / "pages", on_page=self._page_came, now_ms=clock.now)
            )
            site_file = self.folder / "site.toml"
            site_file.write_text(
                site_text(scenario, mqtt_port=address.port, smtp_port=smtp.port, snpp_port=snpp.port)
            )
            service = await stack.enter_async_context(self._running(site_file, clock))
            bridges = await stack.enter_async_context(_bridges(scenario, address.port))
            settings = service.settings
            self.screen.begin(scenario, world.start_ms, service.site)
            await self._pass(world, service, bridges)
            self.outcome.troubles = len(world.truth())
        self.outcome.morning = morning(self.folder, settings, Span(world.start_ms, world.end_ms))
        self.screen.end(self.outcome)
        return self.outcome

    @contextlib.asynccontextmanager
    async def _running(self, site_file: Path, clock: SteppedClock) -> AsyncIterator[Service]:
        service, lock = open_service(site_file, clock, on_happening=self._happened)
        task = asyncio.create_task(service.run(), name="service")
        try:
            await service.connected(task)
            yield service
        finally:
            service.stop()
            await task
            lock.close()

    async def _pass(self, world: World, service: Service, bridges: dict[str, BridgeConnection]) -> None:
        """Let the night pass, instant by instant."""
        while True:
            coming = [world.next_at(), self._staff.next_at(), service.engine.due()]
            at = min((at for at in coming if at is not None), default=None)
            if at is None or at > world.end_ms:
                break
            at = max(at, self._clock.now())
            service.enter(at)
            published = world.advance(at) if (due := world.next_at()) is not None and due <= at else []
            await asyncio.to_thread(_publish, bridges, published)
            self.outcome.messages += sum(message.topic.endswith("/state") for message in published)
            await service.complete(messages=bool(published))
            for deed in self._staff.take(at):
                if isinstance(deed, Answer):
                    said = await service.answer("accept", deed.code, deed.person)
                    self.screen.answered(at, deed, said)
                    if _has(service, deed):
                        self._staff.accepted(deed, at)
                else:
                    self.screen.arrived(at, deed)
                    world.attend(deed.device, at)
            self.screen.at(at)
            await self.screen.pause()

    def _happened(self, happening: object) -> None:
        self.screen.happened(happening)  # type: ignore[arg-type]
        event = getattr(happening, "event")  # noqa: B009
        self.outcome.events[event] += 1
        if event == "rechecked" and self.outcome.a_concern is None:
            self.outcome.a_concern = getattr(happening, "concern")  # noqa: B009

    def _page_came(self, page: Page) -> None:
        self.outcome.pages += 1
        self.screen.page(page)
        self._staff.reads(self._pager_of[page.pager], page.text, page.at)

    def _mail_came(self, mail: Mail) -> None:
        self.outcome.mails += 1
        self.screen.mail(mail)
        for recipient in mail.recipients:
            text = (
                str(mail.message["Subject"]).strip().replace("PRIORITY, ", "")
                + "\n"
                + mail.message.get_content()
            )
            self._staff.reads(self._mailbox_of[recipient], text, mail.at)


def _has(service: Service, answer: Answer) -> bool:
    """Whether the person who answered now has the device."""
    concerns = service.engine.responsibility.open_of(answer.device)
    return any(concern.holder == answer.person for concern in concerns)


@contextlib.asynccontextmanager
async def _bridges(scenario: Scenario, port: int) -> AsyncIterator[dict[str, BridgeConnection]]:
    address = SimulatorAddress(host="127.0.0.1", port=port, tls=False, user=None, password=None)
    bridges = {
        name: BridgeConnection(
            address,
            client_id=f"demo-{name}",
            will_topic=f"{scenario.prefix}/{scenario.site}/bridge/{name}/presence",
        )
        for name in scenario.bridges
    }
    opened = []
    try:
        for bridge in bridges.values():
            await asyncio.to_thread(bridge.open)
            opened.append(bridge)
        yield bridges
    finally:
        for bridge in opened:
            await asyncio.to_thread(bridge.abandon)


def _publish(bridges: dict[str, BridgeConnection], published: list[Published]) -> None:
    """Publish at QoS 1 and wait until the broker has it; a demo has one bridge."""
    for message in published:
        for bridge in bridges.values():
            bridge.send(message)
    for bridge in bridges.values():
        bridge.flush()

"""/health and /metrics of a real service, and what they say in each trouble.

OpenMetrics is read by the parser of its reference implementation (prometheus_client), and held to the specification's
own words (domain §9): counters end in `_total`, a unit is the end of the name, the last line is `# EOF`.
"""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from monitor.adapters.notify import Notify
from monitor.core.engine import Engine
from monitor.core.instants import parse
from monitor.core.problems import ProblemsFound
from monitor.core.site import Site
from monitor.pulse import Pulse
from monitor.settings import load
from monitor.web.health import health
from tests.brokers import dead_address
from tests.night import SECOND, TEN, Ward, raised, secondbell, until, ward
from tests.ward_site import site_text

TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def with_health(made: Ward, listen: str | None = None) -> str:
    """Give the ward's site file a health page; its address."""
    listen = listen or f"127.0.0.1:{dead_address().port}"
    text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
    made.write_site(f'{text}\n[health]\nlisten = "{listen}"\n')
    return f"http://{listen}"


async def asked(url: str) -> httpx.Response:
    """What a page answers, asked by a client that is not ours."""
    async with httpx.AsyncClient(trust_env=False) as client:
        return await client.get(url, timeout=10)


async def test_a_service_that_is_well(tmp_path: Path) -> None:
    """200, each of its parts well; concerns by priority and state; nobody and no place is named on either page."""
    async with ward(tmp_path / "ward") as made:
        url = with_health(made)
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2 * SECOND)
        concern = await raised(made)
        await made.monitor.ask("accept", reference=concern, person="nurse-1")
        page = await asked(f"{url}/health")
        said = page.json()
        assert (page.status_code, said["ok"]) == (200, True), said
        assert said["sees"] == {
            "ok": True, "broker": True, "since": said["sees"]["since"], "catching_up": False, "bridges_gone": 0,
        }  # fmt: skip
        assert set(said["sends"]["carriers"]) == {"mail", "pager"}
        assert said["stores"] == {"ok": True, "failing_since": None}
        assert (said["rules"]["ok"], said["rules"]["late_ms"]) == (True, 0)
        assert said["devices"] == 1
        assert said["concerns"]["high"] == {"open": 0, "accepted": 1}
        metrics = await asked(f"{url}/metrics")
        assert metrics.headers["content-type"] == TYPE
        for text in (page.text, metrics.text):
            assert not any(
                word in text for word in ("nurse", "bay 1", "pump-0", concern, "larkfield.invalid")
            )
        assert numbers(metrics.text)["secondbell_concerns", "accepted", "high"] == 1
        assert (await asked(f"{url}/")).status_code == 404
        assert await made.monitor.stop() == 0


def numbers(text: str) -> dict[tuple[str, ...], float]:
    """Every sample by its name and its labels' values, sorted."""
    assert text.endswith("# EOF\n")
    found: dict[tuple[str, ...], float] = {}
    for family in text_string_to_metric_families(text):  # type: ignore[no-untyped-call]
        assert not family.unit or family.name.endswith(f"_{family.unit}"), family
        for sample in family.samples:
            if family.type == "counter":
                assert sample.name.endswith(("_total", "_created")), sample
            found[sample.name, *sorted(sample.labels.values())] = sample.value
    return found


async def test_its_numbers(tmp_path: Path) -> None:
    """Messages by outcome, pumps, carriers and the process, as a scraper reads them; counters outlive a restart."""
    async with ward(tmp_path / "ward") as made:
        url = with_health(made)
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2 * SECOND)
        await raised(made)
        await made.publish((f"{'secondbell/v1/larkfield'}/elm/pump-0101/state", b"nonsense"))
        await made.step(made.now + SECOND)
        found = numbers((await asked(f"{url}/metrics")).text)
        assert found["secondbell_messages_total", "snapshots"] == 1
        assert found["secondbell_messages_total", "rejected-not-json"] == 1
        assert found["secondbell_devices",] == 1
        assert found["secondbell_broker_connected",] == 1
        assert found["secondbell_carrier_working", "pager"] == 1
        assert found["secondbell_notices_total", "sent"] >= 1
        assert found["secondbell_start_time_seconds",] == TEN / 1000
        assert found["process_resident_memory_bytes",] > 0
        assert await made.monitor.stop() == 0
        await made.monitor.start(made.now + SECOND)
        again = numbers((await asked(f"{url}/metrics")).text)
        assert again["secondbell_messages_total", "snapshots"] == 1


async def test_without_a_broker_it_is_not_well(tmp_path: Path) -> None:
    """503, and which part it is; since when."""
    async with ward(tmp_path / "ward") as made:
        url = with_health(made)
        await made.broker.kill()
        await made.monitor.start(broker=False)
        await made.monitor.says("broker not there")
        page = await asked(f"{url}/health")
        said = page.json()
        assert (page.status_code, said["ok"], said["sees"]["ok"]) == (503, False, False)
        assert parse(said["sees"]["since"]) <= parse(said["at"])
        assert [said[part]["ok"] for part in ("sends", "stores", "rules")] == [True, True, True]
        await made.broker.start()
        await until(lambda: httpx.get(f"{url}/health", trust_env=False).status_code == 200, "all to be well")


async def test_an_address_that_is_taken_is_named(tmp_path: Path) -> None:
    """It does not start, and says which key of which file."""
    async with ward(tmp_path / "ward") as made:
        with socket.create_server(("127.0.0.1", 0)) as other:
            with_health(made, f"127.0.0.1:{other.getsockname()[1]}")
            ended = secondbell("run", "--site", str(made.site_file))
        assert ended.returncode in (1, 2)
        last = ended.stderr.strip().splitlines()[-1]
        assert "site.toml: health.listen" in ended.stderr, last
        assert "in use" in ended.stderr
        assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    "listen", ["0.0.0.0:8781", "192.0.2.1:8781", "bell.example:8781", "8781", "127.0.0.1:0"]
)
async def test_only_this_machine_may_ask(tmp_path: Path, listen: str) -> None:
    """Any address but loopback is an error of the site file, by name: who asks is not asked who that is."""
    async with ward(tmp_path / "ward") as made:
        with_health(made, listen)
        with pytest.raises(ProblemsFound, match=r"health\.listen"):
            load(made.site_file, key=b"")


# ---- troubles that take long to come, by the same parts without a process --------------------------------------------


class Still:
    """A service at one instant: a real engine and pulse, and nothing that runs."""

    def __init__(self) -> None:
        self.engine = Engine(Site(name="larkfield", key=b"k", last_resort="-"), now=TEN, link=True)
        self.published: list[bytes] = []
        self.pulse = Pulse(Notify(), self.published.append, TEN)
        self.pulse.linked(TEN)
        self.pulse.committed(TEN, TEN, 0, owed=True)
        self.at, self.overdue, self.dropped, self.carriers = TEN, 0, 0, ("mail",)

    def now(self) -> int:
        """The instant."""
        return self.at

    def late(self) -> int:
        """How late it is."""
        return self.overdue

    def ill(self) -> tuple[bool, list[str]]:
        """Whether all is well, and the parts that are not."""
        said: dict[str, Any] = health(self)
        return said["ok"], [part for part in ("sees", "sends", "stores", "rules") if not said[part]["ok"]]


def test_commits_that_do_not_end_are_stuck_rules() -> None:
    """Two signs of life missed, and the answer is 503, though the loop can still answer."""
    still = Still()
    still.at = TEN + 31_000
    assert still.ill() == (True, [])
    still.at = TEN + 31_001
    assert still.ill() == (False, ["rules"])


def test_deadlines_far_overdue_are_stuck_rules() -> None:
    """Half a minute late."""
    still = Still()
    still.overdue = 30_000
    assert still.ill() == (False, ["rules"])


def test_a_store_that_refuses() -> None:
    """Since when, and in which words."""
    still = Still()
    still.pulse.refused("full", TEN + SECOND)
    assert still.ill() == (False, ["stores"])
    assert health(still)["stores"] == {
        "ok": False,
        "failing_since": "2026-03-14T22:00:01.000Z",
        "why": "full",
    }


def test_a_carrier_that_does_not_send() -> None:
    """Known to the engine, with the instant of the first failure."""
    still = Still()
    for number in range(3):
        still.engine.technical.heard("mail", "x", "try-later", "down", TEN + number * 10 * SECOND)
    assert still.ill() == (False, ["sends"])
    mail = health(still)["sends"]["carriers"]["mail"]
    assert mail == {"ok": False, "failing_since": "2026-03-14T22:00:00.000Z"}

"""What the scan of outgoing texts takes for a leak, and what the engine publishes; the demo's own texts: test_demo."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.demo.night import site_text
from monitor.testing import Bench, alarm, ward
from simulators import load
from tests.leaks import forbidden, leaks


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    """The demo's site file, with a key that no program knows and a secret of a person."""
    text = site_text(load("demo-night"), mqtt_port=40001, smtp_port=40002, snpp_port=40003)
    path = tmp_path / "site.toml"
    path.write_text(
        text + '\n[tomorrow]\nkey = "her ward round"\n\n[rules.unattended]\noff = "the sister said so"\n'
    )
    return path


@pytest.mark.parametrize(
    "text",
    [
        "Tell nurse-1 of it.", "night1@larkfield.invalid", "page 4101 now", "at 127.0.0.1 or so", "port 40001",
        "for her ward round.", "switched off: the sister said so", "secondbell-demo", "<a title='state nurse-2'>",
    ],
)  # fmt: skip
def test_what_must_not_leave_is_found(site_file: Path, text: str) -> None:
    """Ids of people, addresses, hosts, ports, reasons, and the value of a key that is new."""
    assert leaks(text, forbidden(site_file), site_file)


@pytest.mark.parametrize(
    "text",
    [
        "bay 1 bed 4 (pump-0104), Elm ward, larkfield: alarm without sound for 10 min.",
        "Accepted by night nurse 1; the charge nurse has it since 22:31.",
    ],
)
def test_what_may_leave_is_not(site_file: Path, text: str) -> None:
    """Places, devices, units, the site, duty labels."""
    assert leaks(text, forbidden(site_file), site_file) == []


def test_what_is_published_names_nobody() -> None:
    """A concern's way through raised, told, accepted and settled: topics and payloads hold no person and no address."""
    bench = Bench(ward())
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("occlusion", "high")])
    bench.pass_by("30 min")
    told = " ".join(
        f"{topic} {payload.decode(errors='replace')}" for topic, payload in bench.published.items()
    )
    assert bench.told, "somebody was told"
    assert '"priority":"high"' in told.replace(" ", "")
    secret = {
        text
        for person in bench.site.people.values()
        for text in (person.id, *(reach.address for reach in person.reach))
    }
    words = set(told.replace('"', " ").replace(",", " ").replace(":", " ").split())
    assert words & secret == set()
    assert not [text for text in secret if "@" in text and text in told]
    for payload in bench.published.values():
        if payload[:1] == b"{":
            assert json.loads(payload)

"""The demo as a newcomer runs it: as a process, piped, interrupted, with either broker, and the stories it promises."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store_reader import StoreReader
from monitor.reports.answers import QUESTIONS
from tests.leaks import forbidden, leaks, mail_text, page_body, page_text
from tests.night import secondbell, until

ESCAPE = re.compile(r"\x1b|\x07|\x08")


def demo(folder: Path, *arguments: str, home: Path) -> subprocess.Popen[str]:
    """Start the demo in a session of its own, from an empty folder with an empty HOME, its output piped."""
    home.mkdir()
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": str(home),
        "LANG": "C.UTF-8",
        "PYTHONWARNINGS": "error",
    } | {
        name: os.environ[name] for name in ("PYTHONPATH",) if name in os.environ
    }  # a checkout that is not installed
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", "demo", "--folder", str(folder), *arguments],
        cwd=home, env=environment, start_new_session=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def left_running(folder: Path) -> list[str]:
    """Processes that have this folder in their command line."""
    shown = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout
    return [line for line in shown.splitlines() if str(folder) in line]


def ports_of(folder: Path) -> list[int]:
    """The ports that the demo's site file names."""
    return [
        int(port)
        for port in re.findall(r"(?:port = |127\.0\.0\.1:)(\d+)", (folder / "site.toml").read_text())
    ]


def listening(ports: list[int]) -> list[int]:
    """Those of the ports on which somebody listens."""
    found = []
    for port in ports:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                found.append(port)
    return found


@pytest.mark.parametrize("broker", ["mosquitto", "amqtt"])
def test_a_piped_night_is_plain_text_and_leaves_nothing(tmp_path: Path, broker: str) -> None:
    """Exit 0, no escape codes, says where things lie; no process, port or file elsewhere is left."""
    folder = tmp_path / "night"
    process = demo(folder, "--hours", "0.7", "--broker", broker, home=tmp_path / "home")
    out, err = process.communicate(timeout=100)
    assert (process.returncode, err) == (0, "")
    assert not ESCAPE.search(out)
    assert "22:30  MEDIUM bay 1 bed 4: alarm without sound: needs somebody" in out
    assert "Do not rely on Second Bell in place of the pump's own alarm" in out
    assert re.search(r"Audit trail: \d+ entries, whole\.", out)
    pages = len(list((folder / "pages").iterdir()))
    mails = len(list((folder / "mails").iterdir()))
    assert f"{pages} pages and {mails} mails really sent" in out
    assert pages > 0
    for place in re.findall(r"^  (?:mails|pages|handover|trail|site) +(/\S+)$", out, re.MULTILINE):
        assert Path(place).exists(), place
    assert out.count(str(folder)) >= 5
    ports = ports_of(folder)
    assert len(set(ports)) == 3
    assert (left_running(folder), listening(ports)) == ([], [])
    assert list((tmp_path / "home").iterdir()) == []
    # The morning: the page and its three answers, the trail whole by its head, a changed copy found out (as exit 1).
    for question in QUESTIONS:
        assert f"  {question}: " in out
    assert "It fits the head that was signed of" in out
    assert re.search(r"Verifying the copy: NOT whole, first at entry (\d+): entry \1 was edited", out)
    page = (folder / "handover.html").read_text()
    assert "<h1>Handover: Elm ward, larkfield</h1>" in page
    assert "22:00 to 22:42" in page
    verifying = re.findall(r"^  secondbell (trail verify .*)$", out, re.MULTILINE)
    assert [secondbell(*line.split()).returncode for line in verifying] == [0, 1]


@pytest.mark.parametrize("place", ["before the broker", "in mid-night", "twice"])
async def test_ctrl_c_leaves_nothing_running(tmp_path: Path, place: str) -> None:
    """SIGINT to the whole foreground group: one line, status 130, no stack trace, no process, no port."""
    folder = tmp_path / "night"
    process = demo(folder, home=tmp_path / "home")
    assert process.stdout is not None
    try:
        if place == "before the broker":
            await until(folder.exists, "the folder to be made", within=20)
        else:
            await until((folder / "pages" / "0002.txt").exists, "the second page", within=60)
        os.killpg(process.pid, signal.SIGINT)
        if place == "twice":
            await asyncio.sleep(0.05)
            os.killpg(process.pid, signal.SIGINT)
        _, err = await asyncio.to_thread(process.communicate, timeout=30)
    finally:
        process.kill()
        process.wait()
    assert "Traceback" not in err, err
    assert (process.returncode, err) == (130, "secondbell: interrupted\n")
    assert left_running(folder) == []
    if (folder / "site.toml").exists():
        assert listening(ports_of(folder)) == []


@pytest.fixture(scope="module")
def whole_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a whole night."""
    place = tmp_path_factory.mktemp("demo")
    began = time.monotonic()
    process = demo(place / "night", home=place / "home")
    out, err = process.communicate(timeout=180)
    assert (process.returncode, err) == (0, ""), out
    assert time.monotonic() - began < 180, "three minutes are promised"
    return place / "night"


def told(folder: Path) -> list[dict[str, Any]]:
    """The trail's entries, with names for keys."""
    with StoreReader(folder / "state") as reader:
        names = {key: name for key, (_, name) in reader.names().items()}
        entries = [json.loads(entry.text) for entry in reader.entries()]
    return [e | {who: names[e[who]] for who in ("person", "device") if e.get(who)} for e in entries]


@pytest.mark.timeout(300)
def test_the_night_tells_the_stories_that_it_promises(whole_night: Path) -> None:
    """Each promised trouble raised its concern, at the right pump, and everything but the last ended settled."""
    raised = {(e["device"], e["rule"]) for e in told(whole_night) if e["event"] == "raised"}
    assert {
        ("pump-0104", "muted-too-long"),
        ("pump-0109", "repeated-occlusion"),
        ("pump-0107", "low-power-unplugged"),
        ("pump-0102", "idle-past-limit"),
        ("pump-0111", "out-of-sight"),
        ("pump-0105", "unattended"),
        ("pump-0108", "muted-too-long"),
    } <= raised


@pytest.mark.timeout(300)
def test_one_concern_is_accepted_by_nobody_on_the_first_rung(whole_night: Path) -> None:
    """At pump-0105 both nurses are told, the next rung is told after the wait, and somebody of it accepts."""
    story = [e for e in told(whole_night) if e.get("device") == "pump-0105" and e["rule"] == "unattended"]
    events = [e["event"] for e in story]
    first = {e["person"] for e in story if e["event"] == "told" and e["detail"]["why"] == "raised"}
    assert first == {"nurse-1", "nurse-2"}
    climb = next(e for e in story if e["event"] == "called" and e["detail"]["why"] == "next-rung")
    accepted = next(e for e in story if e["event"] == "accepted")
    assert accepted["at"] > climb["at"]
    assert accepted["person"] not in first
    assert "settled" in events


@pytest.mark.timeout(300)
def test_one_concern_is_accepted_left_and_raised_again(whole_night: Path) -> None:
    """At pump-0102 somebody accepts and does not come: the recheck finds it troubled, more are told, it settles."""
    story = [
        e for e in told(whole_night) if e.get("device") == "pump-0102" and e["rule"] == "idle-past-limit"
    ]
    events = [e["event"] for e in story]
    assert (
        events.index("raised")
        < events.index("accepted")
        < events.index("rechecked")
        < events.index("settled")
    )
    recheck = next(e for e in story if e["event"] == "rechecked")
    assert recheck["detail"]["troubled"]
    again = {e["person"] for e in story if e["event"] == "told" and e["detail"]["why"] == "recheck"}
    assert len(again) >= 2


@pytest.mark.timeout(300)
def test_one_concern_comes_back(whole_night: Path) -> None:
    """At pump-0108 the trouble was mended and is back within half an hour: the same concern opens again."""
    story = [e for e in told(whole_night) if e.get("device") == "pump-0108" and e["rule"] == "muted-too-long"]
    events = [e["event"] for e in story if e["event"] in ("raised", "settled", "relapsed")]
    assert events[:3] == ["raised", "settled", "relapsed"]
    assert len({e["concern"] for e in story}) == 1


@pytest.mark.timeout(300)
def test_everything_told_was_sent_and_the_trail_is_whole(whole_night: Path) -> None:
    """Each notice that the trail calls sent lies in a folder, and the trail verifies from the command line."""
    sent = [e for e in told(whole_night) if e["event"] == "notice-sent"]
    kept = len(list((whole_night / "mails").iterdir())) + len(list((whole_night / "pages").iterdir()))
    assert len(sent) == kept
    said = secondbell("trail", "verify", "--site", str(whole_night / "site.toml"))
    assert (said.returncode, said.stdout.startswith("whole: ")) == (0, True)


@pytest.mark.timeout(300)
def test_the_morning_tells_the_night(whole_night: Path) -> None:
    """Its page: nothing is open, the pump left idle is behind most, and each of the twelve has plan, feed and strip."""
    page = (whole_night / "handover.html").read_text()
    text = re.sub(r"<[^>]+>", " ", page)
    assert re.search(r"What is open, and whose\s+nothing", text)
    assert re.search(r"nobody by 10 % or 100 mL, \d+ by less\s+bay 1 bed 2: \d\d mL", text)
    assert page.count('class="strip"') == 12
    assert "no plan known" not in page
    copy, whole = whole_night / "changed-copy", whole_night / "state"
    with StoreReader(copy) as changed, StoreReader(whole) as original:
        differ = [
            one.n
            for one, two in zip(changed.entries(), original.entries(), strict=True)
            if one.text != two.text
        ]
    assert len(differ) == 1


@pytest.mark.timeout(300)
def test_nothing_leaves_but_what_may(whole_night: Path, tmp_path: Path) -> None:
    """Mails, pages, handover, review and head hold nothing of the site file but places, devices, units and duties."""
    site, out = whole_night / "site.toml", tmp_path / "review.html"
    said = secondbell("review", "--weeks", "1", "--site", str(site), "--out", str(out))
    assert said.returncode == 0, said.stderr
    texts = {
        "handover": page_text((whole_night / "handover.html").read_text()),
        "review": page_text(out.read_text()),
        "head": (whole_night / "head.json").read_text(),
        **{path.name: mail_text(path.read_bytes()) for path in (whole_night / "mails").iterdir()},
        **{path.name: page_body(path.read_text()) for path in (whole_night / "pages").iterdir()},
    }
    assert all(texts.values())
    assert len(texts) > 50
    wrong = forbidden(site)
    assert {"nurse-1", "4101", "night1@larkfield.invalid", "127.0.0.1"} <= set(wrong)
    assert {name: found for name, text in texts.items() if (found := leaks(text, wrong, site))} == {}

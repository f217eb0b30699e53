"""The pages as a part of the service: groups, TLS, an address that is taken, a reload, a flood, and no pages at all."""

from __future__ import annotations

import asyncio
import datetime
import re
import signal
import socket
import ssl
import time
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
import pytest_asyncio
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from monitor.web.gate import BURST
from tests.night import MINUTE, SECOND, TEN, Ward, alarm, raised, state, until, ward
from tests.ward_site import site_text
from tests.web.flood import client, measure
from tests.web.phone import BASE, Phone, forms, link_in, phone_night, site, words

SITE = site("nurse-1", "nurse-2")


async def test_a_group_is_taken_with_one_press(tmp_path: Path) -> None:
    """Its page lists all, each with its own link; one press takes those that nobody has, though one is over now."""
    pumps = [f"pump-01{n:02}" for n in range(1, 8)]
    async with phone_night(tmp_path / "ward") as (made, phone):
        at = made.now + SECOND
        await made.step(at, *[state(at, pump, activity="stopped", alarms=[alarm(at)]) for pump in pumps])
        await made.step(at + 2 * MINUTE + 30 * SECOND)
        mails = [mail.message for mail in made.smtp.mails if "night2@larkfield.invalid" in mail.recipients]
        text = next(mail.get_content() for mail in mails if "7 pumps" in str(mail["Subject"]))
        page = await phone.open(link_in(text))
        assert "7 at once, unit elm" in words(page)
        assert set(forms(page)) == {"accept", "decline"}
        assert all(pump in words(page) for pump in pumps)
        one = await phone.open("/a/" + re.findall(r'<li><a href="([\w-]+)">', page.text)[0])
        assert "Nobody has it yet." in words(one)
        for _ in range(2):
            await made.step(made.now + MINUTE, state(made.now + MINUTE, pumps[0]))
        await made.step(made.now + 5 * SECOND)
        after = await phone.press(page, "accept")
        assert "6 with you, 1 over." in words(after)
        await made.step(made.now)
        found = {(entry["device"], entry["person"]) for entry in made.happened("accepted")}
        assert found == {(pump, "nurse-2") for pump in pumps[1:]}
        _, writer = await asyncio.open_connection("127.0.0.1", phone.port)
        writer.write(half_a_form(link_in(text)))
        await writer.drain()
        assert await made.monitor.stop() == 0  # nobody's half a form keeps it from stopping
        writer.close()


async def test_a_pump_that_cannot_be_heard_is_away(tmp_path: Path) -> None:
    """Its page offers to say so, for how long and why; then nobody is called for it until then."""
    async with phone_night(tmp_path / "ward") as (made, phone):
        at = made.now + SECOND
        await made.step(at, state(at, "pump-0101", activity="stopped", alarms=[alarm(at)]))
        await made.step(at + 3 * MINUTE + 10 * SECOND)
        await made.step(made.now + 5 * SECOND)
        [seen] = [
            e for e in made.happened("raised") if e["rule"] == "out-of-sight" and e["device"] == "pump-0101"
        ]
        path = SITE.link(seen["concern"], "nurse-1", made.now)
        assert path is not None
        page = await phone.open(path)
        assert re.findall(r'name="minutes" value="(\d+)"', page.text)[:3] == ["15", "30", "60"]
        page = await phone.press(page, "away", minutes="30", why="on the way")
        assert "is away until" in words(page)
        await made.step(made.now)
        [entry] = made.happened("away")
        assert (entry["person"], entry["detail"]["reason"]) == ("nurse-1", "on the way")


async def test_an_address_that_is_taken_is_said_at_the_start(tmp_path: Path) -> None:
    """It ends with 2, and names file, key and address; no stack trace."""
    async with ward(tmp_path / "ward") as made:
        text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
        with socket.create_server(("127.0.0.1", 0)) as taken:
            at = f"127.0.0.1:{taken.getsockname()[1]}"
            made.write_site(f'{text}\n[pages]\nlisten = "{at}"\nbase_url = "{BASE}"\n')
            await made.monitor.launch(TEN)
            assert await asyncio.wait_for(made.monitor.process.wait(), 30) == 2
        said = made.monitor.log_file.read_text()
        assert f"{made.site_file}: pages.listen" in said
        assert at in said
        assert "Address already in use" in said


def certificate(folder: Path) -> ssl.SSLContext:
    """A certificate for loopback and its key in a folder, and what trusts it alone."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / "cert.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / "key.pem").write_bytes(private)
    return ssl.create_default_context(cafile=folder / "cert.pem")


async def test_it_does_tls_by_itself(tmp_path: Path) -> None:
    """With a certificate of the site the page is served over TLS, and over nothing else."""
    trust = certificate(tmp_path)
    pages = f'cert_file = "{tmp_path}/cert.pem"\nkey_file = "{tmp_path}/key.pem"'
    async with phone_night(tmp_path / "ward", pages=pages) as (made, phone):
        about = await raised(made)
        async with httpx.AsyncClient(
            base_url=f"https://localhost:{phone.port}", verify=trust, trust_env=False
        ) as client:
            page = await Phone(phone.port, client).open(str(SITE.link(about, "nurse-1", made.now)))
            assert "bay 1 bed 1" in words(page)
        async with httpx.AsyncClient(trust_env=False) as client:
            try:
                plain = await client.get(f"http://127.0.0.1:{phone.port}/")
            except httpx.HTTPError:
                return
            raise AssertionError(f"answered in plain text: {plain.status_code}")


@pytest.mark.long
async def test_the_figures_of_a_flood() -> None:
    """The tool that measures it gives its figures, for a page alone and for one behind a proxy."""
    for pages in ("", "proxies = 1"):
        found = await measure(1.0, 10, pages)
        assert found["turned away"] > 0
        assert found["flooded"]["answers"] > 0


def half_a_form(link: str) -> bytes:
    """A form for a link, of which the end never comes."""
    path = link.removeprefix(BASE)
    kind = "content-type: application/x-www-form-urlencoded\r\ncontent-length: 4000"
    return f"POST {path} HTTP/1.1\r\nhost: x\r\n{kind}\r\n\r\nanswer=".encode()


# ---- one service for all that follow, the flood last ----------------------------------------------------------


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def served(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[tuple[Ward, Phone]]:
    """One ward with its service and its pages, as a site has them that says no more than it must."""
    async with phone_night(tmp_path_factory.mktemp("served") / "ward") as made:
        yield made


@pytest.mark.asyncio(loop_scope="module")
async def test_codes_are_not_taken_unless_the_site_says_so(served: tuple[Ward, Phone]) -> None:
    """Pagers can be overheard: without `codes = true` a right code with a right id opens nothing."""
    made, phone = served
    about = await raised(made)
    assert (await phone.code(SITE.code(about, "nurse-1"), "nurse-1")).status_code == 404
    await made.step(made.now)
    assert made.happened("code-refused") == []


@pytest.mark.asyncio(loop_scope="module")
async def test_a_reload_that_could_not_serve_changes_nothing(
    served: tuple[Ward, Phone], tmp_path: Path
) -> None:
    """An address that somebody else has, or a certificate that is none, is named, and the pages go on as they are."""
    (tmp_path / "cert.pem").write_text("no certificate")
    made, phone = served
    right = made.site_file.read_text()
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        made.site_file.write_text(right.replace(f"127.0.0.1:{phone.port}", f"127.0.0.1:{port}"))
        said = await made.monitor.ask("reload")
    assert not said["ok"]
    assert "pages.listen" in said["text"]
    bad = f'[pages]\ncert_file = "{tmp_path}/cert.pem"\nkey_file = "{tmp_path}/cert.pem"'
    made.site_file.write_text(right.replace("[pages]", bad))
    said = await made.monitor.ask("reload")
    assert (said["ok"], "pages.cert_file" in said["text"]) == (False, True)
    assert (await phone.open("/")).status_code == 404  # the page is there; no code can be typed
    made.site_file.write_text(right)


@pytest.mark.asyncio(loop_scope="module")
async def test_slow_and_broken_requests_are_let_go(served: tuple[Ward, Phone]) -> None:
    """Headers without end, an address that is too long, bytes that are no HTTP, a form that never comes whole."""
    made, phone = served
    for sent in (
        b"GET / HTTP/1.1\r\n" + b"x: " + b"y" * 20_000 + b"\r\n" * 2,
        b"GET /a/" + b"z" * 20_000 + b" HTTP/1.1\r\nhost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00" + b"\0" * 200,
        b"GET / HTTP/1.1\r\n" * 2_000,
    ):
        reader, writer = await asyncio.open_connection("127.0.0.1", phone.port)
        writer.write(sent)
        async with asyncio.timeout(5):
            answer = await reader.read(200)
        assert answer[8:13] in (b"", b" 400 ", b" 404 ")
        writer.close()
    reader, writer = await asyncio.open_connection("127.0.0.1", phone.port)
    writer.write(half_a_form(str(SITE.link(await raised(made, device="pump-0102"), "nurse-1", made.now))))
    await writer.drain()
    assert (await phone.open("/")).status_code == 404  # the page is there; no code can be typed
    assert (await made.monitor.ask("state"))["ok"]
    writer.close()


@pytest.mark.asyncio(loop_scope="module")
async def test_a_slash_too_many_is_no_way_past_the_gate(served: tuple[Ward, Phone]) -> None:
    """One answer, the page of a wrong link, and hung up: no address that the request named, no second answer."""
    _, phone = served
    reader, writer = await asyncio.open_connection("127.0.0.1", phone.port)
    writer.write(b"GET /a/x/ HTTP/1.1\r\nhost: evil.invalid\r\n\r\n" * 2)
    async with asyncio.timeout(30):
        answer = await reader.read()
    writer.close()
    assert answer.startswith(b"HTTP/1.1 404")
    assert (answer.count(b"HTTP/1.1 "), b"evil.invalid" in answer) == (1, False)


@pytest.mark.asyncio(loop_scope="module")
async def test_who_leaves_in_the_middle_of_a_form_is_no_fault_of_ours(served: tuple[Ward, Phone]) -> None:
    """A phone that loses its network is nothing for the log, least of all something critical."""
    made, phone = served
    _, writer = await asyncio.open_connection("127.0.0.1", phone.port)
    writer.write(half_a_form(str(SITE.link(await raised(made, device="pump-0105"), "nurse-1", made.now))))
    await writer.drain()
    await phone.open("/")
    writer.close()
    await phone.open("/")
    assert "fault of ours" not in made.monitor.log_file.read_text()


@pytest.mark.asyncio(loop_scope="module")
async def test_a_reload_keeps_links_and_asks_to_look_again(served: tuple[Ward, Phone]) -> None:
    """After SIGHUP with a changed file the same link opens; a button of before answers nothing, one of now does."""
    made, phone = served
    about = await raised(made, device="pump-0103")
    url = str(SITE.link(about, "nurse-1", made.now))
    before = await phone.open(url)
    text = made.site_file.read_text()
    made.site_file.write_text(text.replace('called = "Elm ward"', 'called = "Elm"'))
    made.monitor.process.send_signal(signal.SIGHUP)
    await until(lambda: len(made.happened("started")) == 2, "the second start")
    await made.monitor.serves_again()
    await made.step(made.now + 2 * SECOND)
    assert (await phone.press(before, "accept")).status_code == 409
    assert "You have it." in words(await phone.press(await phone.open(url), "accept"))


@pytest.mark.asyncio(loop_scope="module")
async def test_a_flood_is_turned_away_at_the_door(served: tuple[Ward, Phone]) -> None:
    """From one address no more than its share is answered; the service goes on, and answers people meanwhile."""
    made, phone = served
    about = await raised(made, device="pump-0104")
    begun = time.monotonic()
    asking = [asyncio.create_task(client(phone.port, begun + 1, "/a/x")) for _ in range(20)]
    await asyncio.sleep(0.2)
    said = await made.monitor.ask("accept", reference=about, person="nurse-1")
    assert said["ok"]
    answered = sum(await asyncio.gather(*asking))
    assert answered <= BURST + 5 * (time.monotonic() - begun) + 1
    await made.step(made.now + SECOND)
    assert 0 < len(made.happened("link-refused")) <= 31

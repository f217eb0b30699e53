"""The HTTPS carrier against a real server, its signature against RFC 9421's own example and an independent verifier."""

from __future__ import annotations

import asyncio
import base64
import datetime
import json
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
from http_message_signatures import (
    HTTPMessageVerifier,
    HTTPSignatureKeyResolver,
    InvalidSignature,
    algorithms,
)

from monitor.adapters import http_signature
from monitor.adapters.carriers import Outcome
from monitor.adapters.https import HttpsCarrier, Target
from monitor.adapters.post import schema
from monitor.testing.carrier_contract import PARCEL, server
from simulators.post_sink import Post, PostManners, PostSink
from simulators.smtp_sink import self_made

SECRET = "quiet-as-the-night-0001"
TO = replace(PARCEL, address="night-nurse")
NOW = 1_773_450_729
Contexts = tuple[ssl.SSLContext, ssl.SSLContext]


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Contexts:
    """A server's context and one that trusts it."""
    return self_made(tmp_path_factory.mktemp("tls"))


@asynccontextmanager
async def posting(tls: Contexts, **manners: Any) -> AsyncIterator[tuple[PostSink, HttpsCarrier]]:
    """A sink with these manners, and a carrier to it."""
    async with PostSink(tls=tls[0], manners=PostManners(**manners)) as sink:
        yield sink, carrier_to(sink.url, tls[1])


def carrier_to(url: str, tls: ssl.SSLContext | None = None, **more: Any) -> HttpsCarrier:
    """A carrier that trusts this sink."""
    return HttpsCarrier(url, SECRET, source="urn:monitor:ward", tls_context=tls, now=lambda: NOW, **more)


def test_the_signature_of_rfc_9421() -> None:
    """The example of RFC 9421 B.2.5, with the shared secret of B.1.5, comes out as it stands there."""
    secret = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    values = {
        "date": "Tue, 20 Apr 2021 02:07:55 GMT",
        "@authority": "example.com",
        "content-type": "application/json",
    }
    signed = http_signature.parameters(values, created=1618884473, key_id="test-shared-secret")
    assert signed == '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    made = http_signature.signature(secret, http_signature.base(values, signed))
    assert made == ":pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=:"


def test_the_digest_of_rfc_9530() -> None:
    """The content of RFC 9530's examples (Appendix B.1, B.2) has the digests that stand there."""
    found = http_signature.content_digest(b'{"hello": "world"}\n')
    assert found == "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
    assert http_signature.content_digest(b"") == "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:"


@pytest.mark.parametrize("value", ['x"\n"@method": GET', "x\r", "x\n"])
def test_a_line_end_is_not_signed(value: str) -> None:
    """A value that could pass for another component is refused (RFC 9421 §7.5.6)."""
    with pytest.raises(ValueError, match="line end"):
        http_signature.base({"content-type": value}, "()")


class _Keys(HTTPSignatureKeyResolver):
    def resolve_public_key(self, key_id: str) -> bytes:
        """The secret, as whoever receives it has it."""
        assert key_id == "ward-1"
        return SECRET.encode()


def verified(post: Post, url: str, body: bytes) -> None:
    """Verify a post with another implementation; raises InvalidSignature."""
    verifier = HTTPMessageVerifier(signature_algorithm=algorithms.HMAC_SHA256, key_resolver=_Keys())
    message = SimpleNamespace(method=post.method, url=url, headers=post.fields, body=body)
    [found] = verifier.verify(message, max_age=datetime.timedelta(days=36_500))
    assert [*found.covered_components] == [
        '"@method"', '"@target-uri"', '"content-type"', '"content-digest"', '"@signature-params"',
    ]  # fmt: skip
    digest = post.fields["content-digest"]
    if digest != http_signature.content_digest(body):
        raise InvalidSignature("another body")


async def test_what_is_posted_and_that_another_program_can_verify_it(
    tls: Contexts,
) -> None:
    """One CloudEvent by POST, that its schema takes, signed over method, address, type and digest of the body."""
    async with PostSink(tls=tls[0]) as sink:
        carrier = carrier_to(sink.url, tls[1], key_id="ward-1", form="mail")
        attempt = await carrier.send(replace(TO, thread="<first@ward.example>", body="Zeile 1\nŽ 2"))
        assert (attempt.outcome, attempt.text) == (Outcome.SENT, "202 kept")
        [post] = sink.posts
        jsonschema.validate(post.event, schema(), cls=jsonschema.Draft202012Validator)
        assert post.event == {
            "specversion": "1.0", "id": "n-0001", "source": "urn:monitor:ward", "type": "secondbell.notice.v1",
            "time": "2026-03-14T01:12:09.500Z", "datacontenttype": "application/json",
            "data": {
                "to": "night-nurse", "priority": "medium", "form": "mail",
                "subject": "MEDIUM bay 3 bed 12: line blocked three times", "text": "Zeile 1\nŽ 2",
                "message_id": "<c-7f3k.1.a@ward.example>", "thread": "<first@ward.example>",
            },
        }  # fmt: skip
        assert (post.method, post.target) == ("POST", "/notices")
        assert post.fields["content-type"] == "application/cloudevents+json; charset=utf-8"
        assert f"created={NOW};" in post.fields["signature-input"]
        verified(post, sink.url, post.body)
        other = post.fields | {"content-digest": http_signature.content_digest(b"x")}
        for changed in (
            (replace(post, method="PUT"), sink.url, post.body),
            (post, sink.url + "/others", post.body),
            (post, sink.url, post.body.replace(b"night-nurse", b"day-nurse")),
            (replace(post, fields=other), sink.url, b"x"),
        ):
            with pytest.raises(InvalidSignature):
                verified(*changed)


@pytest.mark.parametrize(
    ("status", "outcome"),
    [
        (200, Outcome.SENT), (202, Outcome.SENT), (204, Outcome.SENT),
        (400, Outcome.REFUSED), (404, Outcome.REFUSED), (410, Outcome.REFUSED), (413, Outcome.REFUSED),
        (422, Outcome.REFUSED),
        (401, Outcome.TRY_LATER), (403, Outcome.TRY_LATER),  # our settings or theirs, not this person
        (408, Outcome.TRY_LATER), (425, Outcome.TRY_LATER), (429, Outcome.TRY_LATER),
        (500, Outcome.TRY_LATER), (502, Outcome.TRY_LATER), (503, Outcome.TRY_LATER), (504, Outcome.TRY_LATER),
        (599, Outcome.TRY_LATER),
        (301, Outcome.TRY_LATER), (302, Outcome.TRY_LATER), (307, Outcome.TRY_LATER),
    ],
)  # fmt: skip
async def test_what_an_answer_means(tls: Contexts, status: int, outcome: Outcome) -> None:
    """2xx is taken; what says nothing about this person, or passes, is tried later; other 4xx are for good."""
    said = "" if status == 204 else "because"
    async with posting(tls, status=status, said=said) as (_, carrier):
        attempt = await carrier.send(TO)
    assert attempt.outcome is outcome
    assert attempt.text.startswith(str(status))


async def test_no_redirect_is_followed(tls: Contexts) -> None:
    """Nobody can send notices elsewhere by an answer."""
    async with PostSink(tls=tls[0]) as other, posting(tls) as (sink, carrier):
        sink.manners.status, sink.manners.header = 307, ("location", other.url)
        attempt = await carrier.send(TO)
        assert "not followed" in attempt.text
        assert (other.connections, sink.connections) == (0, 1)


async def test_no_proxy_of_the_environment_is_used(tls: Contexts, monkeypatch: pytest.MonkeyPatch) -> None:
    """A variable of the environment sends no notice elsewhere."""
    async with posting(tls) as (sink, carrier), PostSink() as proxy:
        for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY", "all_proxy", "HTTP_PROXY", "http_proxy"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
        assert (await carrier.send(TO)).outcome is Outcome.SENT
        assert (proxy.connections, len(sink.posts)) == (0, 1)


async def test_an_untrusted_certificate_gets_no_notice(tls: Contexts, tmp_path: Path) -> None:
    """By default the system's certificates are trusted and no other; a wrong name or an old one will not do either."""
    async with posting(tls) as (sink, _):
        attempt = await carrier_to(sink.url).send(TO)
        assert "connect: TLS failure: certificate of 127.0.0.1" in attempt.text
        assert sink.posts == []
    for folder, what in ((tmp_path / "a", {"address": "192.0.2.1"}), (tmp_path / "b", {"days": 0})):
        folder.mkdir()
        other = self_made(folder, **what)
        async with posting(other) as (sink, carrier):
            attempt = await carrier.send(TO)
            assert (attempt.outcome, sink.posts) == (Outcome.TRY_LATER, [])
            assert "certificate of 127.0.0.1" in attempt.text


async def test_a_client_certificate_is_shown_where_one_is_demanded(tmp_path: Path) -> None:
    """A server that takes known clients only takes ours, and nobody without."""
    (tmp_path / "server").mkdir()
    (tmp_path / "client").mkdir()
    ours, trusted = self_made(tmp_path / "server")
    self_made(tmp_path / "client")
    ours.verify_mode = ssl.CERT_REQUIRED
    ours.load_verify_locations(tmp_path / "client" / "cert.pem")
    async with PostSink(tls=ours) as sink:
        assert (await carrier_to(sink.url, trusted).send(TO)).outcome is Outcome.TRY_LATER
        trusted.load_cert_chain(tmp_path / "client" / "cert.pem", tmp_path / "client" / "key.pem")
        assert (await carrier_to(sink.url, trusted).send(TO)).outcome is Outcome.SENT


async def test_an_answer_without_end_is_read_only_at_its_beginning() -> None:
    """So much of a body is read, and no more: it is evidence, nobody believes it."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
        while True:
            writer.write(b"400\r\n" + b"z" * 1024 + b"\r\n")
            await writer.drain()

    async with server(serve) as port:
        attempt = await carrier_to(f"http://127.0.0.1:{port}/").send(TO)
    assert attempt.outcome is Outcome.SENT
    assert len(attempt.text) == 200


@pytest.mark.parametrize(
    "url",
    [
        "http://messages.example/", "ftp://a.example/", "https://", "https://u:p@a.example/", "https://a.example/#x",
        "https://a.example:0/", "https://a.example:99999/", "https://a.example/ b", "https://a.example/\r\nX: y", "",
        "http://127.0.0.1.example/", "http://128.0.0.1/", "//a.example/", "https://é.example/",
    ],
)  # fmt: skip
def test_an_address_that_will_not_do_is_refused(url: str) -> None:
    """Not encrypted but on this machine, with a password in it, or none at all: said at once, not in the night."""
    with pytest.raises(ValueError, match="an address such as https"):
        Target.parse(url)


def test_addresses_that_will_do() -> None:
    """HTTPS anywhere, HTTP on this machine; the port of the scheme where none is said."""
    assert Target.parse("https://a.example/x?y=z") == ("https://a.example/x?y=z", True, "a.example", 443)
    assert Target.parse("http://localhost:8080/")[1:] == (False, "localhost", 8080)
    assert Target.parse("http://[::1]/")[1:] == (False, "::1", 80)
    assert Target.parse("https://[2001:db8::1]:8443/")[1:] == (True, "2001:db8::1", 8443)


def test_a_secret_that_could_be_guessed_is_refused() -> None:
    """A short secret is an error when the service starts."""
    with pytest.raises(ValueError, match="too short"):
        HttpsCarrier("https://a.example/", "short", source="urn:monitor:ward")


def test_the_schema_is_one() -> None:
    """It is JSON Schema of draft 2020-12, describes every field, and asks for each."""
    made = schema()
    jsonschema.Draft202012Validator.check_schema(made)
    parts = [made, *made["$defs"].values()]
    assert all(
        field.get("description") or "$ref" in field for part in parts for field in part["properties"].values()
    )
    assert all(sorted(part["required"]) == sorted(part["properties"]) for part in parts)
    assert json.loads(json.dumps(made)) == made

"""Passwords and secrets: read from files and the environment, and found nowhere that anybody reads."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from monitor.checking import report
from monitor.core.ladders import MINUTE
from simulators.post_sink import PostManners, PostSink
from tests.night import TEN, raised, ward
from tests.ward_site import site_text

MAIL, PAGER, POST = "mail-quietly-3141", "page-quietly-2718", "post-quietly-1618-0000"


async def test_no_secret_is_logged_stored_or_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every server refuses and echoes what it was told: neither log, store, trail nor `check` has any of it."""
    async with (
        ward(tmp_path / "ward") as made,
        PostSink(manners=PostManners(status=401, said=f"{POST} is wrong")) as post,
    ):
        made.smtp.manners.login = ("bell", MAIL)
        made.smtp.manners.replies = {
            f"{name}@larkfield.invalid": f"550 5.7.1 {MAIL} is wrong"
            for name in ("night2", "charge", "technical")
        }
        made.snpp.manners.login = ("bell", PAGER)
        made.snpp.manners.send_reply = f"554 {PAGER} is wrong"
        (made.folder / "post-secret").write_text(POST + "\n")
        (made.folder / "post-secret").chmod(0o600)
        text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
        for old, new in (
            ('security = "none"\n', 'security = "none"\nusername = "bell"\npassword_env = "MAIL_PASSWORD"\n'),
            (
                'kind = "snpp"\n',
                'kind = "snpp"\nlevel = 2\nlogin = "bell"\npassword_env = "PAGER_PASSWORD"\n',
            ),
            ('[{ carrier = "pager", address = "4101" }', '[{ carrier = "own", address = "n1" }'),
        ):
            assert old in text
            text = text.replace(old, new)
        text += f'[carriers.own]\nkind = "https"\nurl = "{post.url}"\nsecret_file = "post-secret"\n'
        made.write_site(text)
        passwords = {"MAIL_PASSWORD": MAIL, "PAGER_PASSWORD": PAGER}
        made.monitor.environment |= passwords
        for name, value in passwords.items():
            monkeypatch.setenv(name, value)
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2_000)
        await raised(made)
        await made.step(made.now + 11 * MINUTE)
        await made.monitor.stop()
        checked = io.StringIO()
        report(made.site_file, checked, now=TEN)
        refused = [entry["detail"] for entry in made.trail() if entry["event"].startswith("notice-")]
        assert {one["carrier"] for one in refused if "[hidden]" in one.get("answer", "")} == {
            "mail",
            "pager",
            "own",
        }
        looked_at = [made.monitor.log_file, *(path for path in made.state_dir.rglob("*") if path.is_file())]
        for secret in (MAIL, PAGER, POST):
            assert secret not in checked.getvalue()
            assert not [path for path in looked_at if secret.encode() in path.read_bytes()]
        assert "[hidden]" in made.monitor.log_file.read_text()

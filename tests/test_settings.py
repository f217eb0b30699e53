"""What a right site file becomes: the site that the engine works with, the broker, the carriers, the secrets."""

from __future__ import annotations

import ssl
from pathlib import Path

import pytest

from monitor.adapters.email import EmailCarrier
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.snpp import SnppCarrier
from monitor.carrier_settings import EmailSettings, SnppSettings
from monitor.core.ladders import Ladder, Rung
from monitor.core.messages import Plan, Window
from monitor.core.rota import FOR_EVER, Span
from monitor.core.site import MINUTE, SECOND, Person, Reach, Times
from monitor.settings import load
from tests.sitefile.site_text import KEY, errors, loaded, written

RULES = Path(__file__).parent.parent / "rules"


def test_the_site(tmp_path: Path) -> None:
    """Names, people, units, devices, ladders and duties are in the site as the file says."""
    site = loaded(tmp_path).site
    assert (site.name, site.setting, site.zone_name, site.prefix) == (
        "larkfield",
        "ward",
        "Europe/London",
        "secondbell/v1",
    )
    assert (site.key, site.last_resort, site.technical) == (KEY, "manager", "technical")
    assert site.zone.offset(1_782_000_000_000) == 3_600_000  # 2026-06-21: summer time
    assert site.units == ("elm", "ash")
    assert site.people["nurse"] == Person(
        id="nurse",
        called="night nurse",
        reach=(Reach("pager", "4471"), Reach("mail", "nurse@larkfield.example.invalid")),
    )
    assert site.carriers == {"mail": "mail", "pager": "page"}
    assert site.ladder("elm", "high") == Ladder(
        (Rung(("role:nurse",), 3 * MINUTE), Rung(("person:manager",), 4 * MINUTE)), 10 * MINUTE
    )
    assert site.ladder("elm", "medium").rungs == (Rung(("role:nurse",), 10 * MINUTE),)  # the shipped wait
    assert site.rota.spans == (Span("nurse", "nurse", "*", 0, FOR_EVER),)
    assert (site.devices["pump-1"].unit, site.place("pump-1"), site.devices["pump-1"].pager_place) == (
        "elm",
        "bay 1 bed 1",
        "b1 b1",
    )
    assert len(site.rules) >= 8
    assert site.times == Times()


def test_a_whole_plan(tmp_path: Path) -> None:
    """Every key of a plan reaches the core, in its units; an end of 24:00 is the end of the day."""
    text = (
        'plan = { windows = [{ from = "20:00", to = "06:30" }, { from = "12:00", to = "24:00" }], target_ml = 1000,'
        " rate_ml_h = 100.5, highest_rate_ml_h = 120, kcal_per_ml = 1.5, glucose_risk = true, feed_kind = 'powder',"
        " container_hung = 2026-03-14T21:00:00+01:00, set_hung = '2026-03-14T20:00:00Z' }"
    )
    plan = loaded(tmp_path, ('place = "bay 1 bed 1"', text)).site.devices["pump-1"].plan
    assert plan == Plan(
        windows=(Window(1200, 390), Window(720, 1440)),
        target_ml=1000,
        rate_ml_h=100.5,
        max_rate_ml_h=120,
        kcal_per_ml=1.5,
        glucose_risk=True,
        feed_kind="powder",
        container_hung=1_773_518_400_000,
        set_hung=1_773_518_400_000,
    )


def test_a_duty_with_times(tmp_path: Path) -> None:
    """A duty runs from its beginning until before its end; either may be absent."""
    spans = loaded(
        tmp_path,
        (
            'role = "nurse"',
            'role = "nurse"\nunit = "elm"\nfrom = 2026-03-14T21:00:00Z\nto = "2026-03-15T07:30:00Z"',
        ),
        more='[[duty]]\nperson = "manager"\nrole = "nurse"\nto = 2026-03-14T21:00:00Z\n',
    ).site.rota.spans
    assert spans == (
        Span("nurse", "nurse", "elm", 1_773_522_000_000, 1_773_559_800_000),
        Span("manager", "nurse", "*", 0, 1_773_522_000_000),
    )


def test_every_time_can_be_set(tmp_path: Path) -> None:
    """Each key of [times] reaches the engine's times, and the repeat the ladders that say none of their own."""
    text = """
[times]
gather = "6 s"
lateness = "0 s"
clock_tolerance = "80 s"
relapse = "40 min"
safe_after = "90 s"
repeat = "12 min"
reporting = "5 min"
catch_up = "50 s"
catch_up_quiet = "500 ms"
keep_settled = "2 d"
give_up = { high = "40 s", medium = "100 s", low = "3 min" }
recheck = { medium = "25 min" }
"""
    site = loaded(tmp_path, ('priority = "medium"', 'priority = "medium"\nrepeat = "5 min"'), more=text).site
    assert site.times == Times(
        gather=6 * SECOND,
        lateness=0,
        clock_tolerance=80 * SECOND,
        relapse=40 * MINUTE,
        safe_after=90 * SECOND,
        repeat=12 * MINUTE,
        reporting=5 * MINUTE,
        catch_up=50 * SECOND,
        catch_up_quiet=500,
        keep_settled=48 * 60 * MINUTE,
        give_up={"high": 40 * SECOND, "medium": 100 * SECOND, "low": 180 * SECOND},
        recheck={"high": 10 * MINUTE, "medium": 25 * MINUTE, "low": 20 * MINUTE},
    )
    assert site.ladder("elm", "high").repeat == 12 * MINUTE
    assert site.ladder("elm", "medium").repeat == 5 * MINUTE


def test_the_broker(tmp_path: Path) -> None:
    """Addresses with their usual ports, a session named after site and monitor, plain TCP without a context."""
    broker = loaded(tmp_path, ('["mqtt://127.0.0.1:1883"]', '["mqtt://a", "mqtt://[::1]:1999/"]')).broker
    assert broker.addresses == (BrokerAddress("a", 1883), BrokerAddress("::1", 1999))
    assert (broker.tls, broker.client_id, broker.protocol) == (False, "secondbell-larkfield-main", "3.1.1")
    assert broker.tls_context() is None
    assert broker.read_password() is None


def test_the_broker_by_tls_with_a_login(tmp_path: Path) -> None:
    """mqtts:// verifies certificates; the password is read from its file beside the site file when asked for."""
    secret = tmp_path / "secret"
    secret.write_text("geheim\n")
    secret.chmod(0o600)
    settings = loaded(
        tmp_path,
        (
            '["mqtt://127.0.0.1:1883"]',
            '["mqtts://a"]\nusername = "u"\npassword_file = "secret"\nprotocol = "5"\nclient_id = "c-1"',
        ),
    )
    broker = settings.broker
    assert broker.addresses == (BrokerAddress("a", 8883),)
    assert (broker.tls, broker.client_id, broker.username, broker.protocol) == (True, "c-1", "u", "5")
    context = broker.tls_context()
    assert context is not None
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert broker.read_password() == "geheim"
    assert settings.warnings == ()
    secret.write_text("neu")
    assert broker.read_password() == "neu"


def test_the_carriers(tmp_path: Path) -> None:
    """Both kinds become settings with the usual ports, and real carriers under the names of the file."""
    settings = loaded(
        tmp_path, ("port = 2525\n", ""), ('limit = "10 s"', 'limit = "1500 ms"\nlevel = 2\nlogin = "x"')
    )
    mail, pager = settings.carriers["mail"], settings.carriers["pager"]
    assert mail == EmailSettings(
        name="mail",
        host="127.0.0.1",
        port=25,
        security="none",
        sender="Second Bell <bell@larkfield.example.invalid>",
        username=None,
        password=None,
        ca_file=None,
        limit=20_000,
    )
    assert pager == SnppSettings(
        name="pager", host="127.0.0.1", port=444, level=2, login="x", password=None, limit=1500
    )
    named = loaded(tmp_path).carriers["mail"]
    assert isinstance(named, EmailSettings)
    assert named.port == 2525
    assert isinstance(mail.carrier(), EmailCarrier)
    assert isinstance(pager.carrier(), SnppCarrier)
    assert (mail.carrier().name, pager.carrier().name) == ("mail", "pager")


@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_the_usual_port_of_mail(tmp_path: Path, security: str, port: int) -> None:
    """Without a port it is the one registered for that protection."""
    settings = loaded(tmp_path, ("port = 2525\n", ""), ('security = "none"', f'security = "{security}"'))
    mail = settings.carriers["mail"]
    assert isinstance(mail, EmailSettings)
    assert mail.port == port


def test_files_that_are_not_there(tmp_path: Path) -> None:
    """Certificates are looked for at check, not in the night; so is whether they are of use."""
    said = errors(
        tmp_path,
        ('["mqtt://127.0.0.1:1883"]', '["mqtt://a"]\nca_file = "ca.pem"'),
        ('security = "none"', 'security = "tls"\nca_file = "none.pem"'),
    )
    where = f"a file; there is none at {tmp_path}"
    assert said == [
        ("broker.ca_file", "'ca.pem'", "mqtts:// in addresses to use it for"),
        ("broker.ca_file", "'ca.pem'", f"{where}/ca.pem"),
        ("carriers.mail.ca_file", "'none.pem'", f"{where}/none.pem"),
    ]


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    """The state directory lies beside the file, unless it is said elsewhere."""
    assert loaded(tmp_path).state_dir == tmp_path / "state"
    assert loaded(tmp_path, ("[site]", '[site]\nstate_dir = "a/b"')).state_dir == tmp_path / "a/b"
    assert loaded(tmp_path, ("[site]", '[site]\nstate_dir = "/var/lib/bell"')).state_dir == Path(
        "/var/lib/bell"
    )


def test_names_beside_the_site(tmp_path: Path) -> None:
    """The monitor's name, the file and the names of units for people are kept."""
    settings = loaded(tmp_path, ("[units.elm]", '[units.elm]\ncalled = "Elm ward"'))
    assert (settings.monitor_name, settings.path) == ("main", tmp_path / "site.toml")
    assert settings.units_called == {"elm": "Elm ward", "ash": "ash"}


def test_the_digest_changes_with_file_and_rules(tmp_path: Path) -> None:
    """The digest is of the file's text and all rules: equal for equal ones, another for any change."""
    digest = loaded(tmp_path).digest
    assert len(bytes.fromhex(digest)) == 32
    assert loaded(tmp_path).digest == digest
    assert loaded(tmp_path, more="# a word\n").digest != digest
    rules = tmp_path / "rules"
    rules.mkdir()
    text = (RULES / "unattended.toml").read_text()
    (rules / "own.toml").write_text(text.replace('id = "unattended"', 'id = "own"'))
    with_rule = loaded(tmp_path, ("[site]", '[site]\nrules_dir = "rules"')).digest
    (rules / "own.toml").write_text(text.replace('id = "unattended"', 'id = "own"') + "# a word\n")
    assert loaded(tmp_path, ("[site]", '[site]\nrules_dir = "rules"')).digest != with_rule


def test_the_key_can_be_given_later(tmp_path: Path) -> None:
    """The site's key lies in a folder that only the file names: it is put in afterwards, and codes follow it."""
    path = written(tmp_path)
    first = load(path, key=b"")
    later = first.with_key(KEY)
    assert later.site.key == KEY
    assert later.site.code("c", "nurse") == load(path, key=KEY).site.code("c", "nurse")
    assert later.site.code("c", "nurse") != first.site.code("c", "nurse")
    assert later.digest == first.digest
    assert later.site.name == first.site.name

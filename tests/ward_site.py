"""The site file of the wards that the tests run."""

from __future__ import annotations

from monitor.adapters.mqtt import BrokerAddress

PEOPLE = """
[people.nurse-1]
called = "night nurse 1"
reach = [{ carrier = "pager", address = "4101" }, { carrier = "mail", address = "night1@larkfield.invalid" }]
[people.nurse-2]
called = "night nurse 2"
reach = [{ carrier = "mail", address = "night2@larkfield.invalid" }]
[people.charge]
called = "charge nurse"
reach = [{ carrier = "mail", address = "charge@larkfield.invalid" }, { carrier = "pager", address = "4100" }]
[people.technical]
called = "technical contact"
reach = [{ carrier = "mail", address = "technical@larkfield.invalid" }]
[people.manager]
called = "ward manager on call"
reach = [{ carrier = "pager", address = "4000" }]
[units.elm]
called = "Elm ward"
[[ladders]]
unit = "*"
priority = "high"
rungs = [{ tell = ["role:nurse"], wait = "3 min" }, { tell = ["role:charge"], wait = "3 min" }]
[[ladders]]
unit = "*"
priority = "medium"
rungs = [{ tell = ["role:nurse"], wait = "10 min" }, { tell = ["role:charge"], wait = "10 min" }]
[[duty]]
person = "nurse-1"
role = "nurse"
unit = "elm"
[[duty]]
person = "nurse-2"
role = "nurse"
unit = "elm"
[[duty]]
person = "charge"
role = "charge"
"""


def site_text(broker: BrokerAddress, *, smtp: int, snpp: int, state: str = "state", login: str = "") -> str:
    """A site file: twelve listed pumps in one unit; `login` are further lines of the broker's table."""
    devices = "".join(
        f'[devices.pump-01{n:02d}]\nunit = "elm"\nplace = "bay {(n + 3) // 4} bed {(n - 1) % 4 + 1}"\n'
        for n in range(1, 13)
    )
    return f"""
[site]
name = "larkfield"
setting = "ward"
zone = "Europe/London"
state_dir = "{state}"
monitor = "night"
last_resort = "manager"
technical = "technical"
[broker]
addresses = ["mqtt://{broker.host}:{broker.port}"]
{login}
[carriers.mail]
kind = "email"
host = "127.0.0.1"
port = {smtp}
security = "none"
sender = "Second Bell <secondbell@larkfield.invalid>"
[carriers.pager]
kind = "snpp"
host = "127.0.0.1"
port = {snpp}
{PEOPLE}
{devices}
"""

"""What may stand in a site file: one model a table, each key with its meaning.

The readers of values have names above the models: within a class, the name of a key would hide that of its reader.
Whoever adds a key here adds it to `settings`, and prints the tables of config/README.md anew (see `site_keys`);
the tests hold the README to it. Values are checked here one by one, what depends on other tables in `site_checks`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from monitor.core.messages import ENERGY_MAX, RATE_MAX, VOLUME_MAX, WINDOWS_MAX
from monitor.sitefile.values import (
    LONGEST_PLACE,
    broker_text,
    duration,
    instant,
    label,
    level,
    minute,
    prefix,
    variable,
)

Level = Annotated[str, AfterValidator(level)]
Label = Annotated[str, AfterValidator(label(40))]
Place = Annotated[str, AfterValidator(label(LONGEST_PLACE))]
Path_ = Annotated[str, AfterValidator(label(1000))]
Prefix = Annotated[str, AfterValidator(prefix)]
Variable = Annotated[str, AfterValidator(variable)]
Instant = Annotated[int, BeforeValidator(instant)]
Wait = Annotated[int, BeforeValidator(duration("30 s", "2 h"))]
Repeat = Annotated[int, BeforeValidator(duration("1 min", "2 h"))]
Volume = Annotated[float, Field(gt=0, le=VOLUME_MAX)]
Rate = Annotated[float, Field(gt=0, le=RATE_MAX)]
Thresholds = dict[str, dict[str, Any]]


class Table(BaseModel):
    """A table of the file: nothing unknown, nothing converted, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class SiteTable(Table):
    """[site]"""

    name: Level = Field(description="the site's name in the topics", examples=["larkfield"])
    setting: Literal["ward", "home"] = Field(
        description="ward or home; a home-feeding service has longer shipped patience for some rules",
        examples=["ward"],
    )
    zone: str = Field(
        description="time zone of the feeding plans and of times in notices, from the tz database",
        examples=["Europe/London"],
    )
    last_resort: str = Field(
        description="the person who is told when nobody else accepts; a site without one does not start",
        examples=["ward-manager"],
    )
    technical: str | None = Field(
        None,
        description="the person told when Second Bell itself cannot see, send or store; nobody named: last_resort",
        examples=["technical"],
    )
    prefix: Prefix = Field(
        "secondbell/v1", description="first levels of all topics", examples=["secondbell/v1"]
    )
    monitor: Level = Field(
        "main", description="this monitor's own name, for its presence topic", examples=["main"]
    )
    state_dir: Path_ = Field(
        "state",
        description="folder for the store, the trail and the site's key; relative to this file",
        examples=["state"],
    )
    rules_dir: Path_ | None = Field(
        None,
        description="folder of further rule files of this site; relative to this file",
        examples=["rules"],
    )
    rota_dir: Path_ | None = Field(
        None,
        description="folder of calendars (.ics) that say who is on duty when, beside [[duty]]; relative to this file",
        examples=["rota"],
    )
    devices_csv: Path_ | None = Field(
        None,
        description="table of further devices, one a line; relative to this file",
        examples=["pumps.csv"],
    )


class Hidden(Table):
    """A table with something secret, which never stands in the file but in another, or in the environment."""

    @property
    def hidden(self) -> tuple[str, str | None, str | None]:
        """What it is called in keys, its file and its environment variable, of which one is given at most."""
        raise NotImplementedError


class Login(Hidden):
    """How the password of a login is found; it never stands in the file."""

    password_file: Path_ | None = Field(
        None,
        description="file that holds the password alone; relative to this file; readable by its owner only",
        examples=["mail-password"],
    )
    password_env: Variable | None = Field(
        None, description="environment variable that holds the password", examples=["MAIL_PASSWORD"]
    )

    @property
    def hidden(self) -> tuple[str, str | None, str | None]:
        """Its password."""
        return "password", self.password_file, self.password_env


class BrokerTable(Login):
    """[broker]"""

    addresses: tuple[Annotated[str, AfterValidator(broker_text)], ...] = Field(
        min_length=1,
        description="brokers, tried in turn: mqtt:// is plain (port 1883), mqtts:// is TLS (port 8883)",
        examples=[["mqtt://broker.example.invalid:1883"]],
    )
    client_id: Annotated[str, AfterValidator(label(64))] | None = Field(
        None,
        description="name of our session at the broker; by default made of the names of site and monitor",
        examples=["secondbell-larkfield-main"],
    )
    username: Label | None = Field(None, description="login at the broker", examples=["secondbell"])
    ca_file: Path_ | None = Field(
        None, description="certificates to trust for mqtts://, by default the system's", examples=["ca.pem"]
    )
    protocol: Literal["3.1.1", "5"] = Field("3.1.1", description="version of MQTT", examples=["3.1.1"])


class WayTable(Table):
    """A carrier, and an address there."""

    carrier: str = Field(description="the name of a carrier of this file", examples=["pager"])
    address: Annotated[str, AfterValidator(label(320))] = Field(
        description="the address there: of a mailbox or of a pager", examples=["4471"]
    )


class QuietTable(Table):
    """A time of the local day in which a way to a person is not used below high."""

    start: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        alias="from", description="local time at which they begin, in the site's zone", examples=["22:00"]
    )
    end: Annotated[int, BeforeValidator(minute(end=True))] = Field(
        alias="to",
        description="local time at which they end; before `from`: the next day's",
        examples=["07:00"],
    )


class ReachTable(WayTable):
    """One way to a person."""

    quiet: QuietTable | None = Field(
        None,
        description="hours in which this way is not used below high; the next way is, else the next rung; for "
        "`last_resort` they do not count",
        examples=[{"from": "22:00", "to": "07:00"}],
    )


class PersonTable(Table):
    """[people.ID]"""

    called: Label = Field(
        description="the duty, as others read it in notices; never a person's name",
        examples=["night nurse 1"],
    )
    reach: tuple[ReachTable, ...] = Field(
        (),
        description="the ways to this person, the first tried first",
        examples=[[{"carrier": "pager", "address": "4471"}]],
    )


class UnitTable(Table):
    """[units.NAME]"""

    called: Label | None = Field(
        None, description="the unit's name for people; shown by `secondbell check`", examples=["Elm ward"]
    )
    thresholds: Thresholds = Field(
        default_factory=dict,
        description="rule -> threshold -> value, for this unit",
        examples=[{"unattended": {"patience": "4 min"}}],
    )


class RungTable(Table):
    """One rung of a ladder."""

    tell: tuple[str, ...] = Field(
        min_length=1,
        description='who is told together: "role:ROLE" (who has that duty then) or "person:ID"',
        examples=[["role:nurse"]],
    )
    wait: Wait | None = Field(
        None,
        description="how long they have before the next rung is told, 30 s to 2 h; by default 3 min (high), 10 min",
        examples=["3 min"],
    )


class LadderTable(Table):
    """[[ladders]]"""

    unit: str = Field(
        "*", description='a unit, or "*" for all that have no ladder of their own', examples=["*"]
    )
    priority: Literal["high", "medium", "low"] = Field(
        description="which concerns; a priority without a ladder uses medium's; low tells its first rung only",
        examples=["high"],
    )
    rungs: tuple[RungTable, ...] = Field(
        min_length=1,
        description="who is told first, second, …; past the last, everybody and the last resort",
        examples=[[{"tell": ["role:nurse"], "wait": "3 min"}]],
    )
    repeat: Repeat | None = Field(
        None,
        description="how often everybody is told again past the last rung, 1 min to 2 h; by default `times.repeat`",
        examples=["10 min"],
    )


class DutyTable(Table):
    """[[duty]]"""

    person: str = Field(description="a person of this file", examples=["nurse-1"])
    role: Level = Field(description="the role that ladders name", examples=["nurse"])
    unit: str = Field("*", description='a unit, or "*" for all', examples=["elm"])
    begin: Instant | None = Field(
        None, alias="from", description="since when; absent: always", examples=["2026-03-14T21:00:00Z"]
    )
    end: Instant | None = Field(
        None, alias="to", description="until before when; absent: for ever", examples=["2026-03-15T07:30:00Z"]
    )


class WindowTable(Table):
    """A time of the local day in which feed is due."""

    start: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        alias="from", description="local time at which feeding begins", examples=["20:00"]
    )
    end: Annotated[int, BeforeValidator(minute(end=True))] = Field(
        alias="to",
        description="local time at which it ends; at or before `from`, the next day's",
        examples=["06:00"],
    )
    rate_ml_h: Rate | None = Field(
        None, description="planned rate in it, where it is another than the plan's, mL/h", examples=[80]
    )


class PlanTable(Table):
    """The feeding plan of a device."""

    windows: tuple[WindowTable, ...] = Field(
        min_length=1,
        max_length=WINDOWS_MAX,
        description="when feed is due, each day",
        examples=[[{"from": "20:00", "to": "06:00"}]],
    )
    target_ml: Volume | None = Field(
        None, description="volume wanted a day, in all windows together, mL", examples=[1000]
    )
    rate_ml_h: Rate | None = Field(None, description="planned rate, mL/h", examples=[100])
    highest_rate_ml_h: Rate | None = Field(None, description="highest allowed rate, mL/h", examples=[125])
    kcal_per_ml: Annotated[float, Field(gt=0, le=ENERGY_MAX)] | None = Field(
        None, description="energy of the feed, kcal/mL", examples=[1.5]
    )
    glucose_risk: bool = Field(
        False, description="true if an unnoticed stop of this feed is dangerous", examples=[False]
    )
    feed_kind: Literal["closed", "decanted", "powder", "infant"] | None = Field(
        None, description="kind of feed, for its hang time", examples=["closed"]
    )
    container_hung: Instant | None = Field(
        None, description="when the container was hung", examples=["2026-03-14T20:00:00Z"]
    )
    set_hung: Instant | None = Field(
        None, description="when the giving set was hung", examples=["2026-03-14T20:00:00Z"]
    )


class DeviceTable(Table):
    """[devices.ID]"""

    unit: str = Field(description="the unit that the device belongs to", examples=["elm"])
    place: Place | None = Field(
        None, description="bed or home label that a nurse recognises", examples=["bay 1 bed 1"]
    )
    pager_place: Place | None = Field(
        None,
        description="its short form for the pager, at most 24 characters; never an address",
        examples=["bay 1 bed 1"],
    )
    plan: PlanTable | None = Field(
        None,
        description="the feeding plan, unless a bridge publishes it",
        examples=[{"windows": [{"from": "20:00", "to": "06:00"}], "target_ml": 1000}],
    )
    thresholds: Thresholds = Field(
        default_factory=dict,
        description="rule -> threshold -> value, for this device",
        examples=[{"idle-past-limit": {"patience": "5 min"}}],
    )


class RuleTable(Table):
    """[rules.NAME]; beside `off`, every threshold of the rule is a key."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True, allow_inf_nan=False)

    off: Annotated[str, AfterValidator(label(200, least=5))] | None = Field(
        None,
        description="switches the rule off; the text is the reason, at least 5 characters, and goes into the trail",
        examples=["this ward's pumps report no power"],
    )


SECTIONS: dict[str, str] = {
    "site": "who and where", "broker": "where messages come from", "carriers": "what carries notices",
    "people": "who can be told", "units": "wards or districts", "ladders": "who is told first, and next",
    "duty": "who has which role", "devices": "the pumps", "rules": "other limits than the shipped ones",
    "drills": "drills by calendar",
    "load": "how much one person is sent", "times": "other times than the shipped ones", "pages": "the page on a phone",
    "health": "how the service is, for other programs", "heads": "where signed heads of the trail go",
    "trail": "how long the trail's texts are kept", "shifts": "when a shift begins and ends",
    "handover": "who gets the page about a shift",
}  # fmt: skip

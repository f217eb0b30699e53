"""The tables of keys in config/README.md, made from the models of the site file.

After a change there: `python -c "import monitor.sitefile.keys as k; print(k.tables())"`, and put it between the marks.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import BaseModel

from monitor.sitefile.carrier_tables import EmailTable, HttpsTable, PluginTable, SnppTable
from monitor.sitefile.drill_table import DrillTable
from monitor.sitefile.heads_table import HeadsTable, TrailTable
from monitor.sitefile.health_table import HealthTable
from monitor.sitefile.load_table import LoadTable
from monitor.sitefile.pages_table import PagesTable
from monitor.sitefile.problems import inner_model
from monitor.sitefile.shifts_table import HandoverTable, ShiftTable
from monitor.sitefile.tables import (
    BrokerTable,
    DeviceTable,
    DutyTable,
    LadderTable,
    PersonTable,
    RuleTable,
    SiteTable,
    UnitTable,
)
from monitor.sitefile.times import TimesTable

TABLES: tuple[tuple[str, type[BaseModel]], ...] = (
    ("`[site]`: who and where", SiteTable),
    ("`[broker]`: where messages come from", BrokerTable),
    ('`[carriers.NAME]` with `kind = "email"`: mail', EmailTable),
    ('`[carriers.NAME]` with `kind = "snpp"`: pager', SnppTable),
    ('`[carriers.NAME]` with `kind = "https"`: a signed POST', HttpsTable),
    ("`[carriers.NAME]` with the name of a plug-in as `kind`", PluginTable),
    ("`[people.ID]`: who can be told", PersonTable),
    ("`[units.NAME]`: wards or districts", UnitTable),
    ("`[[ladders]]`: who is told first, and next", LadderTable),
    ("`[[duty]]`: who has which role", DutyTable),
    ("`[[drills]]`: drills by calendar", DrillTable),
    ("`[devices.ID]`: the pumps", DeviceTable),
    ("`[rules.NAME]`: other limits than the shipped ones", RuleTable),
    ("`[load]`: how much one person is sent", LoadTable),
    ("`[times]`: other times than the shipped ones", TimesTable),
    ("`[pages]`: the page on a phone; without this table there is none", PagesTable),
    ("`[health]`: how the service is; without this table nobody can ask", HealthTable),
    ("`[shifts.NAME]`: what a shift is; by default night 20:00 to 08:00 and day 08:00 to 20:00", ShiftTable),
    ("`[handover]`: who gets the page about a shift", HandoverTable),
    ("`[heads]`: where signed heads of the trail go", HeadsTable),
    ("`[trail]`: how long the trail's texts are kept", TrailTable),
)


def tables() -> str:
    """All tables, in Markdown."""
    parts = []
    for title, model in TABLES:
        rows = "\n".join(f"| `{key}` | {example} | {meaning} |" for key, example, meaning in rows_of(model))
        extra = (
            '\n| every threshold of the rule | `patience = "6 min"` | the site\'s value; names, shipped values and'
            " reasons stand in the rule's file |"
            if model is RuleTable
            else ""
        )
        parts.append(f"### {title}\n\n| key | example | meaning |\n| --- | --- | --- |\n{rows}{extra}\n")
    return "\n".join(parts)


def rows_of(model: type[BaseModel], prefix: str = "") -> Iterator[tuple[str, str, str]]:
    """Key, example and meaning of every key of a table, those of tables within it after it."""
    own_first = sorted(model.model_fields.items(), key=lambda item: item[0] not in model.__annotations__)
    for name, field in own_first:
        key = prefix + (field.alias or name)
        needed = " **Required.**" if field.is_required() else ""
        example = toml(field.examples[0]) if field.examples else ""
        yield key, f"`{example}`", f"{field.description}.{needed}"
        if (inner := inner_model(field.annotation)) is not None:
            many = "[]" if "tuple" in str(field.annotation) else ""
            yield from rows_of(inner, f"{key}{many}.")


def toml(value: object) -> str:
    """A value as it is written in TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(part)}" for key, part in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)

"""The site file of a soak: two nurses a unit, charge nurses, a last resort; and who reads which address."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.scenario import Scenario

UNITS_OF_ONE_CHARGE = 10
LOUD = ("loud-1", "loud-2", "loud-3")  # listed pumps that no scenario has: one of them storms now and then
CARRIERS = {"mail": "kind = \"email\"\nsecurity = \"none\"\nsender = \"Second Bell <secondbell@larkfield.invalid>\"",
            "pager": "kind = \"snpp\"\nlevel = 2"}  # fmt: skip
LIMIT = "2 s"  # for one attempt: far below any wait, and long enough for a server on a busy machine


@dataclass(slots=True)
class People:
    """Everybody of a site, and to whom an address belongs."""

    text: list[str] = field(default_factory=list)
    pagers: dict[str, str] = field(default_factory=dict)
    mailboxes: dict[str, str] = field(default_factory=dict)
    ways: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def add(self, person: str, called: str, *ways: str) -> None:
        """A person, reached by `ways` in this order."""
        addresses = {"pager": f"{4000 + len(self.pagers)}", "mail": f"{person}@larkfield.invalid"}
        self.ways[person] = ways
        if "pager" in ways:
            self.pagers[addresses["pager"]] = person
        if "mail" in ways:
            self.mailboxes[addresses["mail"]] = person
        reach = ", ".join(f'{{ carrier = "{way}", address = "{addresses[way]}" }}' for way in ways)
        self.text.append(f'[people.{person}]\ncalled = "{called}"\nreach = [{reach}]')

    def on_duty(self, person: str, role: str, unit: str) -> None:
        """A duty for the whole night."""
        self.text.append(f'[[duty]]\nperson = "{person}"\nrole = "{role}"\nunit = "{unit}"')


def people_of(scenario: Scenario) -> People:
    """The people of a scenario's site."""
    people = People()
    people.add("manager", "manager on call", "pager", "mail")
    people.add("technical", "technical contact", "mail", "pager")
    for number, unit in enumerate(scenario.units):
        if number % UNITS_OF_ONE_CHARGE == 0:
            charge = f"charge-{number // UNITS_OF_ONE_CHARGE + 1}"
            people.add(charge, f"charge nurse {number // UNITS_OF_ONE_CHARGE + 1}", "mail", "pager")
        people.add(f"{unit}-1", f"{unit} nurse 1", "pager", "mail")
        people.add(f"{unit}-2", f"{unit} nurse 2", "mail", "pager")
        people.on_duty(f"{unit}-1", "nurse", unit)
        people.on_duty(f"{unit}-2", "nurse", unit)
        people.on_duty(charge, "charge", unit)
    return people


def site_text(scenario: Scenario, people: People, *, mqtt: int, smtp: int, snpp: int) -> str:
    """The site file, with the ports of this run."""
    rungs = 'rungs = [{{ tell = ["role:nurse"], wait = "{0}" }}, {{ tell = ["role:charge"], wait = "{0}" }}]'
    parts = [
        f'[site]\nname = "{scenario.site}"\nsetting = "ward"\nzone = "Europe/London"\nstate_dir = "state"\n'
        'monitor = "soak"\nlast_resort = "manager"\ntechnical = "technical"',
        f'[broker]\naddresses = ["mqtt://127.0.0.1:{mqtt}"]',
        *(
            f'[carriers.{name}]\n{CARRIERS[name]}\nhost = "127.0.0.1"\nport = {port}\nlimit = "{LIMIT}"'
            for name, port in (("mail", smtp), ("pager", snpp))
        ),
        *people.text,
        *(f'[units.{unit}]\ncalled = "{unit.capitalize()}"' for unit in scenario.units),
        *(
            f'[[ladders]]\nunit = "*"\npriority = "{priority}"\n{rungs.format(wait)}'
            for priority, wait in (("high", "3 min"), ("medium", "10 min"))
        ),
        *(
            f'[devices.{pump.id}]\nunit = "{pump.unit}"\nplace = "{pump.place}"\npager_place = "{pump.place}"'
            for pump in scenario.pumps
        ),
        *(
            f'[devices.{device}]\nunit = "{scenario.units[0]}"\nplace = "{device}"\npager_place = "{device}"'
            for device in LOUD
        ),
    ]
    return "\n\n".join(parts) + "\n"

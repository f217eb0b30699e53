"""What the demo shows: the night as it happens, a line for each thing that a person would want to know."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.text import Text

from monitor.core.guidance import CAUTION
from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.site import Site
from monitor.core.wording import WHAT
from monitor.demo.outcome import Outcome
from simulators.scenario import Scenario
from simulators.staff import Answer, Arrival

if TYPE_CHECKING:
    from simulators.smtp_sink import Mail
    from simulators.snpp_sink import Page

# What a happening is called here; what is not listed is not shown (it stands in the trail).
SHOWN = {
    "raised": "needs somebody",
    "relapsed": "has come back",
    "priority-raised": "has become more urgent",
    "settled": "is over",
    "covered": "is with whoever has this pump already",
    "notice-try-later": "could not be told yet",
    "notice-failed": "could not be told",
    "link-down": "broker lost",
}
READING = 0.35  # seconds a line, so that the night takes about a minute on a terminal
PRIORITY_STYLE = {"high": "bold", "medium": "", "low": "dim"}  # words carry the priority, not colours


class Screen:
    """Plain lines when piped; on a terminal the same with emphasis and a clock that moves."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._site: Site | None = None
        self._status: Any = None
        self._shown = 0

    def begin(self, scenario: Scenario, start: int, site: Site) -> None:
        """Say what is going to be seen."""
        self._site = site
        self._print(Text("Second Bell: a simulated night", style="bold"))
        self._print(
            f"{scenario.about} Invented ward, invented pumps, people and troubles; real messages, mails, pages."
        )
        self._print(CAUTION)
        self._print("")
        if self._console.is_terminal:
            self._status = self._console.status(self._clock(start))
            self._status.start()

    def at(self, now: int) -> None:
        """Move the clock."""
        if self._status is not None:
            self._status.update(self._clock(now))

    def happened(self, happening: Happening) -> None:
        """Show what was decided."""
        said = SHOWN.get(happening.event)
        if said is None:
            if happening.event == "rechecked" and happening.detail.get("troubled"):
                said = "was accepted, and is still troubled"
            elif happening.event == "called" and happening.detail.get("why") == "next-rung":
                said = "has not been accepted: the next rung is told"
            elif happening.event == "called" and happening.detail.get("why") == "round-again":
                said = "has still not been accepted: everybody and the last resort are told"
            else:
                return
        rule = happening.rule or ""
        what = WHAT[rule].short if rule in WHAT else rule
        priority = (happening.priority or "").upper()
        line = Text(f"{self._clock(happening.now)}  ")
        line.append(f"{priority:<6} ", style=PRIORITY_STYLE.get(happening.priority or "", ""))
        line.append(f"{self._place(happening.device)}: {what}: {said}")
        if happening.event == "settled":
            line.append(f" ({happening.detail['why']})")
        self._print(line)

    def page(self, page: Page) -> None:
        """Show a page as it came."""
        self._print(f"{self._clock(page.at)}           page to {self._who(page.pager)}: {page.text}")

    def mail(self, mail: Mail) -> None:
        """Show a mail's subject."""
        who = ", ".join(self._who(recipient) for recipient in mail.recipients)
        self._print(f"{self._clock(mail.at)}           mail to {who}: {str(mail.message['Subject']).strip()}")

    def answered(self, at: int, answer: Answer, said: dict[str, Any]) -> None:
        """Show an answer and what was said to it."""
        self._print(
            f"{self._clock(at)}           {self._called(answer.person)} answers {answer.code} for "
            f"{self._place(answer.device)}: {said['text']}"
        )

    def arrived(self, at: int, arrival: Arrival) -> None:
        """Show that somebody is there."""
        self._print(
            f"{self._clock(at)}           {self._called(arrival.person)} is at {self._place(arrival.device)}"
        )

    def end(self, outcome: Outcome) -> None:
        """Sum the night up, and say where everything lies and what to try next."""
        if self._status is not None:
            self._status.stop()
        events, folder, found = outcome.events, outcome.folder, outcome.morning
        assert found is not None
        self._head("The night in numbers")
        self._print(
            f"  {outcome.messages} device-state messages; {outcome.troubles} troubles that needed somebody away from"
            f" the bedside."
        )
        self._print(
            f"  {events['raised']} concerns raised, {events['relapsed']} came back, {events['settled']} settled;"
            f" accepted {events['accepted']} times."
        )
        self._print(f"  {outcome.pages} pages and {outcome.mails} mails really sent.")
        self._head("The handover: what whoever comes on duty asks first")
        for line in found.answers.splitlines():
            if line:
                self._print(f"  {line}")
        self._print(f"  One page with all of it, for a browser or paper: {found.page}")
        self._head("The record: can it be believed?")
        verdict = "whole" if found.finding is None else f"NOT whole: {found.finding}"
        self._print(f"  Audit trail: {found.entries} entries, {verdict}.")
        if found.head is not None:
            self._print(f"  It fits the head that was signed of {found.signed} entries and kept outside it.")
        if found.copy is not None:
            self._print(f"  Now somebody changes a copy of it: {found.changed}.")
            self._print(f"  Verifying the copy: {found.found}.")
        self._head("Where it lies")
        self._print(f"  mails     {folder / 'mails'}")
        self._print(f"  pages     {folder / 'pages'}")
        self._print(f"  handover  {found.page}")
        self._print(f"  trail     {folder / 'state'}")
        self._print(f"  site      {folder / 'site.toml'}")
        self._head("What to try next")
        site = f"--site {folder / 'site.toml'}"
        if outcome.a_concern is not None:
            self._print(f"  secondbell trail show {outcome.a_concern} {site}")
            self._print(f"  secondbell why {outcome.a_concern} {site}")
        outside = "" if found.head is None else f"--head {found.head} --key {folder / 'trail.pub'} "
        self._print(f"  secondbell trail verify {outside}{site}")
        if found.copy is not None:
            self._print(f"  secondbell trail verify --state {found.copy}")
        self._print(f"  secondbell reconcile {site}")
        self._print("  secondbell study --only main --seeds 2   nights under other ways of telling people")
        self._print("  secondbell simulate --help     pumps for your own broker")
        self._print("  secondbell init my-site        a site file to fill in")
        self._print("This was a demonstration. Nobody may rely on it in place of the pump's own alarm.")

    def _head(self, text: str) -> None:
        self._print("")
        self._print(Text(text, style="bold"))

    async def pause(self) -> None:
        """On a terminal, leave time to read what was just shown; a pipe does not wait."""
        shown, self._shown = self._shown, 0
        if shown and self._console.is_terminal:
            await asyncio.sleep(min(shown, 4) * READING)

    def close(self) -> None:
        """Stop whatever moves."""
        if self._status is not None:
            self._status.stop()

    def _print(self, what: str | Text) -> None:
        self._shown += 1
        self._console.print(what, soft_wrap=True, highlight=False, markup=False)

    def _clock(self, at: int) -> str:
        zone = self._site.zone if self._site else None
        return show(at + (zone.offset(at) if zone else 0))[11:16]

    def _place(self, device: str | None) -> str:
        if device is None or self._site is None:
            return ""
        return self._site.place(device) or device.replace("unit:", "unit ")

    def _called(self, person: str) -> str:
        assert self._site is not None
        return self._site.called(person) or person

    def _who(self, address: str) -> str:
        assert self._site is not None
        for person in self._site.people.values():
            if any(reach.address == address for reach in person.reach):
                return person.called
        return address

"""A ward on a bench: the real engine, driven step by step, in the words of the trade."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal

from monitor.adapters.carriers import Outcome, Parcel
from monitor.core.decode import decode
from monitor.core.effects import (
    Asked,
    Attempted,
    DrillAsked,
    LinkDown,
    LinkUp,
    MarkerBack,
    Publish,
    Reply,
    Returned,
    SendMarker,
)
from monitor.core.effects import SendNotice as Send
from monitor.core.engine import Engine
from monitor.core.instants import MINUTE, SECOND, parse_duration, show
from monitor.core.journal import Happening
from monitor.core.messages import ANSWER_TYPE, PLAN_TYPE, STATE_TYPE, Rejection
from monitor.core.parts import Rejected
from monitor.core.site import Site
from monitor.core.topics import bridge_presence_topic, plan_topic, responsibility_topic, state_topic
from monitor.testing.recorders import Kept, RecordingCarrier, Told
from monitor.testing.seen import Seen
from monitor.testing.ward import START, ward


class Bench(Seen):
    """An engine, a clock, carriers and a store, and what they did, in the words of the trade."""

    def __init__(
        self,
        site: Site | None = None,
        *,
        start: int = START,
        link: bool = True,
        reporting: int = MINUTE,
        trail: bool = True,
    ) -> None:
        """Begin at instant `start` (ms UTC), with the broker there unless `link` says otherwise.

        Each pump repeats its last snapshot every `reporting` ms, first after half of that, for as long as it can be
        heard and is not `silent`; 0: never.
        """
        self.site = site or ward()
        self.start = self.now = self._moved = start
        self.engine = Engine(self.site, now=start, link=link, trail=trail)
        self.silent: set[str] = set()  # pumps that send nothing
        self._reporting, self._report_at = reporting, start + reporting // 2
        self.carriers = {name: RecordingCarrier(name) for name in self.site.carriers}
        self.kept = Kept()
        self.told: list[Told] = []
        self.told_of_troubles: list[Told] = []  # what reached whoever mends Second Bell itself
        self.happened: list[Happening] = []
        self.published: dict[str, bytes] = {}
        self.sends: list[Send] = []  # every attempt asked for
        self.losing = False  # while True the broker loses what the engine sends to itself
        self.holding_sends = False  # while True attempts stay in flight: see `end_sends`
        self.marker = ""
        self._in_flight: list[Send] = []
        self._returned: list[Publish] = []
        self._said: dict[str, Reply] = {}
        self._state: dict[str, dict[str, Any]] = {}
        self._number = 0
        self.work()

    # ---- time --------------------------------------------------------------------------------------------------------

    def at(self, offset: str) -> None:
        """Move to "HH:MM:SS" (or with ".mmm") after the start; everything that is due on the way happens in order."""
        hours, minutes, seconds = offset.split(":")
        self.until(self.start + round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * SECOND))

    def pass_by(self, duration: str) -> None:
        """Let time pass: "4 min", "90 s"."""
        self.until(self.now + parse_duration(duration))

    def until(self, instant: int) -> None:
        """Move to an instant (ms UTC)."""
        assert instant >= self.now, "time does not run back"
        self._moved = len(self.told)
        while True:
            due = self.engine.due()
            if self._reporting and self._report_at <= instant and (due is None or self._report_at <= due):
                self.now = max(self.now, self._report_at)
                self._report_at += self._reporting
                self._report()
            elif due is not None and due <= instant:
                self.now = max(self.now, due)
                self.work()
            else:
                break
        self.now = instant
        self.work()

    def work(self) -> None:
        """Let happen what is due now, keep what it did, then perform it, until nothing is left to do."""
        while True:
            self.engine.advance(self.now)
            self.kept.commit(self.engine.take_changes())
            effects = self.engine.take_effects()
            self.happened += self.engine.take_happenings()
            for effect in effects:
                if isinstance(effect, Send):
                    self.sends.append(effect)
                    self._in_flight.append(effect)
                elif isinstance(effect, Publish):
                    self.published[effect.topic] = effect.payload
                    if not effect.retain and not self.losing and self.engine.sight.link:
                        self._returned.append(effect)
                elif isinstance(effect, Reply):
                    self._said[effect.token] = effect
                elif isinstance(effect, SendMarker):
                    self.marker = effect.token
            if self._returned:
                returned, self._returned = self._returned, []
                for sent in returned:
                    self._come_back(sent)
                continue
            if self.holding_sends or not self._in_flight:
                return
            self.end_sends()

    def end_sends(self) -> None:
        """Let the attempts in flight end, each as its carrier says."""
        sends, self._in_flight = self._in_flight, []
        for send in sends:
            if self.engine.technical.owns(send.notice):
                person, trouble, what = self.engine.technical.in_flight(send.notice)
                items: tuple[tuple[str, str], ...] = ((trouble, what),)
            else:
                record = self.engine.outbox.notices[send.notice]
                person, items = record.person, tuple((concern, why) for concern, why in record.items)
            parcel = Parcel(
                notice=send.notice, message_id=send.message_id, address=send.address, subject=send.subject,
                body=send.body, urgency=_urgency(send.urgency), thread=send.thread, date_ms=send.date,
            )  # fmt: skip
            attempt = self.carriers[send.carrier].attempt(parcel)
            if attempt.outcome is Outcome.SENT:
                (self.told_of_troubles if items[0][0] in self.engine.technical.troubles else self.told).append(
                    Told(
                        at=self.now, person=person, carrier=send.carrier, items=items, subject=send.subject,
                        text=send.body, notice=send.notice, message_id=send.message_id, thread=send.thread,
                    )
                )  # fmt: skip
            self._take(Attempted(notice=send.notice, outcome=str(attempt.outcome), text=attempt.text))

    # ---- messages ----------------------------------------------------------------------------------------------------

    def message(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Any message, as bytes on a topic."""
        found = decode(topic, payload, retain=retain, prefix=self.site.prefix, site=self.site.name)
        self._take(Rejected(found, payload) if isinstance(found, Rejection) else found)
        self.work()

    def snapshot(
        self,
        device: str,
        *,
        unit: str | None = None,
        bridge: str | None = None,
        time: int | None = None,
        **said: Any,
    ) -> None:
        """A device-state message, now or of an older `time`; what it does not say stays as in the one before.

        `said`: activity, alarms (of `alarm`), mains, battery_percent, battery_low, rate_ml_h, delivered_ml, target_ml.
        """
        before = self._state.get(
            device, {"activity": "feeding", "alarms": [], "unit": "elm", "bridge": "north-7"}
        )
        moved = {key: value for key, value in (("unit", unit), ("bridge", bridge)) if value is not None}
        state = self._state[device] = before | moved | said
        at = self.now if time is None else time
        onsets = {(a["condition"], a["line"]): a["since"] for a in before["alarms"]}
        state["alarms"] = [
            a | {"since": a["since"] or onsets.get((a["condition"], a["line"]), at)} for a in state["alarms"]
        ]
        data: dict[str, Any] = {"sequence": self._number + 1, "activity": state["activity"]}
        data["alarms"] = [a | {"since": show(a["since"])} for a in state["alarms"]]
        for section, names in (
            ("power", ("mains", "battery_percent", "battery_low")),
            ("delivery", ("rate_ml_h", "delivered_ml", "target_ml")),
        ):
            found = {name: state[name] for name in names if state.get(name) is not None}
            if found:
                data[section] = found
        topic = state_topic(self.site.prefix, self.site.name, state["unit"], device)
        self.message(topic, self._event(device, STATE_TYPE, data, at, state["bridge"]))

    def plan(self, device: str, unit: str = "elm", **data: Any) -> None:
        """A feeding plan over the air, in the contract's own fields."""
        topic = plan_topic(self.site.prefix, self.site.name, unit, device)
        self.message(topic, self._event(device, PLAN_TYPE, data, self.now, "north-7"))

    def bridge(self, name: str = "north-7", *, online: bool = True, backlog: bool = False) -> None:
        """A bridge says whether it is there."""
        topic = bridge_presence_topic(self.site.prefix, self.site.name, name)
        self.message(topic, json.dumps({"online": online, "backlog": backlog}).encode())

    def button(
        self, device: str, person: str, answer: str, *, id: str | None = None, unit: str = "elm", **said: Any
    ) -> None:
        """An answer by message, as from a bedside button; `said`: concern, until, reason."""
        topic = responsibility_topic(self.site.prefix, self.site.name, unit, device)
        data = {"answer": answer, "person": person, **said}
        self.message(topic, self._event(device, ANSWER_TYPE, data, self.now, "bedside", id))

    def link_down(self) -> None:
        """The broker is gone."""
        self._take(LinkDown(reason="connection lost"))
        self.work()

    def link_up(self) -> None:
        """The broker is there again; what it had kept comes until `marker_back`."""
        self._take(LinkUp(session_present=True))
        self.work()

    def marker_back(self) -> None:
        """Everything that the broker had kept has come."""
        self._take(MarkerBack(token=self.marker))
        self.work()

    # ---- answers -----------------------------------------------------------------------------------------------------

    def answer(
        self,
        answer: str,
        person: str,
        reference: str,
        reason: str | None = None,
        *,
        lasting: str | None = None,
        **to: str,
    ) -> Reply:
        """An answer by command, with a code, a concern's or a pump's id; what is said to it.

        `lasting`: for how long ("30 min"); `to`: of a swap the device, of a move place, pager_place and unit.
        """
        self._number += 1
        token = f"answer-{self._number}"
        until = None if lasting is None else self.now + parse_duration(lasting)
        self._take(
            Asked(
                token=token,
                reference=reference,
                answer=answer,
                person=person,
                reason=reason,
                until=until,
                to=to,
            )
        )
        self.work()
        return self._said[token]

    def code(self, person: str, device: str, rule: str | None = None) -> str:
        """The code that a person was given for the newest concern of a device (and rule)."""
        return self.site.code(self.concern(device, rule).id, person)

    def accept(self, person: str, device: str, rule: str | None = None) -> str:
        """Accept with the person's own code; the text of the answer."""
        return self.answer("accept", person, self.code(person, device, rule)).text

    def decline(self, person: str, device: str, rule: str | None = None) -> str:
        """Decline."""
        return self.answer("decline", person, self.code(person, device, rule)).text

    def hand_back(self, person: str, device: str, rule: str | None = None) -> str:
        """Hand back."""
        return self.answer("hand-back", person, self.code(person, device, rule)).text

    def take_over(self, person: str, device: str, rule: str | None = None) -> str:
        """Take over."""
        return self.answer("take-over", person, self.code(person, device, rule)).text

    def withdraw(self, person: str, device: str, reason: str, rule: str | None = None) -> str:
        """Withdraw, saying why."""
        return self.answer("withdraw", person, self.code(person, device, rule), reason).text

    def comes_back(self, notice: str, what: str = "failed", status: str = "5.1.1") -> str:
        """A mail comes back: a report of its delivery, or a reply; what was done about it."""
        self._number += 1
        token = f"returned-{self._number}"
        self._take(Returned(token=token, notice=notice, what=what, status=status))
        self.work()
        return self._said[token].text

    # ---- drills ------------------------------------------------------------------------------------------------------

    def drill(
        self,
        unit: str = "elm",
        *,
        to: str | None = None,
        priority: str = "medium",
        wait: str = "10 min",
        by: str = "command",
    ) -> Reply:
        """Ask for a drill; the reply's text is its id, or why there is none."""
        self._number += 1
        token = f"drill-{self._number}"
        self._take(
            DrillAsked(
                token=token, unit=unit, to=to, priority=priority, wait=parse_duration(wait), by=by, seal=f"seal {token}"
            )
        )  # fmt: skip
        self.work()
        return self._said[token]

    # ---- the store ---------------------------------------------------------------------------------------------------

    def restart(self, site: Site | None = None, *, link: bool = True) -> None:
        """Kill the engine and begin anew from what was kept; attempts in flight are forgotten with it."""
        self.site = site or self.site
        self._in_flight, self._returned = [], []
        self.engine = Engine(self.site, now=self.now, link=link, loaded=self.kept.load())
        self.engine.resume()
        self.work()

    # ---- inside ------------------------------------------------------------------------------------------------------

    def _report(self) -> None:
        """Each pump that can be heard repeats itself."""
        sight = self.engine.sight
        for device in sorted(self._state.keys() - self.silent):
            if sight.link and not sight.resting(str(self._state[device]["bridge"])):
                self.snapshot(device)

    def _come_back(self, sent: Publish) -> None:
        """The broker brings back what was sent to a topic that the monitor reads, as a drill's messages are."""
        prefix, site = self.site.prefix, self.site.name
        found = decode(sent.topic, sent.payload, retain=False, prefix=prefix, site=site)
        if not isinstance(found, Rejection):
            self.engine.receive_message(found, sent.payload, self.now)

    def _take(self, event: object) -> None:
        self.engine.receive(event, self.now)

    def _event(
        self,
        device: str,
        kind: str,
        data: Mapping[str, Any],
        at: int,
        bridge: str,
        id: str | None = None,
    ) -> bytes:
        """A CloudEvent of the contract."""
        self._number += 1
        event = {
            "specversion": "1.0", "id": id or f"m-{self._number:06d}", "source": f"urn:bridge:{bridge}",
            "type": kind, "subject": device, "time": show(at), "datacontenttype": "application/json", "data": data,
        }  # fmt: skip
        return json.dumps(event).encode()


def _urgency(priority: str) -> Literal["high", "medium", "low"]:
    assert priority in ("high", "medium", "low")
    return priority  # type: ignore[return-value]  # one of the three, as just checked

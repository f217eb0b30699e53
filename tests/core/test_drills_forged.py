"""Nobody can send as a drill, and what comes late is named."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core.drill import DRILL_BRIDGE
from monitor.core.instants import show
from monitor.core.messages import STATE_TYPE
from monitor.core.topics import bridge_presence_topic, plan_topic, state_topic
from monitor.testing import Bench, ward
from tests.core.drill_stories import PUMP, begun, come


def forged(bench: Bench, **changed: Any) -> bytes:
    """The drill's own message, changed."""
    sent = json.loads(bench.published[state_topic(bench.site.prefix, bench.site.name, "elm", PUMP)])
    data = {**sent["data"], **changed.pop("data", {})}
    return json.dumps({**sent, **changed, "data": data}).encode()


@pytest.mark.parametrize(
    "changed",
    [
        {"id": "drill-1"},
        {"id": "drill-0123456789ab-1-0123456789abcdef01234567"},
        {"id": "drill-0123456789ab-²-0123456789abcdef01234567"},
        {"id": "drill-1", "source": "urn:bridge:north-7"},
        {"id": "drill-1", "data": {"activity": "idle", "alarms": []}},
    ],
)
def test_nobody_else_can_send_as_a_drill(changed: dict[str, Any]) -> None:
    """A message under a drill's name that we did not send is refused by name, and what we believe stays as it is."""
    bench, _ = begun()
    topic = state_topic(bench.site.prefix, bench.site.name, "elm", PUMP)
    before = bench.engine.devices[PUMP].picture.dump()
    payload = forged(bench, **changed)
    come(bench, topic, payload)
    after = bench.engine.devices[PUMP].picture.dump()
    assert (before, bench.engine.counters["rejected reserved-name"]) == (after, 1)
    [kept] = bench.kept.quarantined
    assert kept.payload == payload


def test_nor_before_its_rule_holds() -> None:
    """The same again under another id, which from a pump would be the usual message, is refused as well."""
    bench = Bench(ward())
    bench.drill()
    topic = state_topic(bench.site.prefix, bench.site.name, "elm", PUMP)
    bench.pass_by("500 ms")
    come(bench, topic, forged(bench, id="drill-x", time=show(bench.now)))
    assert bench.engine.counters["rejected reserved-name"] == 1


def test_our_own_id_with_other_contents_changes_nothing() -> None:
    """Somebody who has heard the message sends it again, with its id and without its alarm: not taken."""
    bench, _ = begun()
    topic = state_topic(bench.site.prefix, bench.site.name, "elm", PUMP)
    come(bench, topic, forged(bench, data={"activity": "idle", "alarms": []}))
    assert bench.engine.counters["drill over"] == 1
    bench.pass_by("1 min")
    bench.assert_open(PUMP)


def test_no_drill_no_such_pump() -> None:
    """Without a drill under way the name is refused: of state, plan and presence."""
    bench = Bench(ward())
    prefix, name = bench.site.prefix, bench.site.name
    event = {
        "specversion": "1.0", "id": "x", "source": "urn:bridge:north-7", "type": STATE_TYPE, "subject": PUMP,
        "time": "2026-03-13T22:00:00Z",
        "data": {"sequence": 1, "activity": "stopped", "alarms": []},
    }  # fmt: skip
    come(bench, state_topic(prefix, name, "elm", PUMP), json.dumps(event).encode())
    come(bench, plan_topic(prefix, name, "elm", PUMP), b"")
    come(bench, bridge_presence_topic(prefix, name, DRILL_BRIDGE), b'{"online": false}')
    assert bench.engine.counters["rejected reserved-name"] == 3
    assert not bench.engine.devices


def test_what_cannot_be_read_under_its_name_is_put_aside_as_such() -> None:
    """No JSON on a drill's topic is no JSON, in a drill and without one."""
    bench, _ = begun()
    come(bench, state_topic(bench.site.prefix, bench.site.name, "elm", PUMP), b"nothing")
    come(bench, state_topic(bench.site.prefix, bench.site.name, "oak", "drill-oak"), b"nothing")
    assert bench.engine.counters["rejected not-json"] == 2


def test_a_message_that_comes_after_its_drill_is_named() -> None:
    """A broker may bring one twice, or late: no new pump, no quarantine, counted as what it is."""
    bench, _ = begun()
    topic = state_topic(bench.site.prefix, bench.site.name, "elm", PUMP)
    late = bench.published[topic]
    bench.accept("nurse-1", PUMP)
    bench.pass_by("1 min")
    come(bench, topic, late)
    assert bench.engine.counters["drill over"] == 1
    assert PUMP not in bench.engine.devices

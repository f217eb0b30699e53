"""Ground truth: what needed somebody, from when, and that nothing else is in it."""

from __future__ import annotations

import json

from simulators import Trouble, World, load
from simulators.truth import IN_HAND_MS, to_json_lines
from tests.simulators.conftest import run_to, states
from tests.simulators.test_world import MINUTE, small


def only(world: World) -> Trouble:
    """Return the one trouble of a world that has run to its end."""
    run_to(world)
    (trouble,) = world.truth()
    return trouble


def test_an_alarm_answered_in_time_is_no_trouble() -> None:
    """Cleared and mended after three minutes: nobody else was needed."""
    world = small('at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\nanswer_s = [180]')
    run_to(world)
    assert world.truth() == []


def test_an_alarm_answered_late_needed_somebody_from_its_onset() -> None:
    """Cleared only after ten minutes: somebody was needed from the onset, 40 s after the block, on."""
    world = small('at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\nanswer_s = [600]')
    trouble = only(world)
    assert trouble.began == world.start_ms + 10 * MINUTE
    assert trouble.needed_from == trouble.began + 40_000
    assert (trouble.ended, trouble.how) == (trouble.needed_from + 600_000, "mended-at-bedside")


def test_muted_only_it_needed_somebody_from_the_first_mute() -> None:
    """Whoever mutes and goes has seen it; from then on nobody dealt with it, to the end."""
    world = small(
        'at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\ncarer = "mutes"\nanswer_s = [35]\nmutes = 3'
    )
    trouble = only(world)
    assert trouble.needed_from == trouble.began + 40_000 + 35_000
    assert (trouble.ended, trouble.how) == (None, "open")


def test_a_line_left_unmended_needed_somebody_from_the_first_clearing() -> None:
    """Three blocks of one cause are one trouble, over when the last clearing mends it."""
    world = small(
        'at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\nanswer_s = [60, 70, 80]\nagain_min = [9, 12]'
    )
    trouble = only(world)
    assert trouble.needed_from == trouble.began + 100_000
    # 40 s to each alarm, and twice the minutes until it blocks again.
    assert trouble.ended == trouble.began + (40 + 60 + 9 * 60 + 40 + 70 + 12 * 60 + 40 + 80) * 1_000


def test_a_forgotten_plug_needed_somebody_from_when_the_carer_left() -> None:
    """The bed arrives twelve minutes after it was unplugged; found four hours later."""
    world = small(
        'at = "22:10"\nwhat = "moved"\npump = "pump-0001"\nminutes = 12\nforgets_plug = true\nfound_min = 200'
    )
    trouble = only(world)
    assert (trouble.kind, trouble.needed_from - trouble.began) == ("unplugged", 12 * MINUTE)
    assert trouble.ended == trouble.began + 200 * MINUTE


def test_a_forgotten_restart_ends_when_it_feeds_again() -> None:
    """Left idle after the change; the trouble is over at the restart, not at the finding."""
    world = small(
        'at = "22:10"\nwhat = "container-change"\npump = "pump-0001"\nforgets_restart = true\nfound_min = 60'
    )
    trouble = only(world)
    assert (trouble.kind, trouble.ended) == ("left-idle", trouble.began + 60 * MINUTE + 40_000)


def test_every_long_alarm_of_a_long_run_is_in_the_truth_and_no_short_one() -> None:
    """Chance alone: each alarm over four minutes lies in a trouble of its pump; each trouble has a reason."""
    scenario = load("quiet-ward", pumps=12, hours=240).model_copy(update={"report_every_s": 86_400.0})
    world = World(scenario)
    began: dict[tuple[str, str, str], int] = {}
    long_ones: list[tuple[str, int, int]] = []
    active: dict[str, set[tuple[str, str, str]]] = {}
    while (due := world.next_at()) is not None:
        for event in states(world.advance(due)):
            device = event["subject"]
            now = {(device, alarm["condition"], alarm["since"]) for alarm in event["data"]["alarms"]}
            for onset in now - active.get(device, set()):
                began[onset] = due
            for onset in active.get(device, set()) - now:
                # Complete is complete: nobody is missing anything.
                if due - began[onset] > IN_HAND_MS and onset[1] != "delivery-complete":
                    long_ones.append((device, began[onset], due))
            active[device] = now
    truth = world.truth()
    assert len(long_ones) > 20
    for device, onset_at, over_at in long_ones:
        assert any(
            one.device == device and one.began <= onset_at and (one.ended is None or one.ended >= over_at)
            for one in truth
        )
    assert all(one.began <= one.needed_from for one in truth)
    assert all(one.ended is None or one.needed_from < one.ended for one in truth)


def test_written_as_json_lines() -> None:
    """One object a line, instants in RFC 3339, an open end as null."""
    trouble = Trouble(
        device="pump-0001", kind="unplugged", began=0, needed_from=60_001, ended=None, how="open"
    )
    assert json.loads(to_json_lines([trouble])) == {
        "device": "pump-0001",
        "kind": "unplugged",
        "began": "1970-01-01T00:00:00.000Z",
        "needed_from": "1970-01-01T00:01:00.001Z",
        "ended": None,
        "how": "open",
    }

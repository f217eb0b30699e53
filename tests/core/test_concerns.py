"""The concern table, cell by cell, as the design's section 6 writes it."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from monitor.core.actions import Actions
from monitor.core.concerns import IMPOSSIBLE, TABLE, Cell, Do, Event, State, diagram, next_state

NONE, OPEN, ACCEPTED, SETTLED = State.NONE, State.OPEN, State.ACCEPTED, State.SETTLED

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"

# The design's table, row by row: state before, state after, and what has to be done on the way. What stands here was
# written from the text, not from the code. A cell that is not listed does nothing or cannot be.
TEXT: list[tuple[Event, State, State, tuple[Do, ...]]] = [
    # rule holds | none: open, rung 1 told
    (Event.HOLDS, NONE, OPEN, (Do.RAISE, Do.TELL_FIRST)),
    # … | open: joins, counted
    (Event.HOLDS, OPEN, OPEN, (Do.COUNT,)),
    # … | accepted: acceptor told of a further condition
    (Event.HOLDS, ACCEPTED, ACCEPTED, (Do.COUNT, Do.TELL_HOLDER_FURTHER)),
    (Event.HOLDS_STILL, OPEN, OPEN, (Do.COUNT,)),
    (Event.HOLDS_STILL, ACCEPTED, ACCEPTED, (Do.COUNT,)),
    # … | settled, within the relapse window: open again, counted, last acceptor on duty first, else the rung reached
    (Event.RELAPSES, SETTLED, OPEN, (Do.COUNT, Do.TELL_RELAPSE)),
    # "A new one of equal or lower priority starts accepted by the same person, without a page"
    (Event.HOLDS_COVERED, NONE, ACCEPTED, (Do.RAISE, Do.COVER, Do.START_RECHECK)),
    (Event.HOLDS_COVERED, OPEN, OPEN, (Do.COUNT,)),
    (Event.HOLDS_COVERED, ACCEPTED, ACCEPTED, (Do.COUNT, Do.TELL_HOLDER_FURTHER)),
    (Event.RELAPSES_COVERED, SETTLED, ACCEPTED, (Do.COUNT, Do.COVER, Do.START_RECHECK)),
    # wait over | open: next rung told
    (Event.WAIT_OVER, OPEN, OPEN, (Do.TELL_NEXT,)),
    # "Still troubled" at a wait: if it is not, the wait runs again
    (Event.WAIT_OVER_QUIET, OPEN, OPEN, (Do.WAIT_AGAIN,)),
    # accept | open: accepted, everyone told hears who has it, recheck starts
    (Event.ACCEPT, OPEN, ACCEPTED, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
    # … | accepted: told who has it; take over changes it, both told | settled: told that it ended, and when
    (Event.ACCEPT, ACCEPTED, ACCEPTED, (Do.SAY_WHO,)),
    (Event.ACCEPT, SETTLED, SETTLED, (Do.SAY_ENDED,)),
    (Event.ACCEPT, NONE, NONE, (Do.SAY_UNKNOWN,)),
    (Event.TAKE_OVER, OPEN, ACCEPTED, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
    (Event.TAKE_OVER, ACCEPTED, ACCEPTED, (Do.HOLD, Do.TELL_BOTH, Do.START_RECHECK)),
    (Event.TAKE_OVER, SETTLED, SETTLED, (Do.SAY_ENDED,)),
    (Event.TAKE_OVER, NONE, NONE, (Do.SAY_UNKNOWN,)),
    # decline; notice failed for good | open: counted, next rung when all of this one have declined or failed
    (Event.DECLINE, OPEN, OPEN, (Do.COUNT_REFUSAL,)),
    (Event.FAILED, OPEN, OPEN, (Do.COUNT_REFUSAL,)),
    # … | accepted: by the holder as hand back, else recorded | settled: told
    (Event.DECLINE_BY_HOLDER, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_NEXT)),
    (Event.FAILED_FOR_HOLDER, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_NEXT)),
    (Event.DECLINE, ACCEPTED, ACCEPTED, (Do.RECORD,)),
    (Event.FAILED, ACCEPTED, ACCEPTED, (Do.RECORD,)),
    (Event.DECLINE, SETTLED, SETTLED, (Do.SAY_ENDED,)),
    (Event.FAILED, SETTLED, SETTLED, (Do.RECORD,)),  # who cannot be reached cannot be told
    (Event.DECLINE, NONE, NONE, (Do.SAY_UNKNOWN,)),
    # hand back | open: recorded | accepted: open, next rung at once | settled: told
    (Event.HAND_BACK, OPEN, OPEN, (Do.RECORD,)),
    (Event.HAND_BACK, ACCEPTED, ACCEPTED, (Do.RECORD,)),  # by somebody who does not have it
    (Event.HAND_BACK_BY_HOLDER, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_NEXT)),
    (Event.HAND_BACK, SETTLED, SETTLED, (Do.SAY_ENDED,)),
    (Event.HAND_BACK, NONE, NONE, (Do.SAY_UNKNOWN,)),
    # priority raised | open: that ladder's first rung, waits anew | accepted: open, acceptor and that rung
    (Event.PRIORITY_RAISED, OPEN, OPEN, (Do.TELL_FIRST_RAISED,)),
    (Event.PRIORITY_RAISED, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_FIRST_RAISED, Do.TELL_LAST_HOLDER)),
    # recheck due | accepted: still troubled: open, acceptor and next rung; else stays
    (Event.RECHECK_TROUBLED, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_NEXT, Do.TELL_LAST_HOLDER)),
    (Event.RECHECK_QUIET, ACCEPTED, ACCEPTED, (Do.START_RECHECK,)),
    # acceptor's duty ends | accepted: open at rung 1 of the new duty, "was with …"
    (Event.DUTY_ENDS, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_AFTER_DUTY)),
    # "Holder's duty ends: the hold stays", and at its end rung 1 is told
    (Event.DUTY_ENDS_HELD, ACCEPTED, ACCEPTED, (Do.RECORD,)),
    # held on purpose | open: to the holder, everyone told hears it, rechecked at its end | accepted: the same
    (Event.HELD, OPEN, ACCEPTED, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
    (Event.HELD, ACCEPTED, ACCEPTED, (Do.HOLD, Do.TELL_BOTH, Do.START_RECHECK)),
    (Event.HELD_BY_HOLDER, ACCEPTED, ACCEPTED, (Do.START_RECHECK,)),
    # "When a hold ends and nothing feeds: the holder first, then rung 1", whether it had been told before or not
    (Event.HOLD_ENDS, NONE, OPEN, (Do.RAISE, Do.TELL_AFTER_HOLD)),
    (Event.HOLD_ENDS, ACCEPTED, OPEN, (Do.RELEASE, Do.TELL_AFTER_HOLD)),
    (Event.HOLD_ENDS, SETTLED, OPEN, (Do.COUNT, Do.TELL_AFTER_HOLD)),
    (Event.HOLD_ENDS_QUIET, ACCEPTED, ACCEPTED, (Do.START_RECHECK,)),
    # duty changes | open: new holders of the rungs reached are told
    (Event.DUTY_CHANGES, OPEN, OPEN, (Do.TELL_NEW_ON_DUTY,)),
    # settles | open: settled, stand-down to all told | accepted: the same
    (Event.SETTLES, OPEN, SETTLED, (Do.STAND_DOWN,)),
    (Event.SETTLES, ACCEPTED, SETTLED, (Do.STAND_DOWN,)),
    # withdrawn | open: settled | accepted: settled
    (Event.WITHDRAWN, OPEN, SETTLED, (Do.STAND_DOWN,)),
    (Event.WITHDRAWN, ACCEPTED, SETTLED, (Do.STAND_DOWN,)),
    (Event.WITHDRAWN, SETTLED, SETTLED, (Do.SAY_ENDED,)),
    (Event.WITHDRAWN, NONE, NONE, (Do.SAY_UNKNOWN,)),
]

LISTED = {(event, state): Cell(to, do) for event, state, to, do in TEXT}
ALL = list(itertools.product(Event, State))


def test_the_text_lists_no_cell_twice() -> None:
    """The transcription above is one cell for each event and state."""
    assert len(LISTED) == len(TEXT)


def test_every_event_meets_every_state() -> None:
    """No row and no cell is missing, and there is none besides."""
    assert {(event, state) for event, row in TABLE.items() for state in row} == set(ALL)


@pytest.mark.parametrize(("event", "state"), ALL, ids=lambda value: value.name)
def test_a_cell_is_as_the_design_says(event: Event, state: State) -> None:
    """A cell of the text is in the table as it is; one that the text leaves empty changes and does nothing."""
    cell = TABLE[event][state]
    if (event, state) in LISTED:
        assert cell == LISTED[event, state]
        assert cell is not IMPOSSIBLE
        assert next_state(state, event) == cell
    elif cell is IMPOSSIBLE:
        with pytest.raises(AssertionError, match="cannot meet"):
            next_state(state, event)
    else:
        assert cell == Cell(state, ())


def test_only_what_is_so_again_opens_what_has_settled() -> None:
    """A relapse, or a hold at whose end it is so: whatever else happens to a settled concern leaves it settled."""
    opening = {event for event in Event if TABLE[event][SETTLED].to in (OPEN, ACCEPTED)}
    assert opening == {Event.RELAPSES, Event.RELAPSES_COVERED, Event.HOLD_ENDS}


def test_what_becomes_open_is_told() -> None:
    """Never silence: every cell that leads into open from elsewhere tells somebody."""
    for event, state in ALL:
        cell = TABLE[event][state]
        if cell.to is OPEN and state is not OPEN:
            assert any(do.name.startswith("TELL_") for do in cell.do), (event, state)


def test_what_becomes_accepted_is_rechecked() -> None:
    """Every cell that leads into accepted from elsewhere starts the recheck."""
    for event, state in ALL:
        cell = TABLE[event][state]
        if cell.to is ACCEPTED and state is not ACCEPTED:
            assert Do.START_RECHECK in cell.do, (event, state)


def test_everything_that_a_cell_names_can_be_done() -> None:
    """Each word of the table's vocabulary is used by a cell and performed by one action."""
    used = {do for row in TABLE.values() for cell in row.values() for do in cell.do}
    assert used == set(Do) == set(Actions._ACTIONS)


def test_the_diagram_shows_each_change_of_state() -> None:
    """One arrow for each cell that changes the state, and no other."""
    arrows = re.findall(r"^    (\w+) --> (\w+): (.+)$", diagram(), re.MULTILINE)
    wanted = [
        (str(state), str(TABLE[event][state].to), event.value)
        for event, state in ALL
        if TABLE[event][state] is not IMPOSSIBLE and TABLE[event][state].to is not state
    ]
    assert sorted(arrows) == sorted(wanted)


def test_the_developers_guide_shows_this_diagram() -> None:
    """DEVELOPERS.md holds the table's diagram between its markers, as it is now."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    found = re.search(r"<!-- concern-table -->\n(.*?)<!-- /concern-table -->", text, re.DOTALL)
    assert found is not None, "DEVELOPERS.md has no <!-- concern-table --> … <!-- /concern-table -->"
    assert found[1].strip() == f"```mermaid\n{diagram()}\n```"

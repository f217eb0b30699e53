"""The concern table: what each event does to a concern in each state. Everything about responsibility is decided here.

A concern is "this device (or unit) now needs somebody": one rule, one subject, from raised to settled. Events whose
outcome depends on a circumstance are split into one event for each, so that every cell is plain data:

- a rule that holds is HOLDS, or HOLDS_COVERED when somebody already has this device for something at least as urgent,
  and RELAPSES / RELAPSES_COVERED when it settled less than the relapse window ago; HOLDS_STILL when it has not settled
  and is no worse than what somebody was told;
- a wait, a recheck or the end of a hold is troubled or quiet; a decline, a failed notice, a hand-back or a hold is the
  holder's or another's.

Editing rules: change a cell, then run the tests, which compare the state diagram in DEVELOPERS.md with this table
(`python -m monitor.core.concerns` prints it). A cell that does nothing is written out; `IMPOSSIBLE` marks what the
caller must not bring about. No behaviour lives here: `responsibility.py` performs what the cells name.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple


class State(StrEnum):
    """Where a concern stands."""

    NONE = "none"
    OPEN = "open"
    ACCEPTED = "accepted"
    SETTLED = "settled"


class Event(StrEnum):
    """What can happen to a concern."""

    HOLDS = "rule holds"
    HOLDS_COVERED = "rule holds, somebody has the device"
    HOLDS_STILL = "rule holds again, no worse than was told"
    RELAPSES = "rule holds within the relapse window"
    RELAPSES_COVERED = "rule holds within the relapse window, somebody has the device"
    WAIT_OVER = "wait over"
    WAIT_OVER_QUIET = "wait over, nothing new"
    ACCEPT = "accept"
    TAKE_OVER = "take over"
    DECLINE = "decline"
    DECLINE_BY_HOLDER = "decline by the holder"
    FAILED = "notice failed for good"
    FAILED_FOR_HOLDER = "notice to the holder failed for good"
    HAND_BACK = "hand back"
    HAND_BACK_BY_HOLDER = "hand back by the holder"
    PRIORITY_RAISED = "priority raised"
    RECHECK_TROUBLED = "recheck, still troubled"
    RECHECK_QUIET = "recheck, nothing new"
    DUTY_ENDS = "acceptor's duty ends"
    DUTY_ENDS_HELD = "acceptor's duty ends, held on purpose"
    DUTY_CHANGES = "duty changes"
    HELD = "held on purpose"
    HELD_BY_HOLDER = "held on purpose by the holder"
    HOLD_ENDS = "hold ends, still troubled"
    HOLD_ENDS_QUIET = "hold ends, nothing new"
    SETTLES = "settles"
    WITHDRAWN = "withdrawn"


class Do(StrEnum):
    """What a cell asks for, in order."""

    RAISE = "raise a concern"
    COUNT = "count it"
    TELL_FIRST = "tell rung 1"
    TELL_NEXT = "tell the next rung"
    TELL_FIRST_RAISED = "tell rung 1 of the higher ladder, waits anew"
    TELL_RELAPSE = "tell the last acceptor on duty, else the rung reached"
    TELL_AFTER_DUTY = "tell rung 1 of the new duty, 'was with …'"
    TELL_NEW_ON_DUTY = "tell new holders of the rungs reached"
    TELL_AFTER_HOLD = "tell whoever held it, then rung 1"
    TELL_HOLDER_FURTHER = "tell the acceptor of a further condition"
    TELL_LAST_HOLDER = "tell the acceptor too"
    TELL_WHO = "everyone told hears who has it"
    TELL_BOTH = "old and new holder hear it"
    HOLD = "hold it"
    COVER = "the same person holds it, without a page"
    RELEASE = "nobody holds it"
    START_RECHECK = "start the recheck; of what is held, at the hold's end"
    WAIT_AGAIN = "wait again"
    COUNT_REFUSAL = "count; next rung when all of this one have declined or failed"
    SAY_WHO = "answer who has it"
    SAY_ENDED = "answer that it ended, and when"
    SAY_UNKNOWN = "answer that there is no such concern"
    RECORD = "record it"
    STAND_DOWN = "stand-down to everyone told"


class Cell(NamedTuple):
    """The state afterwards, and what is done on the way."""

    to: State
    do: tuple[Do, ...] = ()


IMPOSSIBLE = Cell(State.NONE, ())

_N, _O, _A, _S = State.NONE, State.OPEN, State.ACCEPTED, State.SETTLED

TABLE: Mapping[Event, Mapping[State, Cell]] = {
    Event.HOLDS: {
        _N: Cell(_O, (Do.RAISE, Do.TELL_FIRST)),
        _O: Cell(_O, (Do.COUNT,)),
        _A: Cell(_A, (Do.COUNT, Do.TELL_HOLDER_FURTHER)),
        _S: IMPOSSIBLE,  # after the relapse window it is a new concern: the event meets none
    },
    Event.HOLDS_COVERED: {
        _N: Cell(_A, (Do.RAISE, Do.COVER, Do.START_RECHECK)),
        _O: Cell(_O, (Do.COUNT,)),
        _A: Cell(_A, (Do.COUNT, Do.TELL_HOLDER_FURTHER)),
        _S: IMPOSSIBLE,
    },
    Event.HOLDS_STILL: {
        _N: IMPOSSIBLE,
        _O: Cell(_O, (Do.COUNT,)),
        _A: Cell(_A, (Do.COUNT,)),
        _S: IMPOSSIBLE,
    },
    Event.RELAPSES: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: IMPOSSIBLE,
        _S: Cell(_O, (Do.COUNT, Do.TELL_RELAPSE)),
    },
    Event.RELAPSES_COVERED: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: IMPOSSIBLE,
        _S: Cell(_A, (Do.COUNT, Do.COVER, Do.START_RECHECK)),
    },
    Event.WAIT_OVER: {_N: IMPOSSIBLE, _O: Cell(_O, (Do.TELL_NEXT,)), _A: IMPOSSIBLE, _S: IMPOSSIBLE},
    Event.WAIT_OVER_QUIET: {_N: IMPOSSIBLE, _O: Cell(_O, (Do.WAIT_AGAIN,)), _A: IMPOSSIBLE, _S: IMPOSSIBLE},
    Event.ACCEPT: {
        _N: Cell(_N, (Do.SAY_UNKNOWN,)),
        _O: Cell(_A, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
        _A: Cell(_A, (Do.SAY_WHO,)),
        _S: Cell(_S, (Do.SAY_ENDED,)),
    },
    Event.TAKE_OVER: {
        _N: Cell(_N, (Do.SAY_UNKNOWN,)),
        _O: Cell(_A, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
        _A: Cell(_A, (Do.HOLD, Do.TELL_BOTH, Do.START_RECHECK)),
        _S: Cell(_S, (Do.SAY_ENDED,)),
    },
    Event.DECLINE: {
        _N: Cell(_N, (Do.SAY_UNKNOWN,)),
        _O: Cell(_O, (Do.COUNT_REFUSAL,)),
        _A: Cell(_A, (Do.RECORD,)),
        _S: Cell(_S, (Do.SAY_ENDED,)),
    },
    Event.DECLINE_BY_HOLDER: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_O, (Do.RELEASE, Do.TELL_NEXT)),
        _S: IMPOSSIBLE,
    },
    Event.FAILED: {
        _N: Cell(_N),
        _O: Cell(_O, (Do.COUNT_REFUSAL,)),
        _A: Cell(_A, (Do.RECORD,)),
        _S: Cell(_S, (Do.RECORD,)),
    },
    Event.FAILED_FOR_HOLDER: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_O, (Do.RELEASE, Do.TELL_NEXT)),  # what came on top has reached nobody
        _S: IMPOSSIBLE,
    },
    Event.HAND_BACK: {
        _N: Cell(_N, (Do.SAY_UNKNOWN,)),
        _O: Cell(_O, (Do.RECORD,)),
        _A: Cell(_A, (Do.RECORD,)),
        _S: Cell(_S, (Do.SAY_ENDED,)),
    },
    Event.HAND_BACK_BY_HOLDER: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_O, (Do.RELEASE, Do.TELL_NEXT)),
        _S: IMPOSSIBLE,
    },
    Event.PRIORITY_RAISED: {
        _N: IMPOSSIBLE,
        _O: Cell(_O, (Do.TELL_FIRST_RAISED,)),
        _A: Cell(_O, (Do.RELEASE, Do.TELL_FIRST_RAISED, Do.TELL_LAST_HOLDER)),
        _S: Cell(_S),
    },
    Event.RECHECK_TROUBLED: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_O, (Do.RELEASE, Do.TELL_NEXT, Do.TELL_LAST_HOLDER)),
        _S: IMPOSSIBLE,
    },
    Event.RECHECK_QUIET: {_N: IMPOSSIBLE, _O: IMPOSSIBLE, _A: Cell(_A, (Do.START_RECHECK,)), _S: IMPOSSIBLE},
    Event.DUTY_ENDS: {
        _N: Cell(_N),
        _O: Cell(_O),
        _A: Cell(_O, (Do.RELEASE, Do.TELL_AFTER_DUTY)),
        _S: Cell(_S),
    },
    Event.DUTY_ENDS_HELD: {  # it is so on purpose until the hold's end, and then rung 1 is told
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_A, (Do.RECORD,)),
        _S: IMPOSSIBLE,
    },
    Event.DUTY_CHANGES: {_N: Cell(_N), _O: Cell(_O, (Do.TELL_NEW_ON_DUTY,)), _A: Cell(_A), _S: Cell(_S)},
    Event.HELD: {
        _N: IMPOSSIBLE,  # a rule that is quieted raises nothing
        _O: Cell(_A, (Do.HOLD, Do.TELL_WHO, Do.START_RECHECK)),
        _A: Cell(_A, (Do.HOLD, Do.TELL_BOTH, Do.START_RECHECK)),
        _S: IMPOSSIBLE,
    },
    Event.HELD_BY_HOLDER: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_A, (Do.START_RECHECK,)),
        _S: IMPOSSIBLE,
    },
    Event.HOLD_ENDS: {
        _N: Cell(_O, (Do.RAISE, Do.TELL_AFTER_HOLD)),
        _O: Cell(_O),  # it has been called for another reason, and climbs
        _A: Cell(_O, (Do.RELEASE, Do.TELL_AFTER_HOLD)),
        _S: Cell(_O, (Do.COUNT, Do.TELL_AFTER_HOLD)),  # within the relapse window
    },
    Event.HOLD_ENDS_QUIET: {
        _N: IMPOSSIBLE,
        _O: IMPOSSIBLE,
        _A: Cell(_A, (Do.START_RECHECK,)),
        _S: IMPOSSIBLE,
    },
    Event.SETTLES: {
        _N: Cell(_N),
        _O: Cell(_S, (Do.STAND_DOWN,)),
        _A: Cell(_S, (Do.STAND_DOWN,)),
        _S: Cell(_S),
    },
    Event.WITHDRAWN: {
        _N: Cell(_N, (Do.SAY_UNKNOWN,)),
        _O: Cell(_S, (Do.STAND_DOWN,)),
        _A: Cell(_S, (Do.STAND_DOWN,)),
        _S: Cell(_S, (Do.SAY_ENDED,)),
    },
}


def next_state(state: State, event: Event) -> Cell:
    """The cell for an event in a state; an impossible one is the caller's mistake (AssertionError)."""
    cell = TABLE[event][state]
    assert cell is not IMPOSSIBLE, f"{event.name} cannot meet a concern that is {state}"
    return cell


def diagram() -> str:
    """The table's changes of state as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", "    [*] --> none"]
    for source in State:
        for target in State:
            events = [
                event.value
                for event, row in TABLE.items()
                if row[source].to is target and source is not target and row[source] is not IMPOSSIBLE
            ]
            lines += [f"    {source} --> {target}: {event}" for event in events]
    return "\n".join(lines)


if __name__ == "__main__":
    print(diagram())

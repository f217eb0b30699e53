"""`secondbell drill`: would it have reached me tonight? Prints each leg of the way as it is done, and the verdict."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from monitor.adapters.control import ServiceNotRunning, ask
from monitor.commandline import BAD_INPUT, WRONG, add_place, say, state_dir
from monitor.core.drill import ACCEPTED, LONGEST, MISSED, PRIORITIES, PUT_OFF, SHORTEST, WAIT
from monitor.core.instants import MINUTE, parse_duration, show_duration

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

LOOK: Final = 0.5  # seconds between two looks
AWAY: Final = 60.0  # seconds for a service that has gone to come back; then its trail tells the rest
EPILOG: Final = (
    "A made-up pump's alarm goes through broker, rules, rota and carriers to the people who would be called now, "
    "marked DRILL. It waits while a real trouble is open and gives way to one. Exit status 0: accepted; 1: it was not."
)


def add(commands: Commands) -> None:
    """Add the command."""
    drill = commands.add_parser(
        "drill",
        help="prove that a trouble would reach somebody now: a made-up one, clearly marked",
        epilog=EPILOG,
    )
    drill.add_argument("--unit", required=True, help="whose people are to be reached")
    drill.add_argument(
        "--to", metavar="PERSON", help="only this person of the site file, not the unit's ladder"
    )
    drill.add_argument("--priority", choices=PRIORITIES, default="medium", help="whose ladder it climbs")
    drill.add_argument(
        "--wait", type=_wait, default=WAIT, metavar="TIME",
        help=f'how long it waits for an acceptance, "{show_duration(SHORTEST)}" to "{show_duration(LONGEST)}"; '
        f"by default {show_duration(WAIT)}",
    )  # fmt: skip
    add_place(drill)
    drill.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask for a drill, and tell of it until it is over."""
    folder = state_dir(args)
    asked = {
        "command": "drill", "unit": args.unit, "to": args.to, "priority": args.priority, "wait": args.wait
    }  # fmt: skip
    try:
        said = ask(folder, asked)
    except ServiceNotRunning as error:
        say(f"{error}. A drill needs the running service: it goes the way that a real trouble goes")
        return WRONG
    if not said["ok"]:
        say(said["text"])
        return BAD_INPUT if said.get("usage") else WRONG
    whom = f"to {args.to} alone" if args.to else "to the unit's ladder"
    print(
        f"Drill of {args.unit}, {args.priority} priority, {whom}. It waits {show_duration(args.wait)} for somebody "
        "to accept; Ctrl-C stops it.",
        flush=True,
    )
    try:
        return _follow(folder, said["drill"])
    except KeyboardInterrupt:
        stopped = ask(folder, {"command": "drill-stop", "unit": args.unit, "drill": said["drill"]})
        print(f"\n{stopped['text']}")
        return WRONG


def _follow(folder: Path, drill: str) -> int:
    told, gone = 0, None
    while True:
        try:
            found = ask(folder, {"command": "drill-state", "drill": drill})
        except ServiceNotRunning as error:
            if gone is None:
                gone = time.monotonic()
                say(f"{error}; waiting for it to come back")
            elif time.monotonic() - gone > AWAY:
                say("it has not come back; what became of the drill will stand in its trail")
                return WRONG
            time.sleep(LOOK)
            continue
        gone = None
        if not found["ok"]:
            say(found["text"])
            return WRONG
        for line in leg_lines(found, told):
            print(line, flush=True)
        told = len(found["legs"])
        if found["outcome"] is not None:
            print(verdict(found), flush=True)
            return 0 if found["outcome"] == ACCEPTED else WRONG
        time.sleep(LOOK)


def leg_lines(found: Mapping[str, Any], told: int = 0) -> Iterator[str]:
    """One line for each leg after the first so many, with the time since the drill was begun."""
    for name, at, said in found["legs"][told:]:
        if (words := _leg(name, said)) is not None:
            since = at - found["started"]
            yield f"{_after(since) if since >= 0 else 'before':>14}  {words}"


def _leg(name: str, said: Mapping[str, Any]) -> str | None:
    """A leg in words; None: it goes without saying."""
    who, carrier = said.get("person"), said.get("carrier")
    answer = f": {said['answer']}" if said.get("answer") else ""
    return {
        "put-off": f"put off: {said.get('why')}",
        "published": "the made-up alarm was published",
        "back": "it came back from the broker, as any pump's message does",
        "raised": f"the rule {said.get('rule')} held",
        "told": f"{who} was called by {carrier}",
        "sent": f"{carrier} took it for {who}{answer}",
        "try-later": f"{carrier} did not take it for {who}, and is tried again{answer}",
        "refused": f"{carrier} refused it for {who}{answer}",
        "failed": f"no way to {who} is left{answer}",
        "accepted": f"{who} accepted",
        "declined": f"{who} declined",
        "handed-back": f"{who} handed it back",
        "restarted": "the service was restarted, and the drill goes on",
    }.get(name)


def verdict(found: Mapping[str, Any]) -> str:
    """What a drill has shown, in a sentence or two."""
    legs, started = found["legs"], found["started"]
    outcome, why = found["outcome"], found["why"]
    if outcome == ACCEPTED:
        at, said = next((at, said) for name, at, said in legs if name == "accepted")
        reached = next((a for name, a, s in legs if name == "sent" and s["person"] == said["person"]), None)
        if reached is None:  # answered before the carrier had said anything, or told by somebody else
            return f"ACCEPTED: {said['person']} accepted it {_after(at - started)} after it began."
        return (
            f"ACCEPTED: it would have reached {said['person']} in {_after(reached - started)}, "
            f"and was accepted after {_after(at - started)}."
        )
    taken = dict.fromkeys(f"{s['carrier']} for {s['person']}" for name, _, s in legs if name == "sent")
    sent = f" It was taken by {'; '.join(taken)}." if taken else ""
    if outcome == MISSED:
        return f"MISSED: {why}.{sent}"
    if outcome == PUT_OFF:
        return f"PUT OFF: {why}. Nobody was called; let it run again when that is over."
    return f"{outcome.upper().replace('-', ' ')}: {why}.{sent}"


def _after(ms: int) -> str:
    return f"{ms / 1000:.1f} s" if ms < MINUTE else show_duration(ms)


def _wait(text: str) -> int:
    try:
        found = parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None
    if not SHORTEST <= found <= LONGEST:
        raise argparse.ArgumentTypeError(f"{text!r}: {show_duration(SHORTEST)} to {show_duration(LONGEST)}")
    return found

"""The commands by which people answer a running service: `accept` and the like, `hold`, `away`, `swap`, `move`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Final

from monitor.commandline import WRONG, add_place, say, state_dir
from monitor.core.guidance import CAUTION_SHORT

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

RESPONSIBILITY: Final = {
    "accept": "take a concern: you see to it, and everybody who was told hears it",
    "decline": "say that you cannot see to it, so that nobody waits for you",
    "hand-back": "give back what you have accepted or held",
    "take-over": "take a concern over from whoever has it",
}
FEED: Final = {
    "hold": "say that a feed is paused on purpose until a time: 2 h at most, 30 min where a stop is dangerous",
    "feed-ended": "say that a feed is over for now: until it feeds again, or until a time; where a stop is dangerous "
    "it counts for 30 min",
    "away": "say that a pump cannot be heard on purpose, as it is away, until a time: 60 min at most",
}
WITHDRAW: Final = (
    "end a concern that no longer means anything, by its code; or take a whole pump out of service, by its id, until "
    "it is heard feeding again; needs a reason"
)
NEITHER: Final = (
    "Nothing but that is quieted: its alarms and its battery still call. It does not silence the pump. "
    "If the trouble is still there when the time is over, you are told first."
)
TIME: Final = "local time of the site, such as 02:30, or RFC 3339"


def add(commands: Commands) -> None:
    """Add the commands."""
    for name, text in RESPONSIBILITY.items():
        _answer(commands, name, text, epilog="Accepting does not silence the pump.")
    for name, text in FEED.items():
        answer = _answer(
            commands, name, text, epilog=f"{NEITHER} {CAUTION_SHORT}", reason=name != "feed-ended"
        )
        until = answer.add_mutually_exclusive_group(required=name != "feed-ended")
        until.add_argument("--until", metavar="TIME", help=TIME)
        until.add_argument("--for", dest="lasting", metavar="DURATION", help='such as "30 min"')
    _answer(commands, "withdraw", WITHDRAW, reason=True)
    swap = _command(
        commands,
        "swap",
        "say that a feed goes on with another pump: its plan, what was given, its place and its open concerns go with "
        "it, and the old pump is out of service until it feeds again",
        epilog=f"It sets nothing on a pump: check the new one's settings. {CAUTION_SHORT}",
    )
    swap.add_argument("reference", metavar="OLD", help="the id of the pump that goes")
    swap.add_argument("device", metavar="NEW", help="the id of the pump that comes")
    _who(swap, reason=True)
    move = _command(
        commands, "move", "say where a pump stands from now on, until the site file says otherwise"
    )
    move.add_argument("reference", metavar="DEVICE", help="the pump's id")
    move.add_argument("place", metavar="PLACE", help="as a nurse knows the place; no person's name")
    move.add_argument("--pager-place", metavar="P", help="the same, short, for pages; never an address")
    move.add_argument(
        "--unit", metavar="U", help="its unit, of a pump that was never heard of: else its messages decide"
    )
    _who(move, reason=False)


def ask(args: argparse.Namespace, command: dict[str, object]) -> int:
    """Send a command to the running service, and say what it says."""
    from monitor.adapters.control import ServiceNotRunning, ask

    try:
        said = ask(state_dir(args), command)
    except ServiceNotRunning as error:
        say(str(error))
        return WRONG
    print(said["text"])
    return 0 if said["ok"] else WRONG


def _answer(
    commands: Commands, name: str, text: str, *, epilog: str | None = None, reason: bool = False
) -> argparse.ArgumentParser:
    answer = _command(commands, name, text, epilog=epilog)
    answer.add_argument(
        "reference", metavar="CODE", help="the code from your notice, the concern's id, or the pump's id"
    )
    _who(answer, reason=reason)
    return answer


def _command(
    commands: Commands, name: str, text: str, *, epilog: str | None = None
) -> argparse.ArgumentParser:
    command = commands.add_parser(
        name, help=text, description=text[:1].upper() + text[1:] + ".", epilog=epilog
    )
    command.set_defaults(run=_run, answer=name)
    return command


def _who(parser: argparse.ArgumentParser, *, reason: bool) -> None:
    parser.add_argument(
        "--as", dest="person", required=True, metavar="PERSON", help="your id in the site file"
    )
    parser.add_argument("--reason", required=reason, help="kept in the trail; no person's name, please")
    add_place(parser)


def _run(args: argparse.Namespace) -> int:
    told = vars(args)
    to = {key: told[key] for key in ("device", "place", "pager_place", "unit") if told.get(key)}
    command = {
        "command": args.answer,
        "reference": args.reference,
        "person": args.person,
        "reason": args.reason,
        "until": told.get("until"),
        "for": told.get("lasting"),
        "to": to,
    }
    return ask(args, {key: value for key, value in command.items() if value})

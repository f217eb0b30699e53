"""`secondbell returned`: takes one mail that has come back to the service's mailbox, for a pipe of the mail server.

Exit status: 0 taken, 75 not now (sysexits' EX_TEMPFAIL: the mail server keeps it and tries again), 2 usage.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Final

from monitor.adapters.returned_mail import MOST, read
from monitor.commandline import BAD_INPUT, add_place, say, state_dir
from monitor.core.problems import ProblemsFound

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

NOT_NOW: Final = 75


def add(commands: Commands) -> None:
    """The command, for the parser of all."""
    returned = commands.add_parser(
        "returned",
        help="take a mail that has come back (from standard input), for a pipe of the mail server",
        description="Reads one mail from standard input. A report that a notice could not be delivered makes its "
        "person told by the next carrier, or the next person of the ladder; an automatic reply or a person's reply is "
        "recorded and never taken as an answer. Exit status 75 asks the mail server to try again.",
    )
    add_place(returned)
    returned.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take the mail on standard input."""
    from monitor.adapters.control import ServiceNotRunning, ask

    if sys.stdin.isatty():
        say("give the mail on standard input: secondbell returned --site FILE < MAIL")
        return BAD_INPUT
    raw = sys.stdin.buffer.read(MOST)
    while sys.stdin.buffer.read(MOST):
        pass  # whoever writes has to come to its end
    if not raw.strip():
        say("there is no mail on standard input")
        return BAD_INPUT
    found = read(raw)
    command = {"command": "returned", "notice": found.notice, "what": found.what, "status": found.status}
    try:
        said = ask(state_dir(args), command)
    except (ServiceNotRunning, ProblemsFound, OSError) as error:
        # A site file may be in the middle of being written: the report must not be lost for that.
        say(f"not now: {error}")
        return NOT_NOW
    print(said["text"])
    return 0 if said["ok"] else NOT_NOW

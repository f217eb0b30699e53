"""The log of a command: JSON lines to whatever is no terminal, our own and the libraries' alike."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys

from structlog.testing import capture_logs

from monitor.adapters import logs
from monitor.core.journal import Happening

PROGRAM = """
import logging, sys, structlog
from monitor.adapters import logs
logs.configure(sys.argv[1])
log = structlog.get_logger("ours")
log.debug("whispered")
log.info("said", what="Bett 3 \\u2192 4")
log.error("shouted")
logging.getLogger("theirs").info("chatter")
logging.getLogger("theirs").warning("of %s", "theirs")
try:
    1 / 0
except ZeroDivisionError:
    logging.getLogger("theirs").exception("failed")
"""


def lines(level: str) -> list[dict[str, str]]:
    """What the program above logs at a level, each line read as JSON."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", PROGRAM, level], capture_output=True, text=True, check=True
    )
    assert done.stdout == "", "logs go to standard error"
    return [json.loads(line) for line in done.stderr.splitlines()]


def test_every_line_is_json_with_its_time_and_level() -> None:
    """Also a library's lines, and one with an exception, which stays on its line."""
    told = lines("info")
    assert [(line["event"], line["level"]) for line in told] == [
        ("said", "info"),
        ("shouted", "error"),
        ("of theirs", "warning"),
        ("failed", "error"),
    ]
    assert told[0]["what"] == "Bett 3 → 4"
    assert all(line["timestamp"].endswith("Z") for line in told)
    assert "ZeroDivisionError" in told[3]["exception"]


def test_the_level_is_ours() -> None:
    """A higher level leaves ours out below it, a lower one lets ours in; a library's chatter never comes."""
    assert lines("error")[0]["event"] == "shouted"
    told = [line["event"] for line in lines("debug")]
    assert told[0] == "whispered"
    assert "chatter" not in told


def test_a_terminal_gets_lines_for_people() -> None:
    """On a terminal a line is no JSON, and says the same."""
    ours, theirs = pty.openpty()
    try:
        subprocess.run([sys.executable, "-c", PROGRAM, "info"], stderr=theirs, check=True)
        shown = os.read(ours, 65_536).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    assert "said" in shown
    assert not shown.startswith("{")


def test_an_unreadable_message_is_told_with_its_reason() -> None:
    """Whoever made the bridge has to learn why it was not taken; a person's reason is not for the log."""
    happened = Happening(0, 0, "quarantined", None, None, "pump-1", None, None, {"reason": "wrong-envelope"})
    with capture_logs() as told:
        logs.tell(happened)
        logs.tell(happened._replace(event="withdrawn", detail={"reason": "with old Mr Ashdown"}))
    assert [(line["log_level"], line.get("reason")) for line in told] == [
        ("warning", "wrong-envelope"),
        ("info", None),
    ]

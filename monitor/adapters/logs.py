"""The service's own log: lines for a person on a terminal, JSON lines for everything else."""

from __future__ import annotations

import contextlib
import logging
import sys
import traceback
from pathlib import Path
from typing import TextIO, cast

import structlog

from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.phrases import one_line

log = structlog.get_logger(__name__)

TROUBLE = (
    "notice-try-later", "notice-refused", "notice-failed", "notice-returned", "quarantined", "quarantine-full",
    "clock-doubtful", "claimed-by-two", "undone", "units-full", "trouble-began", "trouble-untold", "trouble-try-later",
    "trouble-refused", "notice-fault",
)  # fmt: skip
"""What of all that happens is told as a warning."""

_SHOWN = ("concern", "rule", "device", "person", "priority")  # what of a happening the log tells
_WHY = ("trouble", "about", "carrier", "answer")


def tell(happening: Happening) -> None:
    """Log something decided, sent or answered."""
    known = {name: value for name in _SHOWN if (value := getattr(happening, name)) is not None}
    if happening.event in TROUBLE:
        # A reason is a word of ours there; elsewhere it is a person's.
        shown = (*_WHY, "reason") if happening.event == "quarantined" else _WHY
        why = {name: happening.detail[name] for name in shown if name in happening.detail}
        log.warning(happening.event, at=show(happening.at), **known, **why)
    else:
        log.info(happening.event, at=show(happening.at), **known)


def fault(error: BaseException) -> dict[str, str]:
    """What a log line says of a fault of our own: the error and its place, on one line each, no stack trace."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return {
        "error": one_line(repr(error)),
        "where": f"{Path(frame.filename).name}:{frame.lineno} in {frame.name}",
    }


class Patient:
    """A stream that loses what cannot be written: a log on a full disk must not end what is logged."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write it, or not."""
        with contextlib.suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Have it written, or not."""
        with contextlib.suppress(OSError):
            self._stream.flush()


def configure(level: str = "info") -> None:
    """Set structlog up, once, at the start of a command; logs go to standard error."""
    terminal = sys.stderr.isatty()
    stream = cast("TextIO", Patient(sys.stderr))
    processors: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
    ]
    rendering: list[structlog.typing.Processor] = (
        [structlog.dev.ConsoleRenderer()]
        if terminal
        else [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    )
    structlog.configure(
        processors=[*processors, *rendering],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper())),
        logger_factory=structlog.PrintLoggerFactory(stream),
        cache_logger_on_first_use=False,
    )
    # What libraries log goes the same way: a line that is not JSON is lost to whoever collects the log.
    handler = logging.StreamHandler(stream)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=processors,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *rendering],
        )
    )
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)

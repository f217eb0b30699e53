"""The service's own log: lines for a person on a terminal, JSON lines for everything else."""

from __future__ import annotations

import logging
import sys
import traceback
from pathlib import Path

import structlog

from monitor.core.phrases import one_line


def fault(error: BaseException) -> dict[str, str]:
    """What a log line says of a fault of our own: the error and its place, on one line each, no stack trace."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return {
        "error": one_line(repr(error)),
        "where": f"{Path(frame.filename).name}:{frame.lineno} in {frame.name}",
    }


def configure(level: str = "info") -> None:
    """Set structlog up, once, at the start of a command; logs go to standard error."""
    terminal = sys.stderr.isatty()
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
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    # What libraries log goes the same way: a line that is not JSON is lost to whoever collects the log.
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=processors,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *rendering],
        )
    )
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)

"""Commands as tests run them: in this process where that will do, else in a shell."""

from __future__ import annotations

import logging
import os
import shutil
import subprocess
import sys

import pytest
import structlog

from monitor.cli import main

SHELL = shutil.which("bash") or "/bin/bash"


class Run:
    """Runs commands in this process: exit status, standard output, standard error. How they log is undone."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys
        root = logging.getLogger()
        self._handlers, self._level = root.handlers[:], root.level

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        root = logging.getLogger()
        root.handlers[:] = self._handlers
        root.setLevel(self._level)
        structlog.reset_defaults()

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        """Run one."""
        status = main(arguments)
        out, err = self._capsys.readouterr()
        assert "Traceback" not in err
        return status, out, err


def shell(line: str) -> subprocess.CompletedProcess[str]:
    """Run a line of bash in which `secondbell` is this one; a failing part of a pipe fails the line."""
    script = f'set -o pipefail; secondbell() {{ "{sys.executable}" -m monitor "$@"; }}; {line}'
    environment = os.environ | {"PYTHONWARNINGS": "error"}
    return subprocess.run(
        [SHELL, "-c", script], capture_output=True, text=True, timeout=60, env=environment, check=False
    )

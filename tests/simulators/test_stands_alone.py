"""The simulators are useful without the monitor."""

from __future__ import annotations

import ast
from pathlib import Path

import simulators


def test_nothing_in_simulators_imports_the_monitor() -> None:
    """No file of the package names `monitor` in an import."""
    files = sorted(Path(simulators.__file__).parent.rglob("*.py"))
    assert len(files) > 15
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(name.split(".")[0] == "monitor" for name in names), file.name

"""Where the files that come with Second Bell lie: inside an installed package, else in the checkout beside it."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal, NamedTuple

from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rulebook import Rule, parse

Kind = Literal["rules", "config"]


class RuleFile(NamedTuple):
    """A rule with the name and the text of the file that it was read from."""

    file: str
    text: str
    rule: Rule


def shipped(kind: Kind, package: Traversable | None = None) -> Traversable:
    """The folder of shipped files of a kind; FileNotFoundError, with the places looked at, if there is none.

    A wheel holds it as `monitor/rules` (or `config`); a checkout holds it beside `monitor`. `package` is where
    the package lies, by default this one.
    """
    root = resources.files("monitor") if package is None else package
    places: list[Traversable] = [root / kind]
    if isinstance(root, Path):  # a zipped package has nothing beside it
        places.append(root.parent / kind)
    for place in places:
        if place.is_dir():
            return place
    raise FileNotFoundError(f"no shipped {kind}: looked at {' and '.join(map(str, places))}")


def shipped_rule_files(package: Traversable | None = None) -> list[RuleFile]:
    """All shipped rules with their texts, sorted by id; ProblemsFound names every mistake in any of them."""
    folder = shipped("rules", package)
    return rule_files(sorted(folder.iterdir(), key=lambda item: item.name), "rules")


def shipped_rules(package: Traversable | None = None) -> list[Rule]:
    """All shipped rules, sorted by id; ProblemsFound names every mistake in any of them."""
    return [found.rule for found in shipped_rule_files(package)]


def rule_files(items: Sequence[Traversable], folder: str) -> list[RuleFile]:
    """The rules of the .toml files among `items`, sorted by id; ProblemsFound names every mistake at once."""
    found, problems = read_rule_files(items, folder)
    if problems:
        raise ProblemsFound(problems)
    return found


def read_rule_files(items: Sequence[Traversable], folder: str) -> tuple[list[RuleFile], list[Problem]]:
    """The rules of those .toml files among `items` that are right, sorted by id, and every mistake in the others."""
    found: list[RuleFile] = []
    problems: list[Problem] = []
    for item in items:
        if not item.name.endswith(".toml"):
            continue
        name = f"{folder}/{item.name}"
        try:
            text = item.read_text(encoding="utf-8")
            found.append(RuleFile(name, text, parse(text, name)))
        except ProblemsFound as error:
            problems += error.problems
        except OSError as error:
            problems.append(Problem(name, "", "", f"cannot be read: {error.strerror}"))
        except ValueError:  # UnicodeDecodeError; also what tomllib cannot make a number of
            problems.append(Problem(name, "", "", "not valid TOML, which is UTF-8 text"))
    return sorted(found, key=lambda file: file.rule.id), problems

"""What pydantic finds wrong in a table of a site file, said in the words of this project."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from types import UnionType
from typing import Any, Final, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from monitor.core.problems import Problem, show_key
from monitor.sitefile.values import HIDDEN

LONGEST_VALUE: Final = 60  # characters of a value that are shown

_KINDS: Final = {
    "string_type": "text in quotation marks",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a number",
    "bool_type": "true or false",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "tuple_type": "a list",
    "list_type": "a list",
}
_BOUNDS: Final = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
    "too_short": ("a list of at least", "min_length"),
    "too_long": ("a list of at most", "max_length"),
}


def problems_in(
    file: str, model: type[BaseModel], error: ValidationError, path: Sequence[int | str]
) -> list[Problem]:
    """The problems in what pydantic found wrong with the table at `path`."""
    found = []
    for item in error.errors(include_url=False):
        loc = item["loc"]
        key = show_key([*path, *loc])
        if item["type"] == "too_short" and len(item["input"]) >= item["ctx"]["min_length"]:
            continue  # only because entries that are wrong, and named, do not count
        if item["type"] == "extra_forbidden":
            found.append(unknown_key(file, key, str(loc[-1]), keys_of(_model_at(model, loc[:-1]))))
        else:
            found.append(Problem(file, key, _shown(item), _wanted(item, _field_at(model, loc))))
    return found


def unknown_key(file: str, key: str, name: str, known: Iterable[str]) -> Problem:
    """A key that means nothing here; its value is not shown, for it may be a misspelt password."""
    names = list(known)
    near = difflib.get_close_matches(name, names, 1)
    meant = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(names)}"
    return Problem(file, key, "", f"no such key; {meant}")


def show_value(value: object) -> str:
    """A value as a person wrote it, or nearly; long ones are cut, tables and lists left out."""
    if isinstance(value, dict | list | tuple) or value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= LONGEST_VALUE else text[:LONGEST_VALUE] + "…"


def keys_of(model: type[BaseModel] | None) -> list[str]:
    """The keys of a table as they are written."""
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def inner_model(annotation: Any) -> type[BaseModel] | None:
    """The model within an annotation such as `tuple[Rung, ...]` or `Plan | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (tuple, Union, UnionType):
        return next(filter(None, map(inner_model, get_args(annotation))), None)
    return None


def _field_at(model: type[BaseModel], loc: Sequence[int | str]) -> FieldInfo | None:
    names = [part for part in loc if isinstance(part, str)]
    if not names or not isinstance(loc[-1], str):
        return None
    table = _model_at(model, names[:-1])
    fields = table.model_fields if table else {}
    return next((field for name, field in fields.items() if (field.alias or name) == names[-1]), None)


def _model_at(model: type[BaseModel], loc: Sequence[int | str]) -> type[BaseModel] | None:
    found: type[BaseModel] | None = model
    for part in loc:
        if isinstance(part, int) or found is None:
            continue
        fields = found.model_fields.items()
        found = next(
            (inner_model(field.annotation) for name, field in fields if (field.alias or name) == part), None
        )
    return found


def _shown(item: ErrorDetails) -> str:
    if item["type"] in ("missing", HIDDEN) or any("password" in str(part) for part in item["loc"]):
        return ""
    return show_value(item["input"])


def _wanted(item: ErrorDetails, field: FieldInfo | None) -> str:
    kind, context = item["type"], item.get("ctx", {})
    if kind == "missing":
        return f"is missing: {field.description}" if field and field.description else "is missing"
    if kind == "literal_error":
        return f"one of {context['expected'].replace(' or ', ', ')}"
    if kind in _BOUNDS:
        words, name = _BOUNDS[kind]
        return f"{words} {context[name]:g}"
    return _KINDS.get(kind) or item["msg"].removeprefix("Value error, ")

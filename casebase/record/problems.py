"""The complaints of pydantic turned into sentences: field path, line, value, what was expected, near miss."""

from __future__ import annotations

import re
import typing
from collections.abc import Mapping
from dataclasses import replace
from difflib import get_close_matches
from enum import Enum
from types import UnionType
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from casebase.errors import Problem
from casebase.record.case import Case
from casebase.record.word_list import SHORT_FORMS, plain_form

_LONGEST_VALUE: Final = 60
_LONGEST_COMPOSED: Final = 1_000_000
"""Characters; above this, finding a line would take longer than anybody waits."""

MOST_PROBLEMS: Final = 50
"""Nobody mends more at once; a damaged file can hold a million."""

_Location = tuple[int | str, ...]

_SENTENCES: Final = {
    "missing": "missing: expected here",
    "string_too_short": "empty: expected text, or leave the key out",
    "string_too_long": "too long: expected at most {max_length} characters",
    "too_long": "too many entries: expected at most {max_length}",
    "list_type": "expected a list: one entry per line, each starting with a dash",
    "dict_type": "expected keys and values, indented below it",
    "model_type": "expected keys and values, indented below it",
    "literal_error": "expected {expected}",
    "model_attributes_type": "expected keys and values, indented below it",
    "string_type": "expected text",
    "string_unicode": "holds a broken character: expected plain text",
    "invalid_key": "not a key: expected one word before the colon",
    "int_type": "expected a whole number",
    "int_parsing": "expected a whole number",
    "int_from_float": "expected a whole number",
    "finite_number": "expected a whole number",
    "int_parsing_size": "expected a whole number of ordinary size",
    "greater_than_equal": "too low: expected {ge} or more",
    "less_than_equal": "too high: expected {le} or less",
    "date_type": "expected a date as YYYY-MM-DD",
    "date_parsing": "expected a date as YYYY-MM-DD",
    "date_from_datetime_parsing": "expected a date as YYYY-MM-DD",
    "date_from_datetime_inexact": "expected a date without a time, as YYYY-MM-DD",
}
_SPECIAL_KEYS: Final = {
    "status": "worked out from what the record holds, never typed: leave it out",
    "verified": "worked out from cause.proof, fix and verification, never typed: leave it out",
}
_SPECIAL_PATTERNS: Final = {
    "id": "expected an ID as the library gave it; leave it out of a new record",
    "file": "expected a file name without a folder",
}


def problems_of(
    error: ValidationError,
    data: object,
    text: str | None = None,
    record: int = 0,
    model: type[BaseModel] = Case,
) -> list[Problem]:
    """Return one problem per complaint of pydantic; `text`, the YAML it came from, gives the lines.

    `record` is the place of the record within `text`, counted from 0; `model` is what it was read as.
    """
    details = error.errors(include_url=False, include_context=True)
    lines = _Lines(text, record)
    problems = [_problem(item["type"], item["loc"], item, lines, model) for item in details[:MOST_PROBLEMS]]
    return problems + _rest(len(details) - len(problems))


def with_lines(problems: list[Problem], text: str | None, record: int = 0) -> list[Problem]:
    """Return `problems` with the line at which their field stands in `text`."""
    lines = _Lines(text if problems else None, record)
    located = []
    for problem in problems[:MOST_PROBLEMS]:
        steps = re.findall(r"([^.\[\]]+)|\[([0-9]+)\]", problem.field)
        line = lines.of(tuple(key or int(index) for key, index in steps))
        located.append(replace(problem, line=line))
    return located + _rest(len(problems) - len(located))


def _rest(more: int) -> list[Problem]:
    """Return one problem that stands for those not named."""
    said = f"{more} more problems: put those named so far right, then try again"
    return [Problem("the file", "", said)] if more else []


def field_path(location: _Location) -> str:
    """Return a location as people write it.

    >>> field_path(("readings", 2, "value"))
    'readings[2].value'
    """
    path = ""
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
        elif step != "[key]":
            path += f".{printable(step)}" if path else printable(step)
    return path or "the file"


def _problem(kind: str, location: _Location, item: Any, lines: _Lines, model: type[BaseModel]) -> Problem:
    line = lines.of(location)
    path = field_path(location)
    if kind == "extra_forbidden":
        return _unknown_key(location, path, line, model)
    if kind == "enum":
        return _unknown_word(location, path, item["input"], line, model)
    # The path and the sentence say what a whole group lacks.
    whole_group = kind == "value_error" and isinstance(item["input"], Mapping)
    value = "" if kind == "missing" or whole_group else _shown(item["input"])
    return Problem(path, value, _expected(kind, location, item), line)


def _unknown_key(location: _Location, path: str, line: int | None, model: type[BaseModel]) -> Problem:
    key = str(location[-1])
    special = _SPECIAL_KEYS.get(key)
    if special:
        return Problem(path, "", special, line)
    models = [
        part
        for part in _types_at(location[:-1], model)
        if isinstance(part, type) and issubclass(part, BaseModel)
    ]
    known = list(dict.fromkeys(key for model in models for key in model.model_fields))
    close = get_close_matches(key.casefold().replace(" ", "_").replace("-", "_"), known, n=1, cutoff=0.6)
    return Problem(
        path, "", f"unknown key: expected one of {', '.join(known)}", line, close[0] if close else None
    )


def _unknown_word(
    location: _Location, path: str, value: object, line: int | None, model: type[BaseModel]
) -> Problem:
    lists = [part for part in _types_at(location, model) if isinstance(part, type) and issubclass(part, Enum)]
    words = [word.value for words in lists for word in words]
    spellings = {plain_form(word): str(word) for word in words}
    for listed in lists:
        spellings |= SHORT_FORMS.get(listed.__name__, {})
    close = (
        get_close_matches(plain_form(value), spellings, n=1, cutoff=0.55) if isinstance(value, str) else []
    )
    return Problem(
        path,
        _shown(value),
        f"not a word of this list: expected one of {', '.join(words)}",
        line,
        spellings[close[0]] if close else None,
    )


def _expected(kind: str, location: _Location, item: Any) -> str:
    context = item.get("ctx") or {}
    if kind == "value_error":
        return str(context.get("error", item["msg"]))
    if kind == "string_pattern_mismatch":
        return _SPECIAL_PATTERNS.get(str(location[-1]), "does not fit the pattern expected here")
    template = _SENTENCES.get(kind)
    return template.format(**context) if template else item["msg"]


def _shown(value: object) -> str:
    """Return a value short enough for a sentence; containers are only named, whatever they hold."""
    if isinstance(value, Mapping):
        return "a group of keys"
    if isinstance(value, list | tuple | set):
        return "a list"
    shown = printable(f"'{value}'" if isinstance(value, str) else str(value))
    return shown if len(shown) <= _LONGEST_VALUE else f"{shown[:_LONGEST_VALUE]}..."


def printable(text: str) -> str:
    """Return the beginning of `text` in one line; what no terminal prints becomes a question mark."""
    return "".join(character if character.isprintable() else "?" for character in text[: _LONGEST_VALUE * 2])


def _types_at(location: _Location, model: type[BaseModel]) -> list[Any]:
    """Return the types that may stand at `location` of a record."""
    here: list[Any] = [model]
    for step in location:
        if step == "[key]":
            continue
        here = [inner for part in here for inner in _inside(part, step)]
    return here


def _inside(part: Any, step: int | str) -> list[Any]:
    if isinstance(part, type) and issubclass(part, BaseModel):
        field = part.model_fields.get(str(step))
        return _alternatives(field.annotation) if field else []
    arguments = typing.get_args(part)
    return [inner for argument in arguments for inner in _alternatives(argument)]


def _alternatives(annotation: Any) -> list[Any]:
    """Return what an annotation allows, `Annotated`, `X | None` and unions taken apart."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _alternatives(typing.get_args(annotation)[0])
    if origin in (typing.Union, UnionType):
        return [inner for argument in typing.get_args(annotation) for inner in _alternatives(argument)]
    return [annotation]


class _Lines:
    """Finds the line of a field by composing the YAML again; only errors pay for it."""

    def __init__(self, text: str | None, record: int = 0) -> None:
        self._root: Any = None
        if text and len(text) <= _LONGEST_COMPOSED:
            from casebase.record.yaml_form import record_node  # noqa: PLC0415  loads a library that only errors need

            self._root = record_node(text, record)

    def of(self, location: _Location) -> int | None:
        """Return the line (from 1) at which the deepest part of `location` that is there begins."""
        node, line = self._root, None
        for step in location:
            node, found = _child(node, step)
            line = found if found is not None else line
            if node is None:
                break
        return line


def _child(node: Any, step: int | str) -> tuple[Any, int | None]:
    value = getattr(node, "value", None)
    if not isinstance(value, list):
        return None, None
    if isinstance(step, int):
        if step < len(value) and not isinstance(value[step], tuple):
            return value[step], value[step].start_mark.line + 1
        return None, None
    pairs = [pair for pair in value if isinstance(pair, tuple)]
    return next(
        ((inner, key.start_mark.line + 1) for key, inner in pairs if str(key.value) == str(step)),
        (None, None),
    )

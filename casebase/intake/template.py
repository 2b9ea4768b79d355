"""The template of a record: YAML to fill in by hand, made from the models, so that it always fits them.

A line that starts with `#: ` is an example: without those three characters it is part of the record. A line that
starts with `# ` explains. What is left empty at the top loads as not known.
"""

from __future__ import annotations

import textwrap
import types
import typing
from collections.abc import Iterator
from typing import Any, Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from casebase.intake.template_example import EXAMPLE, HEALTHY_EXAMPLE
from casebase.record.case import Case
from casebase.record.vocabulary import Kind
from casebase.record.word import Word

EXAMPLE_MARK: Final = "#: "
_WIDTH: Final = 100

_HEAD: Final = """\
# A record for casebase. Fill in what you know and leave the rest as it is.
# A line that starts with "#: " is an example: take these three characters away and put your own in.
# Lines that start with "# " explain. The examples are invented.
"""
_TO_FILL_IN: Final = frozenset({"kind", "vehicle", "vehicle.make", "vehicle.model", "concern"})
_TO_FILL_IN_SHORT: Final = _TO_FILL_IN | {"vehicle.model_year", "vehicle.powertrain", "vehicle.odometer"}
_SHORT: Final = _TO_FILL_IN_SHORT | {
    "symptoms",
    "conditions",
    "networks",
    "networks.name",
    "networks.medium",
    "networks.bit_rate",
    "modules",
    "modules.name",
    "modules.answers",
    "codes",
    "codes.module",
    "codes.code",
    "readings",
    "readings.quantity",
    "readings.line",
    "readings.against",
    "readings.at",
    "readings.ignition",
    "readings.battery",
    "readings.unplugged",
    "readings.value",
    "cause",
    "cause.fault",
    "cause.where",
    "cause.where.place",
    "cause.where.text",
    "cause.proof",
    "fix",
    "fix.done",
    "fix.minutes",
    "verification",
    "verification.rescan",
    "leftover",
    "provenance",
    "provenance.author",
    "provenance.ended",
}
_ENTRIES_IN_SHORT: Final = 2
_MOST_WORDS_REPEATED: Final = 4


def template_text(full: bool, kind: str = "fault case") -> str:
    """Return the template: the short form takes five minutes, the full form holds every key of a record.

    Raises `ValueError` for a `kind` that is none of `Kind`.
    """
    example = HEALTHY_EXAMPLE if Kind(kind) is Kind.KNOWN_GOOD else EXAMPLE
    return _HEAD + "\n".join(_Writer(full=full).part(Case, example, "", 0)) + "\n"


class _Writer:
    """Walks the models and the example side by side and writes one line per key."""

    def __init__(self, *, full: bool) -> None:
        self.full = full
        self.to_fill_in = _TO_FILL_IN if full else _TO_FILL_IN_SHORT
        self.explained: set[str] = set()
        self.lists_shown: dict[tuple[str, ...], str] = {}

    def part(self, model: type[BaseModel], example: dict[str, Any], path: str, depth: int) -> Iterator[str]:
        """Yield the lines of one part of the record; keys that `example` lacks are left out."""
        for key, field in model.model_fields.items():
            inner = f"{path}.{key}" if path else key
            if key in example and (self.full or inner in _SHORT):
                yield from self._key(key, field, example[key], inner, depth)

    def _key(self, key: str, field: FieldInfo, value: Any, path: str, depth: int) -> Iterator[str]:
        if not depth:
            yield ""
        yield from self._explanation(key, field, path, depth)
        model = _model_in(field.annotation)
        if model is None:
            yield self._line(f"{key}: {self._written(path, value)}".rstrip(), path, depth)
            return
        yield self._line(f"{key}:", path, depth)
        if isinstance(value, list):
            for entry in value if self.full else value[:_ENTRIES_IN_SHORT]:
                yield from _as_entry(list(self.part(model, entry, path, depth + 2)), depth + 1)
        else:
            yield from self.part(model, value, path, depth + 1)

    def _explanation(self, key: str, field: FieldInfo, path: str, depth: int) -> Iterator[str]:
        """Yield what is said about a key, once: its description and its fixed words."""
        words = tuple(word.value for part in _types_in(field.annotation) for word in _words_of(part))
        text = " ".join(part for part in (field.description, self._list_of(key, words)) if part)
        if not text or path in self.explained:
            return
        self.explained.add(path)
        margin = f"# {'  ' * depth}"
        yield from textwrap.wrap(
            f"{key}: {text}",
            _WIDTH,
            initial_indent=margin,
            subsequent_indent=f"{margin}  ",
            break_on_hyphens=False,
        )

    def _list_of(self, key: str, words: tuple[str, ...]) -> str:
        """Return the fixed words of a key in one sentence; a long list is not shown twice."""
        shown_at = self.lists_shown.setdefault(words, key)
        if shown_at != key and len(words) > _MOST_WORDS_REPEATED:
            return f"One of the words of {shown_at}."
        return f"One of: {', '.join(words)}." if words else ""

    def _line(self, text: str, path: str, depth: int) -> str:
        mark = "" if path in self.to_fill_in else EXAMPLE_MARK
        return f"{mark}{'  ' * depth}{text}"

    def _written(self, path: str, value: Any) -> str:
        return "" if path in self.to_fill_in and path != "kind" else _inline(value)


def _inline(value: Any) -> str:
    """Return a value as YAML on one line."""
    if isinstance(value, list):
        return f"[{', '.join(_inline(entry) for entry in value)}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_inline(entry)}" for key, entry in value.items()) + "}"
    return f'"{value}"' if isinstance(value, str) and "," in value else str(value)


def _as_entry(lines: list[str], depth: int) -> list[str]:
    """Put the dash of a list entry before the first example line."""
    margin = f"{EXAMPLE_MARK}{'  ' * (depth + 1)}"
    first = next(index for index, line in enumerate(lines) if line.startswith(EXAMPLE_MARK))
    lines[first] = f"{EXAMPLE_MARK}{'  ' * depth}- {lines[first].removeprefix(margin)}"
    return lines


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model that a field holds, once or in a list; None for everything else."""
    models = (
        part for part in _types_in(annotation) if isinstance(part, type) and issubclass(part, BaseModel)
    )
    return next(models, None)


def _words_of(part: Any) -> list[Word]:
    return list(part) if isinstance(part, type) and issubclass(part, Word) else []


def _types_in(annotation: Any) -> Iterator[Any]:
    """Yield the types within an annotation, `X | None`, lists, mappings and `Annotated` taken apart."""
    origin = typing.get_origin(annotation)
    if origin is None:
        yield annotation
        return
    inside = typing.get_args(annotation)
    if origin is typing.Annotated:
        inside = inside[:1]
    if origin not in (typing.Union, types.UnionType, typing.Annotated, list, dict):
        return
    for part in inside:
        yield from _types_in(part)

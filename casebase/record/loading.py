"""From a file to checked records: YAML 1.2 or JSON in, `Case` and `Layout` objects or one `RecordError` out.

A file may hold several records: YAML documents parted by `---`, a JSON list, or one JSON object per line (`.jsonl`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from casebase.errors import InputError, Problem, RecordError
from casebase.files import plain_content, text_of
from casebase.record.case import Case
from casebase.record.checks import inconsistencies
from casebase.record.problems import printable, problems_of, with_lines
from casebase.record.vocabulary import NETWORK_LAYOUT
from casebase.record.word_list import plain_form

if TYPE_CHECKING:
    from casebase.record.layout import Layout

LARGEST_FILE_BYTES: Final = 200_000_000
"""A record is some kilobytes; a file of many is tens of megabytes. Above this it is something else."""

MOST_VALUES: Final = 500_000
"""More than the longest lists of a record hold; YAML aliases can multiply a few lines into billions."""

_MOST_DIGITS: Final = 30

SUFFIXES: Final = (".yaml", ".yml", ".json", ".jsonl")


_Record = TypeVar("_Record", bound=BaseModel)


def load_file(path: Path) -> list[Case]:
    """Return every case in `path`, checked.

    Raises `InputError` when the file cannot be read at all and `RecordError` when it does not fit the format.
    """
    return load_text(_text_of(path), str(path), path.suffix.casefold())


def load_any_file(path: Path) -> list[Case | Layout]:
    """Return every case and layout in `path`, checked; raises as `load_file` does."""
    return _records_in(_text_of(path), str(path), path.suffix.casefold(), record_from_data)


def load_text(text: str, source: str, suffix: str = ".yaml") -> list[Case]:
    """Return every case in `text`; `source` names it in errors, `suffix` tells the notation."""
    return _records_in(text, source, suffix, case_from_data)


def _records_in(
    text: str, source: str, suffix: str, read: Callable[[object, str, str, int], _Record]
) -> list[_Record]:
    try:
        documents = list(_READERS.get(suffix, _yaml_documents)(text))
        alone = len(documents) == 1
        records = [
            read(data, source if alone else f"{source} (record {record + 1})", text, record)
            for record, data in enumerate(documents)
        ]
    except RecursionError:
        raise InputError(
            f"{source}: nested too deep: expected a record as casebase template prints it"
        ) from None
    except _BrokenNotationError as error:
        raise InputError(f"{source}: {error}") from None
    if not records:
        raise InputError(f"{source}: holds no record: expected what casebase template prints, filled in")
    return records


def record_from_data(data: object, source: str, text: str | None = None, record: int = 0) -> Case | Layout:
    """Return the checked record that plain `data` describes: a layout where its kind says so, else a case."""
    read = layout_from_data if says_layout(data) else case_from_data
    return read(data, source, text, record)


def says_layout(data: object) -> bool:
    """Return whether plain `data` says that it is a layout."""
    kind = data.get("kind") if isinstance(data, dict) else None
    return isinstance(kind, str) and plain_form(kind) == plain_form(NETWORK_LAYOUT)


def case_from_data(data: object, source: str, text: str | None = None, record: int = 0) -> Case:
    """Return the checked record that plain `data` describes; `text`, its YAML, gives problems their line.

    `record` is the place of the record within `text`, counted from 0.
    """
    if says_layout(data):
        raise InputError(
            f"{source}: a network layout, no case: casebase log keeps it, casebase layout shows it"
        )
    return _checked(Case, inconsistencies, data, source, text, record)


def layout_from_data(data: object, source: str, text: str | None = None, record: int = 0) -> Layout:
    """Return the checked layout that plain `data` describes; `text` and `record` as for a case."""
    from casebase.record.layout import Layout  # noqa: PLC0415  its models cost a command that meets no layout
    from casebase.record.layout_checks import layout_inconsistencies  # noqa: PLC0415

    return _checked(Layout, layout_inconsistencies, data, source, text, record)


def _checked(  # noqa: PLR0913, PLR0917  how to read and check, and what `case_from_data` is given
    model: type[_Record],
    check: Callable[[_Record], list[Problem]],
    data: object,
    source: str,
    text: str | None,
    record: int,
) -> _Record:
    if not isinstance(data, dict):
        problem = Problem("the file", "", "expected keys such as kind, vehicle and readings at its top level")
        raise RecordError(source, [problem])
    try:
        read = model.model_validate(data)
    except ValidationError as error:
        raise RecordError(source, problems_of(error, data, text, record, model)) from None
    problems = with_lines(check(read), text, record)
    if problems:
        raise RecordError(source, problems)
    return read


def record_files(paths: list[Path]) -> list[Path]:
    """Return the record files that `paths` name, folders opened one level deep, in a stable order."""
    files: list[Path] = []
    for path in paths:
        try:
            is_folder = path.is_dir()
        except OSError:  # such as a name that is too long: reading it as a file says what is wrong
            is_folder = False
        files += _files_in(path) if is_folder else [path]
    return files


def _files_in(folder: Path) -> list[Path]:
    try:
        files = sorted(
            path for path in folder.iterdir() if path.suffix.casefold() in SUFFIXES and path.is_file()
        )
    except OSError as error:
        raise InputError(f"{folder}: cannot be read ({error.strerror}): check the path") from None
    if not files:
        raise InputError(
            f"{folder}: no record in this folder: expected files ending in {', '.join(SUFFIXES)}"
        )
    return files


class _BrokenNotationError(Exception):
    """The text is no YAML or JSON at all."""


def _text_of(path: Path) -> str:
    try:
        content = plain_content(path, LARGEST_FILE_BYTES)
        if len(content) > LARGEST_FILE_BYTES:
            raise InputError(
                f"{path}: larger than {LARGEST_FILE_BYTES // 1_000_000} MB: expected a record file"
            )
        return text_of(content)
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text (byte {error.start}): save it as UTF-8") from None
    except InputError:
        raise
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(f"{path}: cannot be read ({reason}): check the path") from None


def _yaml_documents(text: str) -> Iterator[Any]:
    from casebase.record import yaml_form  # noqa: PLC0415  its library costs a tenth of a second; a library needs none

    try:
        for document in yaml_form.yaml_documents(text):
            if _values_in(document, {}) > MOST_VALUES:
                raise _BrokenNotationError(
                    f"its aliases repeat into more than {MOST_VALUES} values: "
                    "expected a record as casebase template prints it"
                )
            if document is not None:
                yield _without_empty_keys(document, {})
    except yaml_form.NOT_READABLE as error:
        raise _BrokenNotationError(f"not readable as YAML: {_first_sentence(error)}") from None


def _values_in(data: Any, seen: dict[int, int]) -> int:
    """Return how many values `data` holds with every alias written out; what stands inside itself counts once."""
    if not isinstance(data, dict | list):
        return 1
    if id(data) not in seen:
        seen[id(data)] = 1
        inner = data.values() if isinstance(data, dict) else data
        seen[id(data)] = 1 + sum(_values_in(it, seen) for it in inner)
    return seen[id(data)]


def _without_empty_keys(data: Any, seen: dict[int, Any]) -> Any:
    """Return `data` without the keys that were left empty; what an alias repeats is taken once."""
    if id(data) in seen:
        return seen[id(data)]
    if isinstance(data, dict):
        seen[id(data)] = plain = {}
        plain.update({key: _without_empty_keys(it, seen) for key, it in data.items() if it is not None})
        return plain
    if isinstance(data, list):
        listed: list[Any] = []
        seen[id(data)] = listed
        listed.extend("" if it is None else _without_empty_keys(it, seen) for it in data)
        return listed
    return data


def _json_documents(text: str) -> Iterator[Any]:
    data = _json(text)
    yield from data if isinstance(data, list) else [data]


def _json_lines(text: str) -> Iterator[Any]:
    # Not splitlines(): it also parts at characters that may stand inside a JSON string.
    yield from (_json(line) for line in StringIO(text, newline="\n") if line.strip())


def _json(text: str) -> Any:
    try:
        return json.loads(
            text, object_pairs_hook=_unique_keys, parse_constant=_no_constant, parse_int=_whole_number
        )
    except ValueError as error:
        raise _BrokenNotationError(f"not readable as JSON: {_first_sentence(error)}") from None


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    unique = dict(pairs)
    if len(unique) < len(pairs):
        counts = Counter(key for key, _ in pairs)
        twice = next(key for key, times in counts.items() if times > 1)
        raise ValueError(f"the key '{twice}' is given twice")
    return unique


def _whole_number(digits: str) -> int:
    if len(digits) > _MOST_DIGITS:
        raise ValueError(f"a number of {len(digits)} digits")
    return int(digits)


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is no number")


def _first_sentence(error: Exception) -> str:
    mark = getattr(error, "problem_mark", None)
    place = f"line {mark.line + 1}, column {mark.column + 1}: " if mark else ""
    words = getattr(error, "problem", None) or (str(error).splitlines() or [type(error).__name__])[0]
    return f"{place}{printable(words)}"


_READERS: Final[dict[str, Callable[[str], Iterator[Any]]]] = {
    ".json": _json_documents,
    ".jsonl": _json_lines,
}

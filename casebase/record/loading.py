"""From a file to checked records: YAML 1.2 or JSON in, `Case` objects or one `RecordError` out.

A file may hold several records: YAML documents parted by `---`, a JSON list, or one JSON object per line (`.jsonl`).

A record written as a file to be read, edited and logged again.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from casebase.errors import InputError, Problem, RecordError
from casebase.record.case import Case
from casebase.record.checks import inconsistencies
from casebase.record.json_form import plain_data
from casebase.record.problems import printable, problems_of, with_lines

LARGEST_FILE_BYTES: Final = 200_000_000
"""A record is some kilobytes; a file of many is tens of megabytes. Above this it is something else."""

MOST_VALUES: Final = 500_000
"""More than the longest lists of a record hold; YAML aliases can multiply a few lines into billions."""

_MOST_DIGITS: Final = 30

_EMPTY: Final = ("", "~", "null")

SUFFIXES: Final = (".yaml", ".yml", ".json", ".jsonl")


def load_file(path: Path) -> list[Case]:
    """Return every record in `path`, checked.

    Raises `InputError` when the file cannot be read at all and `RecordError` when it does not fit the format.
    """
    return load_text(_text_of(path), str(path), path.suffix.casefold())


def load_text(text: str, source: str, suffix: str = ".yaml") -> list[Case]:
    """Return every record in `text`; `source` names it in errors, `suffix` tells the notation."""
    try:
        documents = _READERS.get(suffix, _yaml_documents)(text)
        cases = [
            case_from_data(data, name, text, record)
            for record, (name, data) in enumerate(_named(documents, source))
        ]
    except RecursionError:
        raise InputError(
            f"{source}: nested too deep: expected a record as casebase template prints it"
        ) from None
    except _BrokenNotationError as error:
        raise InputError(f"{source}: {error}") from None
    if not cases:
        raise InputError(f"{source}: holds no record: expected what casebase template prints, filled in")
    return cases


def case_from_data(data: object, source: str, text: str | None = None, record: int = 0) -> Case:
    """Return the checked record that plain `data` describes; `text`, its YAML, gives problems their line.

    `record` tells which record of `text` it is, counted from 0.
    """
    if not isinstance(data, dict):
        problem = Problem("the file", "", "expected keys such as kind, vehicle and readings at its top level")
        raise RecordError(source, [problem])
    try:
        case = Case.model_validate(data)
    except ValidationError as error:
        raise RecordError(source, problems_of(error, data, text, record)) from None
    problems = with_lines(inconsistencies(case), text, record)
    if problems:
        raise RecordError(source, problems)
    return case


def record_files(paths: list[Path]) -> list[Path]:
    """Return the record files that `paths` name, folders opened one level deep, in a stable order."""
    return [file for path in paths for file in (_files_in(path) if _is_folder(path) else [path])]


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # such as a name that is too long: reading it as a file says what is wrong
        return False


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
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError(
                f"{path}: larger than {LARGEST_FILE_BYTES // 1_000_000} MB: expected a record file"
            )
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text (byte {error.start}): save it as UTF-8") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: cannot be read ({reason}): check the path") from None


def _named(documents: Iterator[Any], source: str) -> Iterator[tuple[str, Any]]:
    """Number the records of a file that holds several."""
    whole = list(documents)
    for number, data in enumerate(whole, start=1):
        yield (source if len(whole) == 1 else f"{source} (record {number})"), data


def _yaml_documents(text: str) -> Iterator[Any]:
    from ruamel.yaml.error import YAMLError  # noqa: PLC0415  costs a tenth of a second; a library needs none of it

    try:
        documents = _yaml_of_typed_text().load_all(StringIO(text))
        yield from (_without_empty_keys(_not_multiplied(it), {}) for it in documents if it is not None)
    except YAMLError as error:
        raise _BrokenNotationError(f"not readable as YAML: {_first_sentence(error)}") from None
    except (ValueError, OverflowError, AttributeError, TypeError, LookupError) as error:
        # What ruamel.yaml lets through on damaged input: impossible dates, numbers and tags.
        raise _BrokenNotationError(f"not readable as YAML: {_first_sentence(error)}") from None


def _yaml_of_typed_text() -> Any:
    """Return a reader that keeps every scalar as the text that was typed (the failsafe schema of YAML 1.2).

    So on, off, yes and no stay words, 0xC121 and 00532 stay codes, 60.20 keeps its digits; the fields read the
    text themselves. What was left empty, without quotes, is None.
    """
    from ruamel.yaml import YAML  # noqa: PLC0415
    from ruamel.yaml.constructor import BaseConstructor  # noqa: PLC0415

    class TypedText(BaseConstructor):
        def construct_scalar(self, node: Any) -> Any:
            value = super().construct_scalar(node)
            return None if value in _EMPTY and not node.style else value

    yaml: Any = YAML(typ="base", pure=True)
    yaml.Constructor = TypedText
    yaml.composer.warn_double_anchors = False  # YAML allows it (1.2.2, 7.1)
    return yaml


def _not_multiplied(data: Any) -> Any:
    """Return `data`, unless its aliases, written out, make it larger than any record."""
    if _values_in(data, {}) > MOST_VALUES:
        raise _BrokenNotationError(
            f"its aliases repeat into more than {MOST_VALUES} values: expected a record as casebase template prints it"
        )
    return data


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
    yield from (_json(line) for line in text.split("\n") if line.strip())


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


def record_yaml(case: Case, case_id: str | None = None, revision: int | None = None) -> str:
    """Return a record as YAML, keys in the order of the work; with its ID and revision where it has them."""
    from ruamel.yaml import YAML  # noqa: PLC0415  costs time that only writing a file needs

    yaml: Any = YAML(typ="safe", pure=True)
    yaml.default_flow_style = False
    yaml.allow_unicode = True
    yaml.sort_base_mapping_type_on_output = False
    yaml.width = 100
    kept = {"id": case_id, "revision": revision}
    data: dict[str, Any] = {key: value for key, value in kept.items() if value is not None} | plain_data(case)
    stream = StringIO()
    yaml.dump(data, stream)
    return stream.getvalue()

"""The cases of a bundle, line by line: each examined by itself, and none held longer than it is looked at."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import BundleError, Problem, RecordError
from casebase.publish.bundle_archive import LONGEST_LINE, RECORDS, Archive, Entry, canonical_text
from casebase.record.case import ID_PATTERN, Case
from casebase.record.fields import STORED
from casebase.record.json_form import canonical_json, sha256_of
from casebase.record.loading import case_from_data
from casebase.record.problems import MOST_PROBLEMS, printable

if TYPE_CHECKING:
    from hashlib import _Hash

_MOST_EARLIER: Final = 1_000
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


def lines_of(archive: Archive, name: str) -> Iterator[str]:
    """Yield the lines of a member without their ends; raise `BundleError` for one that is too long or no UTF-8."""
    for number, line in enumerate(_whole_lines(archive, name), start=1):
        try:
            yield line.decode("utf-8")
        except UnicodeDecodeError as error:
            raise BundleError(
                f"{archive.path}: {name} is not UTF-8 text (line {number}, byte {error.start})"
            ) from None


def _whole_lines(archive: Archive, name: str) -> Iterator[bytes]:
    left = b""
    for part in archive.parts(name):
        # Only at line feeds: other ends of lines may stand inside a JSON string.
        *whole, left = (left + part).split(b"\n") if b"\n" in part else (left + part,)
        yield from whole
        if len(left) > LONGEST_LINE:
            raise BundleError(f"{archive.path}: {name}: a line of more than {LONGEST_LINE} bytes")
    if left:
        raise BundleError(f"{archive.path}: {name} ends in the middle of a line: ask for the bundle again")


def checked_entries(archive: Archive, public: Callable[[Case], Case], most: int) -> Iterator[Entry]:
    """Yield the case of every line; raise `RecordError` with what is wrong, after the first problems found.

    `most` is how many lines there can be; raises `BundleError` above it, and for an empty line.
    """
    source = f"{archive.path}, {RECORDS}"
    problems, seen = list[Problem](), set[tuple[str, str]]()
    for number, line in enumerate(lines_of(archive, RECORDS), start=1):
        if number > most or not line:
            what = "an empty line" if not line else f"more than the {most} cases that the bundle says"
            raise BundleError(f"{source}, line {number}: {what}: ask for the bundle again")
        try:
            entry = _entry(line, source, public)
            if (entry.told_id, entry.sha256) in seen:
                twice = Problem("id", entry.told_id, "expected each version of a case once")
                raise RecordError(source, [twice])
        except RecordError as error:
            problems += [replace(problem, line=number) for problem in error.problems]
            if len(problems) >= MOST_PROBLEMS:
                break
            continue
        seen.add((entry.told_id, entry.sha256))
        if not problems:
            yield entry
    if problems:
        more = Problem("the file", "", f"only the first {MOST_PROBLEMS} problems are told")
        raise RecordError(
            source, [*problems[:MOST_PROBLEMS], *([more] if len(problems) >= MOST_PROBLEMS else [])]
        )


def entries_again(archive: Archive, digest: _Hash) -> Iterator[Entry]:
    """Yield the cases of a member that was checked before, and add its bytes to `digest`."""
    for line in lines_of(archive, RECORDS):
        digest.update(f"{line}\n".encode())
        data = json.loads(line)
        case = Case.model_validate(data["record"], context=STORED)
        yield Entry(data["id"], data["revision"], data["sha256"], tuple(data["earlier"]), case)


def _entry(line: str, source: str, public: Callable[[Case], Case]) -> Entry:
    """Return the case that a line tells; raise `RecordError` with everything wrong with it."""
    data = _plain(line, source)
    problems = _problems_around(data)
    try:
        case = case_from_data(data.get("record"), source)
    except RecordError as error:
        raise RecordError(source, problems + error.problems) from None
    problems += _problems_between(data, case, public)
    if problems:
        raise RecordError(source, problems)
    return Entry(data["id"], data["revision"], data["sha256"], tuple(data["earlier"]), case)


def _plain(line: str, source: str) -> dict[str, Any]:
    """Return a line as plain data; raise `RecordError` unless it is an object in canonical form.

    A key given twice, a number written otherwise or a space too many is found by writing the data again.
    """
    expected = "expected one case as casebase export writes it: JSON with sorted keys and no spaces"
    try:
        data = json.loads(line) if len(line) <= LONGEST_LINE else None
        if isinstance(data, dict) and canonical_text(data) == line:
            return data
    except (ValueError, RecursionError):
        pass
    raise RecordError(source, [Problem("the line", "", expected)])


def _problems_around(data: dict[str, Any]) -> list[Problem]:
    """Return what is wrong with the keys that stand beside the record."""
    checks: dict[str, tuple[Callable[[Any], bool], str]] = {
        "id": (lambda it: isinstance(it, str) and re.fullmatch(ID_PATTERN, it) is not None, "a case ID"),
        "revision": (lambda it: type(it) is int and 1 <= it < 2**31, "a whole number from 1"),
        "sha256": (_is_sha256, "64 hexadecimal digits"),
        "earlier": (_is_earlier, f"a sorted list of up to {_MOST_EARLIER} SHA-256"),
        "record": (lambda it: isinstance(it, dict), "the record"),
    }
    found = []
    for key, (fits, expected) in checks.items():
        value = data.get(key)
        if not fits(value):
            shown = printable(str(value))[:60] if isinstance(value, str | int | float) else ""
            found.append(Problem(key, shown, f"expected {expected}"))
    return found + [
        Problem(printable(key)[:60], "", "not a key of a line: expected " + ", ".join(checks))
        for key in sorted(set(data) - set(checks))[:MOST_PROBLEMS]
    ]


def _problems_between(data: dict[str, Any], case: Case, public: Callable[[Case], Case]) -> Iterator[Problem]:
    """Yield what does not go together: the record, its SHA-256, its canonical form, and what may go between shops."""
    text = canonical_json(case)
    if canonical_text(data["record"]) != text:
        yield Problem("record", "", "not in canonical form: expected it as casebase export writes it")
    elif canonical_json(public(case)) != text:
        yield Problem(
            "record", "", "holds more than may go between shops, such as a VIN or the customer's words"
        )
    elif sha256_of(text) != data["sha256"]:
        yield Problem("sha256", "", "does not match the record: it was changed outside casebase")


def _is_sha256(it: Any) -> bool:
    return isinstance(it, str) and _SHA256.fullmatch(it) is not None


def _is_earlier(it: Any) -> bool:
    return (
        isinstance(it, list)
        and len(it) <= _MOST_EARLIER
        and all(map(_is_sha256, it))
        and it == sorted(set(it))
    )

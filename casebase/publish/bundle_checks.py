"""A bundle checked whole, before anything of it is stored: version, sums, counts, and every record."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from casebase.errors import BundleError, Problem, RecordError
from casebase.library.accepted_files import what_is_wrong
from casebase.publish.bundle_archive import (
    ABOUT,
    ATTACHMENTS,
    FORMAT,
    LONGEST_LINE,
    RECORDS,
    SUMS,
    VERSION,
    Archive,
    Entry,
    canonical_text,
    opened_archive,
)
from casebase.record.case import ID_PATTERN, Case
from casebase.record.json_form import canonical_json, sha256_of
from casebase.record.loading import case_from_data
from casebase.record.problems import MOST_PROBLEMS, printable

LONGEST_NAME: Final = 200
_MOST_EARLIER: Final = 1_000
_SUM_LINE: Final = re.compile(r"([0-9a-f]{64}) [ *](\S+)")
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class CheckedBundle:
    """A bundle in which nothing is wrong: who sent it, on which day it was made, its cases and attachments."""

    path: Path
    shop: str
    made_on: str
    entries: list[Entry]
    attachments: list[str]


def checked_bundle(path: Path, public: Callable[[Case], Case]) -> CheckedBundle:
    """Return the bundle at `path`; raise `BundleError`, or `RecordError` with all that is wrong with its records.

    `public` tells what of a record may go between shops: one that holds more is refused.
    """
    with opened_archive(path) as archive:
        about = _about(archive)
        _refuse_wrong_sums(archive)
        entries = _entries(archive, public)
        _refuse_wrong_attachments(archive, entries)
        _refuse_wrong_counts(path, about, {"cases": len(entries), "attachments": len(archive.attachments)})
        return CheckedBundle(path, about["shop"], about["made_on"], entries, archive.attachments)


def attachments_of(bundle: CheckedBundle) -> Iterator[tuple[str, bytes]]:
    """Yield the SHA-256 and the bytes of every attachment, each compared with its name once more."""
    with opened_archive(bundle.path) as archive:
        for sha256 in bundle.attachments:
            content = archive.read(ATTACHMENTS + sha256)
            if hashlib.sha256(content).hexdigest() != sha256:
                raise BundleError(f"{bundle.path}: changed while it was read: take it in again")
            yield sha256, content


def is_source_name(name: object) -> bool:
    """Return whether a shop can be called this: some printable characters, not too many."""
    return (
        isinstance(name, str)
        and bool(name.strip())
        and name.strip() == name
        and name.isprintable()
        and len(name) <= LONGEST_NAME
    )


def _about(archive: Archive) -> dict[str, Any]:
    where = f"{archive.path}: {ABOUT}"
    try:
        about = json.loads(archive.read(ABOUT).decode("utf-8"))
    except (ValueError, RecursionError):
        raise BundleError(f"{where} is not readable as JSON: ask for the bundle again") from None
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise BundleError(f"{where} is not of a bundle: expected the format '{FORMAT}'")
    version = about.get("version")
    if version != VERSION or isinstance(version, bool):
        raise BundleError(
            f"{where}: version {printable(str(version))} of the format, and this casebase knows version {VERSION}:"
            " update casebase"
        )
    if not is_source_name(about.get("shop")):
        raise BundleError(f"{where}: no name of a shop that sent it: ask for the bundle again")
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", str(about.get("made_on"))):
        raise BundleError(f"{where}: no day on which it was made: ask for the bundle again")
    return about


def _refuse_wrong_counts(path: Path, about: dict[str, Any], there: dict[str, int]) -> None:
    for what, count in there.items():
        if about.get(what) != count or isinstance(about.get(what), bool):
            raise BundleError(
                f"{path}: {count} {what} in it, and {ABOUT} says {printable(str(about.get(what)))}: ask for the"
                " bundle again"
            )


def _refuse_wrong_sums(archive: Archive) -> None:
    said = _sums(archive)
    if sorted(said) != [name for name in archive.names if name != SUMS]:
        raise BundleError(f"{archive.path}: {SUMS} does not list the files that are there: ask for it again")
    for name, sha256 in said.items():
        digest = hashlib.sha256()
        for part in archive.parts(name):
            digest.update(part)
        if digest.hexdigest() != sha256 or (name.startswith(ATTACHMENTS) and name != ATTACHMENTS + sha256):
            raise BundleError(
                f"{archive.path}: {name} does not match its SHA-256: it was changed or damaged, ask for it again"
            )


def _refuse_wrong_attachments(archive: Archive, entries: list[Entry]) -> None:
    """Raise `BundleError` unless the files are those that the records name, each as casebase itself would keep it."""
    named = {str(one.sha256) for entry in entries for one in entry.case.attachments}
    there = set(archive.attachments)
    for sha256 in sorted(named ^ there):
        told = "named by a record and not there" if sha256 in named else "named by no record"
        raise BundleError(f"{archive.path}: {ATTACHMENTS}{sha256} is {told}: ask for the bundle again")
    for sha256 in sorted(there):
        if wrong := what_is_wrong(archive.read(ATTACHMENTS + sha256)):
            raise BundleError(
                f"{archive.path}: {ATTACHMENTS}{sha256}: {wrong}: nothing was taken in; ask the sender to attach the"
                " file anew"
            )


def _sums(archive: Archive) -> dict[str, str]:
    said: dict[str, str] = {}
    for number, line in enumerate(_lines(archive, SUMS), start=1):
        found = _SUM_LINE.fullmatch(line)
        if found is None or found[2] in said:
            raise BundleError(
                f"{archive.path}: {SUMS}, line {number}: expected a SHA-256 and one file's name"
            )
        said[found[2]] = found[1]
    return said


def _lines(archive: Archive, name: str) -> list[str]:
    try:
        text = archive.read(name).decode("utf-8")
    except UnicodeDecodeError as error:
        raise BundleError(f"{archive.path}: {name} is not UTF-8 text (byte {error.start})") from None
    if text and not text.endswith("\n"):
        raise BundleError(f"{archive.path}: {name} ends in the middle of a line: ask for the bundle again")
    # Not splitlines(): it also parts at characters that may stand inside a JSON string.
    return text.split("\n")[:-1]


def _entries(archive: Archive, public: Callable[[Case], Case]) -> list[Entry]:
    source = f"{archive.path}, {RECORDS}"
    entries, problems, seen = [], list[Problem](), Counter[tuple[str, str]]()
    for number, line in enumerate(_lines(archive, RECORDS), start=1):
        try:
            entry = _entry(line, source, public)
        except RecordError as error:
            problems += [replace(problem, line=number) for problem in error.problems]
            continue
        seen[entry.told_id, entry.sha256] += 1
        if seen[entry.told_id, entry.sha256] > 1:
            problems.append(Problem("id", entry.told_id, "expected each version of a case once", number))
        entries.append(entry)
    if problems:
        raise RecordError(source, problems)
    return entries


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

"""What a bundle holds, line by line: each case and layout examined by itself, none held longer than it is looked at."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import BundleError, Problem, RecordError
from casebase.library.authorship import Authorship, Made, authorships, sign
from casebase.library.engine import Database
from casebase.library.layouts import StoredLayout, keep_layouts
from casebase.library.records import new_id
from casebase.publish.bundle_archive import LAYOUTS, LONGEST_LINE, RECORDS, Archive, Entry, canonical_text
from casebase.publish.public_layouts import public_layout
from casebase.record.case import ID_PATTERN, Case
from casebase.record.fields import STORED
from casebase.record.json_form import canonical_json, plain_data, sha256_of
from casebase.record.loading import case_from_data, layout_from_data
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


MOST_LAYOUTS: Final = 2000
_KEYS: Final = {"id", "layout", "revision", "sha256"}


def layout_lines(stored: Iterable[StoredLayout]) -> Iterator[bytes]:
    """Yield the public part of layouts as lines of a bundle, by the order of their IDs."""
    for one in sorted(stored, key=lambda one: one.layout_id):
        public = public_layout(one.layout)
        told = {
            "id": one.layout_id,
            "layout": plain_data(public),
            "revision": one.revision,
            "sha256": sha256_of(canonical_json(public)),
        }
        yield f"{canonical_text(told)}\n".encode()


def checked_layouts(archive: Archive) -> list[StoredLayout]:
    """Return the layouts of a bundle, none where it holds none; raise for the first that is not as it was written."""
    if LAYOUTS not in archive.names:
        return []
    found: dict[str, StoredLayout] = {}
    for number, line in enumerate(lines_of(archive, LAYOUTS), start=1):
        where = f"{archive.path}, {LAYOUTS}, line {number}"
        if number > MOST_LAYOUTS:
            raise BundleError(f"{where}: more than {MOST_LAYOUTS} layouts: ask for the bundle again")
        one = _layout(line, where)
        if one.layout_id in found:
            raise BundleError(f"{where}: layout {one.layout_id} is there twice: ask for the bundle again")
        found[one.layout_id] = one
    return list(found.values())


def _layout(line: str, where: str) -> StoredLayout:
    data = _layout_line(line, where)
    try:
        layout = layout_from_data({**data["layout"], "id": data["id"]}, where)
    except RecordError as error:
        raise BundleError(str(error)) from None
    bare = layout.model_copy(update={"id": None})
    text = canonical_json(bare)
    if canonical_text(data["layout"]) != text or canonical_json(public_layout(bare)) != text:
        raise BundleError(f"{where}: not as casebase export writes a layout: ask for the bundle again")
    if sha256_of(text) != data["sha256"]:
        raise BundleError(f"{where}: does not match its SHA-256: it was changed outside casebase")
    return StoredLayout(data["id"], data["revision"], "", bare)


def _layout_line(line: str, where: str) -> dict[str, Any]:
    """Return a line as plain data; raise `BundleError` unless it is what `layout_lines` writes."""
    try:
        data: Any = json.loads(line) if len(line) <= LONGEST_LINE else None
        sound = (
            isinstance(data, dict)
            and set(data) == _KEYS
            and isinstance(data["layout"], dict)
            and not _KEYS.intersection(data["layout"]) - {"layout"}
            and isinstance(data["id"], str)
            and type(data["revision"]) is int
            and 1 <= data["revision"] < 2**31
            and canonical_text(data) == line
        )
    except (ValueError, RecursionError):
        sound = False
    if not sound:
        raise BundleError(
            f"{where}: expected one layout as casebase export writes it: ask for the bundle again"
        )
    whole: dict[str, Any] = data
    return whole


def take_in_layouts(
    db: Database, layouts: Sequence[StoredLayout], source: str, now: str, *, is_known: bool = True
) -> int:
    """Keep the layouts of a bundle within a transaction; return how many are new or revised here.

    One that was edited here since stays as it is, and the sender's stands beside it under an ID of its own;
    so does what a sender who is not known has to say of another's.
    """
    kept = [_take_in(db, one, source, now, is_known=is_known) for one in layouts]
    return sum(kept)


def _take_in(db: Database, one: StoredLayout, source: str, now: str, *, is_known: bool) -> bool:
    sha256 = sha256_of(canonical_json(one.layout))
    if db.execute("SELECT 1 FROM layouts WHERE sha256 = ?", (sha256,)).fetchone():
        return False
    (last,) = db.execute("SELECT max(revision) FROM layouts WHERE layout_id = ?", (one.layout_id,)).fetchone()
    made = authorships(db, one.layout_id).get(last) if last else None
    was_taken_in = made is not None and made.made is Made.TAKEN_IN and (is_known or made.by == source)
    is_theirs = last is None or was_taken_in
    layout_id = one.layout_id if is_theirs else new_id(db, sha256)
    for its_id, revision, _ in keep_layouts(db, [one.layout.model_copy(update={"id": layout_id})], now):
        sign(db, its_id, revision, Authorship(Made.TAKEN_IN, source))
    return True

"""Records by their number: the order in which they were logged, which never changes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import ValidationError
from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.match.profile import Profile
from casebase.match.profile_json import from_data
from casebase.record.case import Case

# The number is SQLite's own rowid; records are never deleted, so it only grows.
_CURRENT = """
    FROM records r WHERE r.rowid > :after AND r.rowid <= :upto AND NOT EXISTS
    (SELECT 1 FROM records newer WHERE newer.case_id = r.case_id AND newer.revision > r.revision)
"""


@dataclass(frozen=True)
class Lacking:
    """A current record that an index lacks, and the numbers of its earlier revisions."""

    number: int
    case_id: str
    case: Case
    supersedes: tuple[int, ...]


def last_number(db: Database) -> int:
    """Return the number of the record logged last, 0 in an empty library."""
    return int(db.execute("SELECT coalesce(max(rowid), 0) FROM records").fetchone()[0])


def sha256_of_number(db: Database, number: int) -> str:
    """Return the SHA-256 of a record, "" where there is none of that number."""
    row = db.execute("SELECT sha256 FROM records WHERE rowid = ?", (number,)).fetchone()
    return row[0] if row else ""


def count_lacking(db: Database, after: int, upto: int) -> int:
    """Return how many current records there are after one number and up to another."""
    found = db.execute(f"SELECT count(*) {_CURRENT}", {"after": after, "upto": upto}).fetchone()
    return int(found[0])


def lacking_after(db: Database, after: int, upto: int, most: int) -> tuple[list[Lacking], int]:
    """Return current records in the order of their numbers, and the number up to which they go.

    One that does not fit the format is left out: `casebase check` names it.
    """
    rows = db.execute(
        f"SELECT r.rowid, r.case_id, r.revision, r.json {_CURRENT} ORDER BY r.rowid LIMIT :most",
        {"after": after, "upto": upto, "most": most},
    ).fetchall()
    last = rows[-1][0] if len(rows) == most else upto
    return [one for row in rows if (one := _lacking(db, *row)) is not None], last


def profiles_of_numbers(db: Database, numbers: Sequence[int]) -> list[Profile]:
    """Return what is compared of the cases with these numbers, in that order."""
    return [_profile(db, number) for number in numbers]


def rows_of_case(db: Database, case_id: str) -> list[int]:
    """Return the numbers of every revision of a case."""
    return [row[0] for row in db.execute("SELECT rowid FROM records WHERE case_id = ?", (case_id,))]


def _lacking(db: Database, number: int, case_id: str, revision: int, text: str) -> Lacking | None:
    try:
        case = Case.model_validate_json(text)
    except ValidationError:
        return None
    earlier = [row for row in rows_of_case(db, case_id) if row != number] if revision > 1 else []
    return Lacking(number, case_id, case, tuple(earlier))


def _profile(db: Database, number: int) -> Profile:
    found = db.execute(
        "SELECT data FROM profiles WHERE case_id = (SELECT case_id FROM records WHERE rowid = ?)", (number,)
    ).fetchone()
    try:
        return from_data(json.loads(found[0]))
    except (ValueError, TypeError, KeyError, AttributeError):
        raise LibraryError("what is compared of a case cannot be read: run casebase rebuild") from None

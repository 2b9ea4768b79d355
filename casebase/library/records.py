"""Reading the records back: the current revision of each case."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import ValidationError
from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.library.derived import Kept
from casebase.record.case import Case

_CURRENT = "SELECT case_id, max(revision), logged_at, json FROM records {} GROUP BY case_id ORDER BY case_id"


def current_record(db: Database, case_id: str) -> Kept:
    """Return the current revision of a case; raise `LibraryError` when it does not fit the format."""
    row = db.execute(_CURRENT.format("WHERE case_id = ?"), (case_id,)).fetchone()
    try:
        return _kept(*row)
    except ValidationError:
        raise LibraryError(
            f"case {case_id}, revision {row[1]}: the record does not fit the format, so it cannot be shown or"
            " compared: run casebase check"
        ) from None


def readable_records(db: Database) -> Iterator[Kept]:
    """Yield the current revision of every case; one that does not fit the format is left to `casebase check`."""
    for row in db.execute(_CURRENT.format("")):
        try:
            yield _kept(*row)
        except ValidationError:
            continue


def _kept(case_id: str, revision: int, logged_at: str, text: str) -> Kept:
    return Kept(case_id, revision, logged_at, Case.model_validate_json(text))

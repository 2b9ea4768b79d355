"""Whether a library is whole: the file, the records, the tables made from them; and how much of the disk it takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from pydantic import ValidationError

from casebase.files import bytes_at
from casebase.library.authorship import removed_ids
from casebase.library.derived import Row, rows_of
from casebase.library.engine import Database
from casebase.library.layouts import faults_of_layouts
from casebase.library.library_file import LibraryFile
from casebase.library.matching import index_folder
from casebase.library.records import readable_records
from casebase.library.schema import DERIVED_TABLES
from casebase.record.json_form import canonical_json, sha256_of, stored_case


def faults_in(db: Database) -> list[str]:
    """Return everything wrong with a library, each in one sentence; empty for a whole one."""
    found = [fault for check in _CHECKS for fault in check(db)]
    return [*db.faults(), *found, *db.faults_of_words()]


def faults_of_what_is_kept(db: Database) -> Iterator[str]:
    """Yield what is wrong with the file and the records as they were kept, whatever the tables made from them hold."""
    yield from db.faults()
    for case_id, revision, sha256, text in db.execute("SELECT case_id, revision, sha256, json FROM records"):
        if sha256_of(text) != sha256:
            yield f"case {case_id}, revision {revision}: the record does not match its SHA-256"
    yield from _revisions_are_complete(db)
    yield from faults_of_layouts(db)


def _records_match_their_digest(db: Database) -> Iterator[str]:
    for row in db.query("SELECT case_id, revision, sha256, json FROM records"):
        where = f"case {row['case_id']}, revision {row['revision']}"
        if sha256_of(row["json"]) != row["sha256"]:
            yield f"{where}: the record does not match its SHA-256: it was changed outside casebase"
            continue
        try:
            case = stored_case(row["json"])
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            yield f"{where}: the record does not fit the format: {first['msg']}"
            continue
        if canonical_json(case) != row["json"]:
            yield f"{where}: the record is not in canonical form"


def _revisions_are_complete(db: Database) -> Iterator[str]:
    sql = (
        "SELECT case_id, count(*) AS n, max(revision) AS last FROM records GROUP BY case_id"
        " HAVING count(*) != max(revision)"
    )
    for row in db.query(sql):
        yield f"case {row['case_id']}: {row['n']} revisions kept of {row['last']}"


def _tables_are_in_step(db: Database) -> Iterator[str]:
    removed = removed_ids(db)
    for kept in readable_records(db):
        made = {} if kept.case_id in removed else rows_of(kept)
        wrong = [
            table for table in DERIVED_TABLES if _rows_of_case(db, table, kept.case_id) != made.get(table, [])
        ]
        if wrong:
            yield (
                f"case {kept.case_id}: not in step with its record: {', '.join(wrong)}: run casebase rebuild"
            )


def _rows_of_case(db: Database, table: str, case_id: str) -> list[Row]:
    key = "id" if table == "cases" else "case_id"
    order = "position" if table not in ("cases", "profiles") else key
    return list(db.query(f"SELECT * FROM {table} WHERE {key} = ? ORDER BY {order}", [case_id]))


def _rows_have_a_record(db: Database) -> Iterator[str]:
    for table in DERIVED_TABLES:
        key = "id" if table == "cases" else "case_id"
        orphans = db.execute(f"SELECT count(*) FROM {table} WHERE {key} NOT IN (SELECT case_id FROM records)")
        if count := orphans.fetchone()[0]:
            yield f"table {table}: {count} rows without a record: run casebase rebuild"


_CHECKS: Final[tuple[Callable[[Database], Iterator[str]], ...]] = (
    _records_match_their_digest,
    _revisions_are_complete,
    _tables_are_in_step,
    _rows_have_a_record,
    faults_of_layouts,
)


def room_of(library: LibraryFile) -> dict[str, int]:
    """Return the bytes of what the engine keeps, of the index, and of the attached files."""
    with library.reading() as db:
        own = db.size_in_bytes()
    return {
        "library": own,
        "index": bytes_at(index_folder(library.path)),
        "attached_files": library.files.whole_size(),
    }

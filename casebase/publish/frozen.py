"""Freezing records into one file that is never written again: what the site serves.

The file is made new from the public fields alone. It holds the tables for reading, their full text, what is compared
of each case, and the match index; a reader sees the old file or the new one, never half of it.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final

from sqlite_utils import Database

from casebase.errors import EditionError
from casebase.library.derived import Kept, write_derived
from casebase.library.index_update import Means
from casebase.library.records import readable_records
from casebase.library.schema import FIRST_INSIDE, MIGRATIONS
from casebase.match.filling import filled_profiles
from casebase.match.index import Index
from casebase.match.index_building import IndexBuilder, empty_index, extended
from casebase.publish.changes import Change, write_changes
from casebase.publish.packed_index import pack_index
from casebase.publish.public_fields import public_case
from casebase.publish.public_files import Contents, public_contents, write_files
from casebase.record.canonical import canonical_json, sha256_of

FROZEN_ID: Final = 0x43425345 + 1
"""Marks the SQLite file as frozen records of casebase (`CBSF`); see the SQLite file format, offset 68."""

_BESIDES: Final = (
    "CREATE INDEX cases_platform ON cases (platform)",
    "CREATE INDEX cases_fault ON cases (fault)",
    "CREATE INDEX cases_ended ON cases (ended)",
    "DROP TABLE _sqlite_migrations",
    f"PRAGMA application_id = {FROZEN_ID}",
)


def freeze(  # noqa: PLR0913, PLR0917  what stands in the file
    kept: Iterable[Kept],
    out: Path,
    facts: Mapping[str, str],
    means: Means,
    changes: Sequence[Change] = (),
    contents: Contents | None = None,
) -> int:
    """Write the public fields of records to a new file at `out`, and return how many there are.

    `facts` and `changes` are told of the collection as it stands there; `contents` gives the bytes of attachments.
    Raises `EditionError` when there is nothing to freeze or the file cannot be written; what stood at `out` is replaced
    at once or not at all.
    """
    try:
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=f".{out.name}-") as folder:
            made = Path(folder) / out.name
            count = _write(kept, made, facts, means, changes, contents)
            os.replace(made, out)
    except (OSError, sqlite3.Error) as error:
        raise EditionError(f"{out}: cannot be written ({error}): name another place, or make room") from None
    return count


def _write(  # noqa: PLR0913, PLR0917  what stands in the file
    kept: Iterable[Kept],
    path: Path,
    facts: Mapping[str, str],
    means: Means,
    changes: Sequence[Change],
    contents: Contents | None,
) -> int:
    with closing(sqlite3.connect(path)) as connection:
        # Whoever stops half way leaves a file in a folder that goes; safety costs time only.
        connection.execute("PRAGMA synchronous = OFF")
        db = Database(connection, execute_plugins=False)
        MIGRATIONS.apply(db, stop_before=FIRST_INSIDE)
        with connection:
            count = _write_records(connection, kept)
            write_derived(db, readable_records(db))
            connection.executemany("INSERT INTO facts VALUES (?, ?)", sorted(facts.items()))
            write_changes(connection, changes)
            write_files(connection, public_contents(readable_records(db), contents))
            pack_index(connection, _index(db, count, means))
        for statement in _BESIDES:
            connection.execute(statement)
        connection.execute("INSERT INTO cases_fts(cases_fts) VALUES('optimize')")
        connection.commit()
        connection.execute("VACUUM")
    with path.open("rb+") as file:
        os.fsync(file.fileno())
    return count


def _public(one: Kept) -> Kept:
    """Return the public part of a record; when it was logged differs between libraries, the day of the job does not."""
    case = public_case(one.case)
    day = case.provenance.ended or case.provenance.opened
    return replace(one, case=case, logged_at=str(day or ""))


def _write_records(connection: sqlite3.Connection, kept: Iterable[Kept]) -> int:
    """Write the public part of each record, by the order of their IDs; return how many, of which there must be any.

    One record is held at a time: sorting is left to SQLite.
    """
    connection.execute(
        "CREATE TEMP TABLE given (case_id TEXT PRIMARY KEY, revision, sha256, json, logged_at)"
    )
    connection.executemany("INSERT INTO given VALUES (?, ?, ?, ?, ?)", map(_row, map(_public, kept)))
    connection.execute(
        "INSERT INTO records (case_id, revision, sha256, json, logged_at)"
        " SELECT case_id, revision, sha256, json, logged_at FROM given ORDER BY case_id"
    )
    connection.execute("DROP TABLE given")
    count = int(connection.execute("SELECT count(*) FROM records").fetchone()[0])
    if not count:
        raise EditionError(
            "no record is marked 'read and agreed' under review: read those that wait, mark them, and log them again"
        )
    return count


def _row(public: Kept) -> tuple[str, int, str, str, str]:
    text = canonical_json(public.case)
    return public.case_id, public.revision, sha256_of(text), text, public.logged_at


def _index(db: Database, count: int, means: Means) -> Index:
    """Return the index of all records; a record's number is its place among the rows of `records`."""
    embedder = means.embedder
    empty = empty_index(*((0, "") if embedder is None else (embedder.dimensions, embedder.identity)))
    builder = IndexBuilder(empty)
    records = ((one.case_id, one.case) for one in readable_records(db))
    for number, profile in enumerate(filled_profiles(records, means.buses, embedder), start=1):
        builder.add(number, profile)
        means.progress(number, count)
    return extended(empty, builder.finished())

"""What a copy of a library holds, looked into without writing: whether it is whole, and whose copy it is."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.library.connection import refuse_what_cannot_be_read, sqlite_errors_as_sentences
from casebase.library.integrity import faults_of_what_is_kept
from casebase.library.schema import APPLICATION_ID


@dataclass(frozen=True)
class Copied:
    """What a whole copy holds: the library's own name for itself, how many cases, the files that records name."""

    library_id: str
    cases: int
    files: frozenset[str]


def whole_copy(path: Path, called: Path, otherwise: str) -> Copied:
    """Return what a copy holds; raise `LibraryError` where it is none, of a newer casebase, or not whole.

    `called` is what the user calls it, `otherwise` what to do when it is not whole.
    """
    with read_only(path, called) as db:
        refuse_what_cannot_be_read(db, called)
        _refuse_unmarked(db, called)
        for fault in faults_of_what_is_kept(db):
            raise LibraryError(f"{called}: not whole: {fault}: {otherwise}")
        cases = int(db.execute("SELECT count(DISTINCT case_id) FROM records").fetchone()[0])
        return Copied(_library_id(db), cases, frozenset(_files_named(db)))


def library_id_of(path: Path) -> str | None:
    """Return the name for itself of the library at `path` or of a copy; None where there is no library to read."""
    try:
        with read_only(path) as db:
            _refuse_unmarked(db, path)
            return _library_id(db)
    except LibraryError:
        return None


def holds_all_of(copy: Path, earlier: Path) -> bool:
    """Return whether every record of an earlier copy stands in `copy` too, by the same number."""
    with read_only(copy) as new, read_only(earlier) as old:
        count = old.execute("SELECT count(*) FROM records").fetchone()[0]
        sql = "SELECT rowid, sha256 FROM records ORDER BY rowid LIMIT ?"
        pairs = zip_longest(old.execute(sql, (count,)), new.execute(sql, (count,)))
        return all(mine == theirs for mine, theirs in pairs)


@contextmanager
def read_only(path: Path, called: Path | None = None) -> Iterator[Database]:
    """Yield the database at `path`, which cannot be written to by this."""
    if not path.is_file():
        raise LibraryError(f"{path}: no copy there: name the file that casebase backup made")
    address = f"{path.absolute().as_uri()}?mode=ro"
    with (
        sqlite_errors_as_sentences(called or path),
        closing(sqlite3.connect(address, uri=True)) as connection,
    ):
        yield Database(connection, execute_plugins=False)


def _refuse_unmarked(db: Database, path: Path) -> None:
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise LibraryError(f"{path}: not a casebase library: name the file that casebase backup made")


def _library_id(db: Database) -> str:
    row = db.execute("SELECT value FROM facts WHERE name = 'library id'").fetchone()
    return str(row[0]) if row else ""


def _files_named(db: Database) -> Iterator[str]:
    rows = db.execute(
        "SELECT DISTINCT json_extract(one.value, '$.sha256') FROM records, json_each(records.json, '$.attachments') one"
    )
    return (str(sha256) for (sha256,) in rows if sha256)

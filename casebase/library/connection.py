"""Opening a library file: whether this casebase can read it, upgrading it, and writing in one transaction."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.files import bytes_at, owners_mode
from casebase.library.schema import APPLICATION_ID, FORMER_STEPS, MIGRATIONS, adopt_former_steps

BUSY_SECONDS: Final = 60.0
"""How long one process waits for another that is writing."""

_WAITED: Final = f"another process has been writing for {BUSY_SECONDS:.0f} s: try again when it is done"
_NO_ACCESS: Final = "cannot be opened for writing: check the permissions of the file and its folder"
_SENTENCES: Final = {
    "not a database": "not a casebase library: name another file, or make one with casebase init",
    "locked": _WAITED,
    "busy": _WAITED,
    "readonly": _NO_ACCESS,
    "unable to open": _NO_ACCESS,
    "full": "the disk is full: nothing of this was kept: make room, then try again",
    "malformed": "the file is damaged: keep a copy, then run casebase check and casebase rebuild",
}
"""What to do about what SQLite says; see `sqlite3ErrStr` in its source, the first that fits."""


_Done = TypeVar("_Done")


class SqliteDatabase(Database):
    """A library file as SQLite keeps it: one process writes at a time, and readers go on meanwhile."""

    def __init__(self, connection: sqlite3.Connection, path: Path | None = None) -> None:
        super().__init__(connection, execute_plugins=False)
        self._path = path or Path(":memory:")

    def executemany(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Run a statement once for each row of parameters."""
        self.conn.executemany(sql, rows)

    def insert_tables(self, rows: Mapping[str, Sequence[dict[str, Any]]]) -> None:
        """Insert rows by their tables; triggers keep the full text of `cases` in step."""
        for table, its_rows in rows.items():
            self.table(table).insert_all(its_rows)

    @contextmanager
    def writing(self, *, alone: bool = True) -> Iterator[None]:
        """One write transaction: everything inside is kept, or nothing is.

        It takes the write lock at once, so that two processes never both read before they write.
        """
        self.conn.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.conn.execute("COMMIT")
        except BaseException:
            if self.conn.in_transaction:
                self.conn.execute("ROLLBACK")
            raise

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Let everything that is read inside be of one moment."""
        self.conn.execute("BEGIN")
        try:
            yield
        finally:
            self.conn.execute("ROLLBACK")

    def tried_again(self, work: Callable[[], _Done]) -> _Done:
        """Return what `work` returns: who writes alone is never second."""
        return work()

    @contextmanager
    def errors_as_sentences(self) -> Iterator[None]:
        """Turn what SQLite says into one sentence about the file."""
        with sqlite_errors_as_sentences(self._path):
            yield

    def refuse_rebuilding_in_passing(self) -> None:
        """Let whoever opens the file make its tables again: it is one shop's own."""

    def last_number(self) -> int:
        """Return the number of the record logged last, 0 in an empty library."""
        return int(self.execute("SELECT coalesce(max(rowid), 0) FROM records").fetchone()[0])

    def is_taken(self, case_id: str) -> bool:
        """Return whether a case or layout has an ID."""
        taken = "SELECT 1 FROM records WHERE case_id = :id UNION SELECT 1 FROM layouts WHERE layout_id = :id"
        return self.execute(taken, {"id": case_id}).fetchone() is not None

    def found(self, words: Sequence[str]) -> list[str]:
        """Return the IDs of the cases that hold all words, the most relevant first."""
        rows = self.execute(
            "SELECT cases.id FROM cases_fts JOIN cases ON cases.rowid = cases_fts.rowid"
            " WHERE cases_fts MATCH ? ORDER BY bm25(cases_fts), cases.id",
            (match_query(words),),
        )
        return [case_id for (case_id,) in rows]

    def holding(self, words: Sequence[str]) -> list[int]:
        """Return of each word how many cases hold it."""
        sql = "SELECT count(*) FROM cases_fts WHERE cases_fts MATCH ?"
        return [int(self.execute(sql, (match_query([word]),)).fetchone()[0]) for word in words]

    def make_words_again(self) -> None:
        """Make the full-text index again: triggers that take cases out of one that is not in step would fail."""
        self.conn.execute("INSERT INTO cases_fts(cases_fts) VALUES('rebuild')")

    def faults(self) -> Iterator[str]:
        """Yield what SQLite finds wrong with the file."""
        for (said,) in self.execute("PRAGMA integrity_check"):
            if said != "ok":
                yield f"the SQLite file is damaged: {said}"

    def faults_of_words(self) -> Iterator[str]:
        """Yield whether the full-text index is out of step."""
        # Read-only on a whole index, but an INSERT to SQLite: the transaction is never kept.
        self.conn.execute("BEGIN")
        try:
            self.conn.execute("INSERT INTO cases_fts(cases_fts, rank) VALUES('integrity-check', 1)")
        except sqlite3.DatabaseError as error:
            if "locked" in str(error) or "readonly" in str(error):
                raise
            yield "the full-text index is not in step with the cases: run casebase rebuild"
        finally:
            self.conn.execute("ROLLBACK")

    def size_in_bytes(self) -> int:
        """Return the bytes of the file with SQLite's log beside it."""
        return sum(bytes_at(self._path.with_name(f"{self._path.name}{end}")) for end in ("", "-wal"))

    def schema_step(self) -> str:
        """Return the name of the last step of the schema that was applied."""
        return max(step.name for step in MIGRATIONS.applied(self))

    def in_flight(self) -> dict[str, float | None]:
        """Return nothing: who writes in a file is seen by nobody else."""
        return {}


def match_query(words: Sequence[str]) -> str:
    """Return an FTS5 query for all of `words`, each quoted so that none is read as an operator.

    >>> match_query(["NOT", "U0100"])
    '"NOT" "U0100"'
    """
    return " ".join(f'"{word}"' for word in words)


def create_database(path: Path) -> SqliteDatabase:
    """Make a new library file at `path` and return it; refuse when something stands there already."""
    if _stands_there(path) and path.stat().st_size:
        raise LibraryError(f"{path}: something stands there already: name a new file, or use it as it is")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LibraryError(
            f"{path}: the folder cannot be made ({error.strerror}): name another place"
        ) from None
    _make_for_its_owner(path)
    return _opened(path)


def _make_for_its_owner(path: Path) -> None:
    """Make an empty file that its owner alone may read; what SQLite puts beside it gets the same permissions."""
    try:
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, owners_mode(0o600)))
    except OSError as error:
        raise LibraryError(f"{path}: cannot be made ({error.strerror}): name another place") from None


def open_database(path: Path) -> SqliteDatabase:
    """Return the library at `path`, brought up to this casebase's schema."""
    if not _stands_there(path):
        raise LibraryError(
            f"{path}: no library there: make one with casebase init, or name another with --library"
        )
    if path.is_dir():
        raise LibraryError(f"{path}: a folder, not a library file: name the file itself")
    if not path.is_file():
        raise LibraryError(f"{path}: not a plain file: name the file of a library")
    _refuse_cut_short(path)
    return _opened(path)


_SMALLEST_BYTES: Final = 512
"""The smallest page of a SQLite file, and the least that one holds (SQLite, "Database File Format", 1.3.2)."""

_MADE_WITHIN_SECONDS: Final = 5.0


def _refuse_cut_short(path: Path) -> None:
    """Raise `LibraryError` for a file with next to nothing in it, which SQLite would take for a new one."""
    until = time.monotonic() + _MADE_WITHIN_SECONDS
    while path.is_file() and (size := path.stat().st_size) < _SMALLEST_BYTES:
        if size or time.monotonic() > until:  # an empty one may be in the making by another process
            raise LibraryError(
                f"{path}: {size} bytes, so no library any more: put a copy in its place with casebase restore, make a"
                " new one with casebase init, or name another file"
            )
        time.sleep(0.05)


def _stands_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:  # such as a name that is too long
        raise LibraryError(f"{path}: cannot be looked at ({error.strerror}): name another place") from None


@contextmanager
def sqlite_errors_as_sentences(path: Path) -> Iterator[None]:
    """Turn what SQLite says into one sentence about the file at `path`."""
    try:
        yield
    except sqlite3.Error as error:
        raise LibraryError(sentence_of(path, error)) from None


def sentence_of(path: Path, error: sqlite3.Error) -> str:
    """Return what SQLite says about the file at `path` as one sentence that says what to do."""
    said = str(error)
    if "disk I/O" in said:
        return f"{path}: {_of_the_disk(getattr(error, 'sqlite_errorname', ''))}"
    told = next((sentence for words, sentence in _SENTENCES.items() if words in said), None)
    return f"{path}: {told or f'the library cannot be used ({said}): run casebase check'}"


def _of_the_disk(name: str) -> str:
    """Return what an I/O error asks for, by its extended name; see SQLite, "Result and Error Codes"."""
    if any(word in name for word in ("WRITE", "FSYNC", "TRUNCATE", "SHM")):
        return (
            f"the disk takes nothing more ({name}): nothing of this was kept: make room, see that the disk is still"
            " there, then try again"
        )
    return (
        f"the disk cannot be read or written ({name or 'disk I/O error'}): see that it is still there, then run"
        " casebase check; where it is failing, casebase restore takes the last copy to another"
    )


def _opened(path: Path) -> SqliteDatabase:
    """Return the library at `path`, known for one that this casebase can read, and brought up to date."""
    with sqlite_errors_as_sentences(path):
        connection = sqlite3.connect(path, timeout=BUSY_SECONDS)
        try:
            db = SqliteDatabase(connection, path)
            refuse_what_cannot_be_read(db, path)
            if MIGRATIONS.pending(db) or any(step.name in FORMER_STEPS for step in MIGRATIONS.applied(db)):
                _upgrade(db)
            # FULL: a confirmed case survives a power cut too, not only a killed process.
            connection.execute("PRAGMA synchronous = FULL")
            return db
        except BaseException:
            connection.close()
            raise


def refuse_what_cannot_be_read(db: Database, path: Path) -> None:
    """Raise `LibraryError` for another program's database and for a library made by a newer casebase."""
    refuse_other_files(db, path)
    known = [step.name for step in MIGRATIONS.pending(Database(memory=True, execute_plugins=False))]
    newer = [step.name for step in MIGRATIONS.applied(db) if step.name not in (*known, *FORMER_STEPS)]
    if newer:
        raise LibraryError(
            f"{path}: made by a newer casebase (schema step {newer[-1]}; this one knows up to {known[-1]}):"
            " update casebase"
        )


def refuse_other_files(db: Database, path: Path) -> None:
    """Raise `LibraryError` for a database of another program."""
    # In this order: another process may be making the library just now, mark and tables in one transaction.
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    if mark != APPLICATION_ID and (mark or tables):
        raise LibraryError(
            f"{path}: a database of another program, not a casebase library: name another file"
        )


def _upgrade(db: SqliteDatabase) -> None:
    """Switch to a write-ahead log, mark the file, and apply the migrations that it lacks."""
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            db.conn.execute("PRAGMA journal_mode = WAL")
            break
        except sqlite3.OperationalError:  # another process does the same: here SQLite does not wait
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
    with db.writing():
        db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        adopt_former_steps(db)
        MIGRATIONS.apply(db)

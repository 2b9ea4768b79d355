"""A copy of a library while people write in it: made aside, checked, and only then put where it is wanted."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest
from pathlib import Path
from typing import Final

from casebase.errors import LibraryError
from casebase.files import folder_of_parts, put
from casebase.library.connection import (
    BUSY_SECONDS,
    SqliteDatabase,
    refuse_what_cannot_be_read,
    sentence_of,
    sqlite_errors_as_sentences,
)
from casebase.library.engine import HubAddress
from casebase.library.file_store import bring_over, files_folder, folder_beside_copy, missing_files
from casebase.library.integrity import faults_of_what_is_kept
from casebase.library.moving import bring_from_hub, write_as_file
from casebase.library.schema import APPLICATION_ID
from casebase.library.store import Library


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
        named = db.execute(
            "SELECT DISTINCT json_extract(one.value, '$.sha256')"
            " FROM records, json_each(records.json, '$.attachments') one"
        )
        return Copied(_library_id(db), cases, frozenset(str(sha256) for (sha256,) in named if sha256))


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
def read_only(path: Path, called: Path | None = None) -> Iterator[SqliteDatabase]:
    """Yield the database at `path`, which cannot be written to by this."""
    if not path.is_file():
        raise LibraryError(f"{path}: no copy there: name the file that casebase backup made")
    address = f"{path.absolute().as_uri()}?mode=ro"
    with (
        sqlite_errors_as_sentences(called or path),
        closing(sqlite3.connect(address, uri=True)) as connection,
    ):
        yield SqliteDatabase(connection)


def _refuse_unmarked(db: SqliteDatabase, path: Path) -> None:
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise LibraryError(f"{path}: not a casebase library: name the file that casebase backup made")


def _library_id(db: SqliteDatabase) -> str:
    row = db.execute("SELECT value FROM facts WHERE name = 'library id'").fetchone()
    return str(row[0]) if row else ""


_DAY: Final = "%Y-%m-%dT%H%M"
_DAY_TOLD: Final = r"\d{4}-\d\d-\d\dT\d{4}"


@dataclass(frozen=True)
class BackedUp:
    """A copy that was made: where, its bytes, how many cases, which attached files came along, which copies went.

    `left` are older copies that hold records which the library lacks by now. `faults` tell of attached files.
    """

    path: Path
    bytes: int
    cases: int
    files: int
    removed: list[Path]
    left: list[Path]
    faults: list[str]


def back_up(library: Library, out: Path, keep: int | None = None, now: datetime | None = None) -> BackedUp:
    """Copy a library to the file `out`, or under a name that bears the minute into the folder `out`.

    Others go on writing meanwhile; the copy holds what was kept when it began. It is checked before it is put in its
    place, and an earlier copy there is replaced only where all its records stand in the new one. With `keep` only that
    many dated copies stay in the folder. Raises `LibraryError`; what stood there is untouched then.
    """
    _refuse(library, out, keep)
    place = dated_copy(library.path, out, now or datetime.now()) if out.is_dir() else out
    try:
        with folder_of_parts(place.parent) as parts:
            made = parts / place.name
            try:
                if isinstance(library.place, HubAddress):
                    write_as_file(library, made)
                else:
                    with closing(sqlite3.connect(library.path, timeout=BUSY_SECONDS)) as source:
                        write_pages(source, made)
            except sqlite3.Error as error:
                raise LibraryError(sentence_of(place, error)) from None
            copied = whole_copy(made, Path(str(library.place)), "no copy was kept: run casebase check")
            _refuse_to_lose(place, made, copied)
            # After the snapshot: a file is there before the record that names it. Before the copy is seen: it is whole.
            if isinstance(library.place, HubAddress):
                brought = bring_from_hub(library.files, copied.files, folder_beside_copy(place))
            else:
                brought = bring_over([files_folder(library.path)], folder_beside_copy(place))
                shutil.copymode(library.path, made)  # whoever may not read the library may not read its copy
            size = made.stat().st_size
            put(made, place)
    except OSError as error:
        raise LibraryError(
            f"{place}: the copy cannot be written ({error.strerror}): make room, or name another place"
        ) from None
    removed, left = _remove_oldest(place, library.path, copied, keep) if keep else ([], [])
    folder = folder_beside_copy(place)
    missing = [
        f"{folder}: the attached file {sha256} is not there, though a record names it"
        for sha256 in missing_files(folder, copied.files)
    ]
    return BackedUp(place, size, copied.cases, brought.count, removed, left, brought.faults + missing)


def dated_copy(library: Path, folder: Path, now: datetime) -> Path:
    """Return the name that a copy of a library bears in a folder of copies."""
    return folder / f"{library.stem}-{now.strftime(_DAY)}{library.suffix}"


def dated_copies(library: Path, folder: Path) -> list[Path]:
    """Return the copies in a folder that bear the library's name and a minute, the oldest first."""
    name = re.compile(f"{re.escape(library.stem)}-{_DAY_TOLD}{re.escape(library.suffix)}")
    return sorted(path for path in folder.iterdir() if name.fullmatch(path.name))


def write_pages(source: sqlite3.Connection, made: Path) -> None:
    """Copy what `source` holds now to a new file that needs no other beside it; page by page, so that numbers stay."""
    with closing(sqlite3.connect(made)) as copy:
        # Reading begins first: a lock is then waited for as long as anywhere, and what others write meanwhile does not
        # make SQLite begin again.
        source.execute("BEGIN")
        try:
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()
            source.backup(copy)
        finally:
            source.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode = DELETE")


def _refuse(library: Library, out: Path, keep: int | None) -> None:
    if keep is not None and keep < 1:
        raise LibraryError(f"--keep {keep}: at least one copy is kept: give 1 or more")
    if keep is not None and not out.is_dir():
        raise LibraryError(f"{out}: --keep goes with a folder of copies, and this is none: make it first")
    if not out.parent.is_dir():
        raise LibraryError(f"{out.parent}: no folder there: make it, or see that the disk is there")
    if out.exists() and library.path.exists() and out.samefile(library.path):
        raise LibraryError(f"{out}: this is the library itself: name another place for the copy")


def _refuse_to_lose(place: Path, made: Path, copied: Copied) -> None:
    if not place.exists():
        return
    if not copied.library_id or library_id_of(place) != copied.library_id:
        raise LibraryError(
            f"{place}: something else stands there, not an earlier copy of this library: name another place"
        )
    if not holds_all_of(made, place):
        raise LibraryError(
            f"{place}: the copy there holds records that this library lacks: name another place, and keep that one"
        )


def _remove_oldest(place: Path, library: Path, copied: Copied, keep: int) -> tuple[list[Path], list[Path]]:
    """Remove the oldest copies of this library beyond `keep`; leave those that hold what the new one lacks."""
    ours = [
        path
        for path in dated_copies(library, place.parent)
        if path != place and library_id_of(path) == copied.library_id
    ]
    beyond = ours[: max(0, len(ours) + 1 - keep)]
    left = [path for path in beyond if not holds_all_of(place, path)]
    removed = [path for path in beyond if path not in left]
    for path in removed:
        path.unlink(missing_ok=True)
    return removed, left

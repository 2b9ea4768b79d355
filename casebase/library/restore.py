"""Restoring a copy: it takes the place of the library, which is itself put aside first and never lost.

A copy is written into the live file, in one transaction of SQLite's own backup, and the file stays the same file.
Putting another file in its place would be simpler, but a process that has the old one open would go on writing into a
file that nobody finds any more. This way it waits for the lock, and then writes into what was restored; what it wrote
before is in the copy that was put aside under the same lock. Stopped at any moment, SQLite goes back to the library
before, or has finished.

Only where SQLite cannot open what stands there (the usual reason to restore) is the file itself put aside; nobody can
write into that one.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final
from uuid import uuid4

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.files import flush_folder, folder_of_parts, put, put_beside_others
from casebase.library.backup import Copied, whole_copy, write_pages
from casebase.library.connection import (
    BUSY_SECONDS,
    refuse_other_files,
    sentence_of,
    sqlite_errors_as_sentences,
)
from casebase.library.engine import HubAddress
from casebase.library.file_store import bring_over, files_folder, folders_of_copy, missing_files
from casebase.library.moving import fill_hub
from casebase.library.store import RESTORED_FACT, Library

_DAMAGED: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_LOG_FILES: Final = ("-wal", "-shm")


@dataclass(frozen=True)
class Restored:
    """A library that was restored: how many cases it holds, where the one before is, which files came along.

    `aside` is None where there was none; `was_damaged` says that SQLite could not open it. `faults` tell of attached
    files.
    """

    cases: int
    aside: Path | None
    was_damaged: bool
    files: int
    faults: list[str]


def restore(copy: Path, library: Path, now: datetime | None = None) -> Restored:
    """Put a copy in the place of a library, which is put aside first under a dated name.

    Raises `LibraryError` where the copy is not whole, was made by a newer casebase, or cannot be put there; the
    library is as it was then.
    """
    _refuse(copy, library)
    try:
        library.parent.mkdir(parents=True, exist_ok=True)
        with folder_of_parts(library.parent) as parts:
            made = parts / library.name
            shutil.copy(copy, made)  # with its rights
            copied = _checked(made, copy)
            _make_ready(made, library)
            brought = bring_over(folders_of_copy(copy), files_folder(library), look_closely=True)
            aside, was_damaged = _put_in_place(made, library, _free_name(library, now or datetime.now()))
    except OSError as error:
        raise LibraryError(
            f"{library}: the copy cannot be put there ({error.strerror}): the library is as it was: make room"
        ) from None
    missing = [
        f"{files_folder(library)}: the attached file {sha256} came with no copy, though a record names it"
        for sha256 in missing_files(files_folder(library), copied.files)
    ]
    return Restored(copied.cases, aside, was_damaged, brought.count, brought.faults + missing)


def restored_to_hub(copy: Path, address: HubAddress) -> Restored:
    """Put a copy, or a shop's own library, into an empty hub; the copy stays as it is.

    Raises `LibraryError` where the copy is not whole or the hub holds records already; nothing is put there then.
    """
    _refuse_what_is_no_copy(copy)
    with TemporaryDirectory(prefix="casebase-") as folder:
        made = Path(folder) / copy.name
        shutil.copy(copy, made)
        copied = _checked(made, copy)
        brought = fill_hub(made, folders_of_copy(copy), address)
    with Library.open(address) as hub:
        lacking = [sha256 for sha256 in sorted(copied.files) if hub.files.bytes_of(sha256) is None]
    missing = [
        f"the attached file {sha256} came with no copy, though a record names it" for sha256 in lacking
    ]
    return Restored(copied.cases, None, False, brought.count, brought.faults + missing)


def _refuse_what_is_no_copy(copy: Path) -> None:
    if not copy.is_file():
        raise LibraryError(f"{copy}: no copy there: name the file that casebase backup made")
    log = _companion(copy, "-wal")
    if log.exists() and log.stat().st_size:
        raise LibraryError(
            f"{copy}: a library in use, of which a part is in {log.name}: make a copy of it with casebase backup"
        )


def _refuse(copy: Path, library: Path) -> None:
    _refuse_what_is_no_copy(copy)
    if library.is_dir():
        raise LibraryError(f"{library}: a folder, not a library file: name the file itself")
    if library.exists() and copy.samefile(library):
        raise LibraryError(f"{copy}: this is the library itself: name the copy that is to take its place")


def _checked(made: Path, copy: Path) -> Copied:
    with sqlite_errors_as_sentences(copy), closing(sqlite3.connect(made)) as connection:
        connection.execute(
            "PRAGMA journal_mode = DELETE"
        )  # one in the other mode cannot be read without writing
    return whole_copy(made, copy, "nothing was restored: take another copy")


def _make_ready(made: Path, library: Path) -> None:
    """Bring our own file of the copy up to date, and mark it, so that no index of another state is taken for its."""
    with Library.open(made) as ready:
        ready.set_fact(RESTORED_FACT, uuid4().hex)
        with ready.reading() as db:
            db.execute("PRAGMA journal_mode = WAL")
    if _companion(made, "-wal").exists():  # closing takes the log into the file, or says nothing
        raise LibraryError(
            f"{library}: the disk is full: the library is as it was: make room, then try again"
        )


def _put_in_place(made: Path, library: Path, aside: Path) -> tuple[Path | None, bool]:
    """Put the copy in its place; return where the library before is, and whether SQLite could not open it."""
    try:
        if not library.exists():
            # The log of a library that was removed must not be taken for that of the copy.
            for end in _LOG_FILES:
                with suppress(FileNotFoundError):
                    _companion(library, end).rename(_companion(aside, end))
            put_beside_others(made, library)
            return None, False
        if library.stat().st_size == 0:
            return _put_for_damaged(made, library, aside), True
        return _write_into(made, library, aside), False
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGED:
            return _put_for_damaged(made, library, aside), True
        raise LibraryError(f"{sentence_of(library, error)}; the library is as it was") from None


def _write_into(made: Path, library: Path, aside: Path) -> Path:
    """Write the pages of `made` into the live library within one transaction, in which the library is put aside."""
    with (
        closing(sqlite3.connect(library, timeout=BUSY_SECONDS)) as live,
        closing(sqlite3.connect(made)) as source,
    ):
        refuse_other_files(Database(live, execute_plugins=False), library)
        # A library that waits in rollback mode could not be read to be put aside while the transaction is open.
        live.execute("PRAGMA journal_mode = WAL")
        live.execute("PRAGMA synchronous = FULL")
        # In more than one step, so that there is a moment at which the lock is held and nothing is replaced yet.
        pages = int(source.execute("PRAGMA page_count").fetchone()[0])
        source.backup(live, pages=max(1, pages // 2), progress=_putting_aside(library, aside))
        with suppress(sqlite3.Error):  # the log is taken into the file now, or when the next one opens it
            live.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return aside


def _putting_aside(library: Path, aside: Path) -> Callable[[int, int, int], None]:
    """Return what SQLite's backup tells after each step: after the first one it puts the library aside."""
    is_aside = False

    def tell(status: int, _remaining: int, _whole: int) -> None:
        nonlocal is_aside
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):  # for as long as others are waited for
            raise LibraryError(sentence_of(library, sqlite3.OperationalError("database is locked")))
        if not is_aside:
            _copy_aside(library, aside)
            is_aside = True

    return tell


def _copy_aside(library: Path, aside: Path) -> None:
    with (
        folder_of_parts(aside.parent) as parts,
        closing(sqlite3.connect(library, timeout=BUSY_SECONDS)) as before,
    ):
        write_pages(before, parts / aside.name)
        shutil.copymode(library, parts / aside.name)
        put_beside_others(parts / aside.name, aside)


def _put_for_damaged(made: Path, library: Path, aside: Path) -> Path:
    """Put the copy in the place of a file that SQLite cannot open; that file and its log are put aside as they are."""
    try:
        aside.hardlink_to(library)
    except FileExistsError:
        raise
    except OSError:  # a file system without second names
        shutil.copy2(library, aside)
    flush_folder(aside.parent)
    for end in _LOG_FILES:
        with suppress(FileNotFoundError):
            _companion(library, end).rename(_companion(aside, end))
    put(made, library)
    return aside


def _free_name(library: Path, now: datetime) -> Path:
    """Return a name beside the library at which nothing stands yet."""
    stem = f"{library.stem}-before-{now.strftime('%Y-%m-%dT%H%M%S')}"
    names = (f"{stem}{end}{library.suffix}" for end in ("", *(f"-{number}" for number in range(2, 1000))))
    return next(path for name in names if not (path := library.with_name(name)).exists())


def _companion(path: Path, end: str) -> Path:
    return path.with_name(f"{path.name}{end}")

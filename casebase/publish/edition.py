"""Editions: reading the frozen file of one, and the folder that holds them all.

In the folder lie one file for each edition, its SHA-256 beside it, and a line that says which one is shown. Files are
never written again. What changes is the line, in one step: whoever reads sees one edition or the other.
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import EditionError
from casebase.files import sha256_of_file, write_at_once
from casebase.library.connection import SqliteDatabase
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.library.records import current_record, found_ids, profiles_of_numbers, rows_of_case
from casebase.match.index.collection import Collection
from casebase.match.index.match_index import Index
from casebase.publish.frozen import FROZEN_ID
from casebase.publish.public_fields import TABLE
from casebase.publish.public_layouts import layouts_of


def is_frozen(path: Path) -> bool:
    """Return whether a file is one of frozen records, by its mark, without reading further."""
    try:
        if not path.is_file():  # nobody may ever write into a pipe
            return False
        with path.open("rb") as file:
            head = file.read(100)
    except OSError:
        return False
    return head[:16] == b"SQLite format 3\x00" and int.from_bytes(head[68:72]) == FROZEN_ID


def open_frozen(path: Path) -> sqlite3.Connection:
    """Return a connection that can only read; raise `EditionError` where the file is no frozen one."""
    if not is_frozen(path):
        raise EditionError(
            f"{path}: not a file of frozen records: name one that casebase made for reading, or leave it out"
        )
    return sqlite3.connect(f"file:{path}?immutable=1", uri=True, check_same_thread=False)


@dataclass(frozen=True)
class EditionAttachment:
    """An attached file of a frozen file: its SHA-256, media type, size in bytes, and of a picture in pixels."""

    sha256: str
    kind: str
    bytes: int
    width: int | None
    height: int | None


class Edition:
    """The records of a frozen file, read through one connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self._db = SqliteDatabase(connection)
        self._layouts: list[StoredLayout] | None = None
        self.proven_on: dict[str, dict[str, int]] = {}
        """Proven causes by the place of a layout where they lay, by the layout's ID, once they were counted."""

    def facts(self) -> dict[str, str]:
        """Return what the file says of itself: its date, where it comes from, its number if it was published."""
        return dict(self.connection.execute("SELECT name, value FROM facts"))

    def count(self) -> int:
        """Return the number of cases."""
        return int(self.connection.execute("SELECT count(*) FROM cases").fetchone()[0])

    def has(self, case_id: str) -> bool:
        """Return whether there is a case of this ID."""
        return self.connection.execute("SELECT 1 FROM cases WHERE id = ?", (case_id,)).fetchone() is not None

    def get(self, case_id: str) -> StoredRecord:
        """Return a case; raise `LibraryError` where its record does not fit the format."""
        return current_record(self._db, case_id)

    def collection(self, index: Index) -> Collection:
        """Return the cases to compare with, given the index of this file."""
        return Collection(
            index,
            lambda numbers: profiles_of_numbers(self._db, numbers),
            lambda case_id: rows_of_case(self._db, case_id),
        )

    def layouts(self) -> list[StoredLayout]:
        """Return the layouts, by the vehicles they hold for."""
        if self._layouts is None:  # the file never changes
            self._layouts = layouts_of(self.connection)
        return self._layouts

    def attachment(self, sha256: str) -> EditionAttachment | None:
        """Return what is known of an attached file; None where there is none, as in a file of an older casebase."""
        tables = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?"
        if self.connection.execute(tables, (TABLE,)).fetchone() is None:
            return None
        sql = f"SELECT sha256, kind, bytes, width, height FROM {TABLE} WHERE sha256 = ?"
        row = self.connection.execute(sql, (sha256,)).fetchone()
        return EditionAttachment(*row) if row else None

    def attachment_content(self, sha256: str) -> bytes:
        """Return the bytes of an attached file that is there."""
        sql = f"SELECT content FROM {TABLE} WHERE sha256 = ?"
        return bytes(self.connection.execute(sql, (sha256,)).fetchone()[0])

    def found(self, text: str) -> list[str]:
        """Return the IDs of the cases that hold every word of a text but the common ones, the most relevant first."""
        return found_ids(self._db, text)


_NAME: Final = re.compile(r"edition-(\d{1,6})\.db")
_SHOWN: Final = "shown"
_FOR_ALL_TO_READ: Final = 0o644


@dataclass(frozen=True)
class EditionFile:
    """One edition: number, day, how many records, who signed it off, the SHA-256 of the file, whether it is shown."""

    number: int
    path: Path
    day: str
    records: int
    signed_off_by: str
    sha256: str
    is_shown: bool


def edition_path(folder: Path, number: int) -> Path:
    """Return where an edition stands."""
    return folder / f"edition-{number}.db"


def numbers_in(folder: Path) -> list[int]:
    """Return the numbers of the editions in a folder, the lowest first."""
    found = (_NAME.fullmatch(path.name) for path in folder.glob("edition-*.db"))
    return sorted(int(name[1]) for name in found if name)


def remove_unfinished(folder: Path) -> None:
    """Remove what a publication that was stopped half way left: a file without its SHA-256."""
    for number in numbers_in(folder):
        path = edition_path(folder, number)
        if not kept_digest(path):
            path.unlink(missing_ok=True)


def shown_path(folder: Path) -> Path:
    """Return the file of the edition that is shown; raise `EditionError` where there is none."""
    try:
        name = (folder / _SHOWN).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        name = ""
    path = folder / name
    if not _NAME.fullmatch(name) or not is_frozen(path):
        raise EditionError(f"{folder}: no edition is shown here: make one with casebase publish {folder}")
    return path


def is_whole(path: Path) -> bool:
    """Return whether a file is an edition with the content that it was published with."""
    try:
        return is_frozen(path) and kept_digest(path) in ("", sha256_of_file(path))
    except OSError:
        return False


def edition_to_serve(folder: Path) -> tuple[Path, str]:
    """Return the edition that is shown, or the last one before it that is whole, with the sentence that says so.

    Raises `EditionError` where there is none.
    """
    try:
        shown = _NAME.fullmatch((folder / _SHOWN).read_text(encoding="utf-8").strip())
    except (OSError, UnicodeDecodeError):
        shown = None
    if shown is None:
        raise EditionError(f"{folder}: no edition is shown here: make one with casebase publish {folder}")
    wanted = int(shown[1])
    for number in reversed(numbers_in(folder)):
        if number <= wanted and is_whole(path := edition_path(folder, number)):
            damaged = (
                f"Edition {wanted} is damaged, or was replaced: it does not match the SHA-256 beside it. This is"
                f" edition {number}. Put a copy of the other in its place, or publish again."
            )
            return path, "" if number == wanted else damaged
    raise EditionError(
        f"{folder}: edition {wanted} is damaged or not there, and none before it is whole: put a copy in its place"
    )


def show_edition(folder: Path, number: int) -> None:
    """Show another edition from now on; raise `EditionError` where there is none of that number."""
    path = edition_path(folder, number)
    if not is_frozen(path):
        there = ", ".join(map(str, numbers_in(folder))) or "none"
        raise EditionError(f"{folder}: there is no edition {number}: expected one of {there}")
    write_at_once(folder / _SHOWN, f"{path.name}\n".encode(), _FOR_ALL_TO_READ)


def editions_in(folder: Path) -> list[EditionFile]:
    """Return the editions of a folder, the newest first."""
    try:
        shown = shown_path(folder)
    except EditionError:
        shown = None
    return [_edition(edition_path(folder, number), number, shown) for number in reversed(numbers_in(folder))]


def keep_digest(path: Path) -> str:
    """Write the SHA-256 of a file beside it, as `sha256sum -c` reads it (GNU coreutils), and return it."""
    digest = sha256_of_file(path)
    write_at_once(_digest_path(path), f"{digest}  {path.name}\n".encode(), _FOR_ALL_TO_READ)
    return digest


def kept_digest(path: Path) -> str:
    """Return the SHA-256 that was written beside a file; empty where none was."""
    try:
        return _digest_path(path).read_text(encoding="utf-8").split()[0]
    except (OSError, IndexError):
        return ""


def _digest_path(path: Path) -> Path:
    return path.with_name(f"{path.name}.sha256")


def _edition(path: Path, number: int, shown: Path | None) -> EditionFile:
    with closing(open_frozen(path)) as connection:
        edition = Edition(connection)
        facts, records = edition.facts(), edition.count()
    return EditionFile(
        number,
        path,
        facts.get("frozen on", ""),
        records,
        facts.get("signed off by", ""),
        kept_digest(path),
        path == shown,
    )

"""Reading a frozen file: what it tells of itself, its cases, and the cases as a collection to compare with."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from sqlite_utils import Database

from casebase.errors import EditionError
from casebase.library.derived import Kept
from casebase.library.lacking import profiles_of_numbers, rows_of_case
from casebase.library.records import current_record
from casebase.match.collection import Collection
from casebase.match.index import Index
from casebase.publish.frozen import FROZEN_ID
from casebase.publish.public_files import TABLE


def is_frozen(path: Path) -> bool:
    """Return whether a file is one of frozen records: told by its mark, without reading further."""
    try:
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
        self._db = Database(connection, execute_plugins=False)

    def facts(self) -> dict[str, str]:
        """Return what the file tells of itself: its date, where it comes from, its number if it was published."""
        return dict(self.connection.execute("SELECT name, value FROM facts"))

    def count(self) -> int:
        """Return the number of cases."""
        return int(self.connection.execute("SELECT count(*) FROM cases").fetchone()[0])

    def has(self, case_id: str) -> bool:
        """Return whether there is a case of this ID."""
        return self.connection.execute("SELECT 1 FROM cases WHERE id = ?", (case_id,)).fetchone() is not None

    def get(self, case_id: str) -> Kept:
        """Return a case; raise `LibraryError` where its record does not fit the format."""
        return current_record(self._db, case_id)

    def collection(self, index: Index) -> Collection:
        """Return the cases to compare with, given the index of this file."""
        return Collection(
            index,
            lambda numbers: profiles_of_numbers(self._db, numbers),
            lambda case_id: rows_of_case(self._db, case_id),
        )

    def attachment(self, sha256: str) -> EditionAttachment | None:
        """Return what is told of an attached file; None where there is none, as in a file of an older casebase."""
        if not self._has_files():
            return None
        sql = f"SELECT sha256, kind, bytes, width, height FROM {TABLE} WHERE sha256 = ?"
        row = self.connection.execute(sql, (sha256,)).fetchone()
        return EditionAttachment(*row) if row else None

    def attachment_content(self, sha256: str) -> bytes:
        """Return the bytes of an attached file that is there."""
        sql = f"SELECT content FROM {TABLE} WHERE sha256 = ?"
        return bytes(self.connection.execute(sql, (sha256,)).fetchone()[0])

    def _has_files(self) -> bool:
        sql = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?"
        return self.connection.execute(sql, (TABLE,)).fetchone() is not None

    def found(self, text: str) -> list[str]:
        """Return the IDs of the cases that hold every telling word of a text, the most relevant first."""
        from casebase.library.search import found_ids  # noqa: PLC0415

        return found_ids(self._db, text)

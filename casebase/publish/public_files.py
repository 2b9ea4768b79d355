"""The bytes of public attachments: each looked at once more before it leaves the shop, written into a frozen file."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from typing import Final

from casebase.errors import EditionError
from casebase.library.derived import Kept
from casebase.library.taken_files import kind_of, size_in_pixels, what_is_wrong
from casebase.publish.public_fields import public_attachments

Contents = Callable[[str], bytes]
"""Gives the bytes of an attached file by its SHA-256; raises `LibraryError` where it cannot."""

TABLE: Final = "files"

_MADE: Final = (
    f"CREATE TABLE {TABLE}"
    " (sha256 TEXT PRIMARY KEY, kind TEXT, bytes INTEGER, width INTEGER, height INTEGER, content BLOB)"
)


def public_contents(records: Iterable[Kept], contents: Contents | None) -> Iterator[tuple[str, bytes]]:
    """Yield SHA-256 and bytes of every public attachment of records, each once, by the order of their SHA-256.

    Raises `EditionError` for one that holds more than a picture or plain text, and where nothing gives their bytes.
    """
    told = {
        str(attachment.sha256): f"case {one.case_id}, attachment '{attachment.file}'"
        for one in records
        for attachment in public_attachments(one.case)
    }
    for sha256, where in sorted(told.items()):
        if contents is None:
            raise EditionError(
                f"{where}: its bytes are not at hand: freeze it from the library that holds them"
            )
        content = contents(sha256)
        if wrong := what_is_wrong(content):
            raise EditionError(f"{where}: {wrong}: attach the file again, or keep it inside")
        yield sha256, content


def write_files(connection: sqlite3.Connection, files: Iterable[tuple[str, bytes]]) -> None:
    """Write the bytes of attachments into a new file."""
    connection.execute(_MADE)
    connection.executemany(f"INSERT INTO {TABLE} VALUES (?, ?, ?, ?, ?, ?)", map(_row, files))


def _row(file: tuple[str, bytes]) -> tuple[str, str, int, int | None, int | None, bytes]:
    sha256, content = file
    width, height = size_in_pixels(content) or (None, None)
    return sha256, str(kind_of(content)), len(content), width, height, content

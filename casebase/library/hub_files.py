"""What of a hub is none of its tables' rows: the bytes of attached files, and what lies of it on this machine."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from casebase import places
from casebase.errors import LibraryError
from casebase.files import make_owners_folder
from casebase.library.engine import HubAddress
from casebase.library.hub_engine import HubDatabase

_IS_OLD: Final = "kept_at < now() - interval '1 hour'"


class HubFiles:
    """The attached files of a hub: their bytes stand in a table, and go along with every copy of the database."""

    def __init__(self, db: HubDatabase) -> None:
        self._db = db

    def keep(self, content: bytes) -> str:
        """Keep a file and return its SHA-256."""
        sha256 = hashlib.sha256(content).hexdigest()
        with self._db.errors_as_sentences():
            self._db.execute(
                "INSERT INTO attached_files (sha256, content) VALUES (?, ?)"
                " ON CONFLICT (sha256, owner) DO UPDATE SET kept_at = now()",
                (sha256, content),
            )
        return sha256

    def read(self, sha256: str) -> bytes:
        """Return a file; raise `LibraryError` where it is missing or not what it was."""
        with self._db.errors_as_sentences():
            row = self._db.execute(
                "SELECT content FROM attached_files WHERE sha256 = ?", (sha256,)
            ).fetchone()
        if row is None:
            raise LibraryError(f"the attached file {sha256[:12]} is not on the hub: attach it again")
        content = bytes(row[0])
        if hashlib.sha256(content).hexdigest() != sha256:
            raise LibraryError(
                f"the attached file {sha256[:12]} is not what was attached, it was changed or damaged: bring it back"
                " from a backup, or attach it again"
            )
        return content

    def bytes_of(self, sha256: str) -> int | None:
        """Return the size of a file, None where it is not there."""
        with self._db.errors_as_sentences():
            row = self._db.execute(
                "SELECT octet_length(content) FROM attached_files WHERE sha256 = ?", (sha256,)
            ).fetchone()
        return int(row[0]) if row else None

    def sizes_left_over(self, named: frozenset[str]) -> list[int]:
        """Return the bytes of each file that is older than an hour and none of those named."""
        return [size for _, size in self._left_over(named)]

    def remove_left_over(self, named: frozenset[str]) -> None:
        """Remove what `sizes_left_over` counts."""
        gone = [(sha256,) for sha256, _ in self._left_over(named)]
        # Looked at again: somebody may have kept the same file meanwhile, for a record that waits for its turn.
        self._db.executemany(f"DELETE FROM attached_files WHERE sha256 = ? AND {_IS_OLD}", gone)

    def whole_size(self) -> int:
        """Return the bytes of all files."""
        with self._db.errors_as_sentences():
            row = self._db.execute(
                "SELECT coalesce(sum(octet_length(content)), 0) FROM attached_files"
            ).fetchone()
        return int(row[0]) if row else 0

    def _left_over(self, named: frozenset[str]) -> list[tuple[str, int]]:
        rows = self._db.execute(f"SELECT sha256, octet_length(content) FROM attached_files WHERE {_IS_OLD}")
        return [(sha256, size) for sha256, size in rows if sha256 not in named]


def folder_here(address: HubAddress) -> Path:
    """Return where on this machine what belongs to a hub lies: its index, and the key that signs bundles."""
    folder = places.data_folder() / "hubs" / hashlib.sha256(str(address).encode()).hexdigest()[:16]
    make_owners_folder(folder)
    return folder / "hub"

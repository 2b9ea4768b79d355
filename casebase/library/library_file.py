"""A library file that is open: read and changed in transactions, its facts, and a case by its ID."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from casebase.errors import LibraryError
from casebase.library.authorship import removed_ids
from casebase.library.connection import create_database, open_database
from casebase.library.derived import StoredRecord
from casebase.library.engine import Database, HubAddress
from casebase.library.file_store import AttachedFiles, Files
from casebase.library.records import current_record, resolve_id


def now_text() -> str:
    """Return the time to the second, in UTC (ISO 8601), as it is kept beside what is logged, said and found."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class RevisedMeanwhileError(LibraryError):
    """Somebody else has revised the case since the revision that a change was made from."""

    def __init__(self, case_id: str, made_from: int, current: int) -> None:
        super().__init__(
            f"case {case_id}: this file was made from revision {made_from}, and revision {current} is kept"
            f" by now: put your changes into the current one with casebase edit {case_id}"
        )


def refuse_removed(case_id: str, removed: Container[str]) -> None:
    """Raise `LibraryError` where a case is one of those removed."""
    if case_id in removed:
        raise LibraryError(
            f"case {case_id}: this record was removed: bring it back with casebase remove {case_id} --bring-back"
        )


class LibraryFile:
    """One library, in a file or on a hub. Use as a context manager, or call `close`.

    `place` is where it is; `path` the file, of a hub the place on this machine beside which its index lies; `files` are
    its attached files. Every method raises `LibraryError` with one sentence when the library cannot be used.
    """

    def __init__(self, db: Database, path: Path, hub: tuple[HubAddress, Files] | None = None) -> None:
        self._db = db
        self.path = path
        self.place: Path | HubAddress = hub[0] if hub else path
        self.files: Files = hub[1] if hub else AttachedFiles(path)

    @classmethod
    def create(cls, place: Path | HubAddress) -> Self:
        """Make a new, empty library; a hub of an older casebase is brought up to date."""
        if isinstance(place, HubAddress):
            return cls._of_hub(place, make=True)
        return cls(create_database(place), place)

    @classmethod
    def open(cls, place: Path | HubAddress, pool: int = 0) -> Self:
        """Open a library, upgrading an older file.

        A hub with a `pool` of so many connections may be asked by several threads; everything else by one.
        """
        if isinstance(place, HubAddress):
            return cls._of_hub(place, make=False, pool=pool)
        return cls(open_database(place), place)

    @classmethod
    def _of_hub(cls, address: HubAddress, *, make: bool, pool: int = 0) -> Self:
        try:
            from casebase.library.hub_engine import HubDatabase  # noqa: PLC0415
            from casebase.library.hub_files import HubFiles, folder_here  # noqa: PLC0415
        except ImportError:
            raise LibraryError(
                f"{address}: a hub needs the extra hub: install it with pip install 'casebase[hub]'"
            ) from None
        db = HubDatabase(address, make=make, pool=pool)
        return cls(db, folder_here(address), (address, HubFiles(db)))

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def resolve(self, prefix: str) -> str:
        """Return the whole ID that `prefix` begins; raise when none or several do."""
        with self._readable():
            return resolve_id(self._db, prefix)

    def get(self, prefix: str) -> StoredRecord:
        """Return the current revision of a case, by its ID or the beginning of it."""
        case_id = self.resolve(prefix)
        with self._readable():
            return current_record(self._db, case_id)

    def get_there(self, prefix: str) -> StoredRecord:
        """Return the current revision of a case; raise where it was removed."""
        kept = self.get(prefix)
        with self._readable():
            refuse_removed(kept.case_id, removed_ids(self._db))
        return kept

    def fact(self, name: str) -> str | None:
        """Return a fact about the library itself, such as its purpose."""
        with self._readable():
            row = self._db.execute("SELECT value FROM facts WHERE name = ?", (name,)).fetchone()
            return row[0] if row else None

    def set_fact(self, name: str, value: str) -> None:
        """Keep a fact about the library itself."""
        self.change_fact(name, lambda _: value)

    def change_fact(self, name: str, change: Callable[[str | None], str]) -> None:
        """Keep what `change` makes of a fact; nobody else changes it in between."""
        with self._writing():
            self._set_fact(name, change(self.fact(name)))

    @contextmanager
    def reading(self) -> Iterator[Database]:
        """Yield the database to read from; for the parts of the library that stand in modules of their own."""
        with self._readable():
            yield self._db

    @contextmanager
    def changing(self, *, alone: bool = True) -> Iterator[Database]:
        """Yield the database within one write transaction: all that is done inside is kept, or nothing.

        `alone`: nobody else writes meanwhile, see `Database.writing`.
        """
        with self._writing(alone=alone):
            yield self._db

    @contextmanager
    def _readable(self) -> Iterator[None]:
        with self._db.errors_as_sentences():
            yield

    @contextmanager
    def _writing(self, *, alone: bool = True) -> Iterator[None]:
        with self._db.errors_as_sentences(), self._db.writing(alone=alone):
            yield

    def _set_fact(self, name: str, value: str) -> None:
        self._db.execute(
            "INSERT INTO facts (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            (name, value),
        )

"""What a library asks of the engine that keeps it, whichever that is: a SQLite file, or a hub on PostgreSQL.

SQL that both speak is written once, beside what it is for, in SQLite's form of parameters (`?` and `:name`). What they
speak differently stands in `connection.py` for the one and in `hub_engine.py` for the other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar
from urllib.parse import parse_qsl, urlsplit

from casebase.errors import LibraryError

_Done = TypeVar("_Done")


class Rows(Protocol):
    """What a statement gives back."""

    @property
    def rowcount(self) -> int:
        """How many rows it changed."""

    def fetchone(self) -> Any:
        """Return the next row, None after the last."""

    def fetchall(self) -> list[Any]:
        """Return all rows that are left."""

    def __iter__(self) -> Iterator[Any]: ...


class Database(Protocol):
    """An open library as its engine keeps it."""

    def execute(self, sql: str, parameters: Any = None, /) -> Rows:
        """Run a statement; return its rows as tuples."""

    def executemany(self, sql: str, rows: Iterable[Sequence[Any]], /) -> None:
        """Run a statement once for each row of parameters."""

    def query(self, sql: str, parameters: Any = None, /) -> Iterable[dict[str, Any]]:
        """Run a statement; return its rows by their columns' names."""

    def insert_tables(self, rows: Mapping[str, Sequence[dict[str, Any]]], /) -> None:
        """Insert rows by their tables, those of one with the same columns; of `cases` the full text follows."""

    def writing(self, *, alone: bool = True) -> AbstractContextManager[None]:
        """One write transaction: everything inside is kept, or nothing is.

        `alone`: nobody else writes meanwhile. Without it others may keep records too, and who is second where two would
        keep the same revision fails and is run again by `tried_again`.
        """

    def at_once(self) -> AbstractContextManager[None]:
        """Let everything that is read inside be of one moment."""

    def tried_again(self, work: Callable[[], _Done], /) -> _Done:
        """Return what `work` returns; it is done again where another writer was first."""

    def errors_as_sentences(self) -> AbstractContextManager[None]:
        """Turn what the engine says into one sentence, a `LibraryError`."""

    def refuse_rebuilding_in_passing(self) -> None:
        """Raise `LibraryError` where the derived tables are not made again by whoever opens the library."""

    def last_number(self) -> int:
        """Return the highest number of a record below which none can appear any more, 0 where there is none."""

    def is_taken(self, case_id: str) -> bool:
        """Return whether a case or layout has an ID."""

    def found(self, words: Sequence[str]) -> list[str]:
        """Return the IDs of the cases that hold all words, the most relevant first (BM25), alike ones by their ID."""

    def holding(self, words: Sequence[str]) -> list[int]:
        """Return of each word how many cases hold it."""

    def make_words_again(self) -> None:
        """Empty the full text, or make it again, before the cases are written anew."""

    def faults(self) -> Iterator[str]:
        """Yield what the engine finds wrong with what it keeps, in sentences."""

    def faults_of_words(self) -> Iterator[str]:
        """Yield what is wrong with the full text, in sentences."""

    def size_in_bytes(self) -> int:
        """Return how much room the library takes, without index and attached files."""

    def schema_step(self) -> str:
        """Return the name of the last step of the schema that was applied."""

    def in_flight(self) -> dict[str, float | None]:
        """Return every write transaction in flight: a name of it, and its age in seconds where that may be seen."""

    def close(self) -> None:
        """Close it."""


_SCHEMES: Final = ("postgresql://", "postgres://")


@dataclass(frozen=True)
class HubAddress:
    """The address of a hub, as libpq reads it: `postgresql://person@host/database`."""

    text: str

    def __str__(self) -> str:
        """Return the address without what nobody needs to read: a password, and options."""
        parts = urlsplit(self.text)
        name = f"{parts.username}@" if parts.username else ""
        host = parts.hostname or dict(parse_qsl(parts.query)).get("host", "")
        port = f":{parts.port}" if parts.port else ""
        return f"postgresql://{name}{host}{port}/{parts.path.lstrip('/')}"


def is_hub_address(text: str) -> bool:
    """Return whether what names a library is the address of a hub, and no path.

    >>> is_hub_address("postgresql://tova@hub.example/casebase"), is_hub_address("shop.db")
    (True, False)
    """
    return text.startswith(_SCHEMES)


def hub_address(text: str) -> HubAddress:
    """Return the address of a hub; raise `LibraryError` for one that cannot be read."""
    try:
        address = HubAddress(text)
        str(address)
    except ValueError as error:
        raise LibraryError(
            f"the address of the hub cannot be read ({error}): expected postgresql://NAME@HOST/DATABASE"
        ) from None
    return address

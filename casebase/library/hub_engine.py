"""A library on a hub: PostgreSQL behind the same library, for many shops that write at once.

Who keeps records holds a lock that others share; who does anything else (a word of the lead, a bundle, a rebuild) holds
it alone, as a file is written by one process at a time. Two who keep the same revision meet at the key of `records`:
one of them is second, and does its work again on what the first one left.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from functools import lru_cache
from threading import local
from typing import Any, Final, LiteralString, TypeVar

import psycopg
from psycopg import errors, sql
from psycopg.rows import dict_row
from psycopg.types.json import Jsonb

from casebase.errors import LibraryError
from casebase.library.engine import HubAddress
from casebase.library.hub_connections import (
    Connection,
    Connections,
    OneConnection,
    SharedConnections,
    connected,
)
from casebase.library.hub_opening import (
    LIBRARY_LOCK,
    bring_up_to_date,
    refuse_other_steps,
    sentence_of,
)
from casebase.library.hub_schema import STEPS_TABLE
from casebase.library.hub_words import all_of, rareness, relevance, terms_of, words_of

_MOST_TRIES: Final = 20
_SECOND: Final = (errors.SerializationFailure, errors.DeadlockDetected, errors.UniqueViolation)

_FLOOR_LOCK: Final = 0x4342 << 48
"""Advisory locks from here on tell from which number on somebody in flight may still add records."""

_Done = TypeVar("_Done")


class HubDatabase:
    """A library as PostgreSQL keeps it, over one connection, or over several that the threads of a process share.

    `pool` is how many; with 0 it is one, for one thread.
    """

    def __init__(self, address: HubAddress, *, make: bool = False, pool: int = 0) -> None:
        self._address = address
        self._may_rebuild = make
        self._own = local()
        with self.errors_as_sentences():
            first = connected(self._address)
            try:
                if make:
                    self.tried_again(lambda: bring_up_to_date(first, address))
                else:
                    refuse_other_steps(first, address)
            except BaseException:
                first.close()
                raise
            self._connections: Connections = OneConnection(address, first)
            if pool:
                first.close()
                self._connections = SharedConnections(address, pool)

    def close(self) -> None:
        """Close the connections."""
        self._connections.close()

    def execute(self, statement: str, parameters: Any = None) -> psycopg.Cursor[tuple[Any, ...]]:
        """Run a statement; return its rows as tuples."""
        with self._lent() as connection:
            return connection.execute(_in_postgresql(statement), () if parameters is None else parameters)

    def executemany(self, statement: str, rows: Iterable[Sequence[Any]]) -> None:
        """Run a statement once for each row of parameters."""
        told = list(rows)
        with self._lent() as connection, connection.cursor() as cursor:
            cursor.executemany(_in_postgresql(statement), told)

    def query(self, statement: str, parameters: Any = None) -> Iterator[dict[str, Any]]:
        """Run a statement; return its rows by their columns' names."""
        with self._lent() as connection, connection.cursor(row_factory=dict_row) as cursor:
            cursor.execute(_in_postgresql(statement), () if parameters is None else parameters)
            found = cursor.fetchall()
        yield from found

    def insert_tables(self, rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
        """Insert rows by their tables, in one journey to the server; of `cases` the full text follows."""
        told = {table: list(its_rows) for table, its_rows in rows.items() if its_rows}
        if cases := told.get("cases"):
            told["case_words"] = list(words_of(cases))
        with self._lent() as connection, connection.pipeline():
            for table, its_rows in told.items():
                _insert(connection, table, its_rows)

    @contextmanager
    def writing(self, *, alone: bool = True) -> Iterator[None]:
        """One write transaction: everything inside is kept, or nothing is; see the module."""
        lock = "pg_advisory_xact_lock" if alone else "pg_advisory_xact_lock_shared"
        with self._transaction() as connection:
            connection.execute(f"SELECT {lock}({LIBRARY_LOCK})")
            # Told before the first number is taken: what this transaction adds is above, see `last_number`.
            connection.execute(
                f"SELECT pg_advisory_xact_lock_shared({_FLOOR_LOCK} + last_value) FROM records_rowid_seq"
            )
            yield

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Let everything that is read inside be of one moment."""
        with self._transaction() as connection:
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield

    def tried_again(self, work: Callable[[], _Done]) -> _Done:
        """Return what `work` returns; it is done again where another writer was first."""
        for tried in range(1, _MOST_TRIES + 1):
            try:
                return work()
            except _SECOND:
                if tried == _MOST_TRIES:
                    raise
            except errors.InsufficientPrivilege:
                # Another shop's record may have taken the ID just now: if not, it is refused again.
                if tried > 1:
                    raise
                time.sleep(0.002 * tried)
        raise AssertionError

    @contextmanager
    def errors_as_sentences(self) -> Iterator[None]:
        """Turn what PostgreSQL says into one sentence about the hub."""
        try:
            yield
        except psycopg.Error as error:
            raise LibraryError(f"{self._address}: {sentence_of(error)}") from None

    def refuse_rebuilding_in_passing(self) -> None:
        """Raise `LibraryError` unless the hub is being made or brought up to date: two casebases would alternate."""
        if not self._may_rebuild:
            raise LibraryError(
                f"{self._address}: its tables were made by another casebase: update this one, or let the hub's operator"
                " run casebase init with the newest"
            )

    def last_number(self) -> int:
        """Return the highest number of a record below which none can appear any more, 0 where there is none.

        Sequences have gaps, and transactions end in another order than they took their numbers. So each tells, by a
        lock that ends with it, above which number its own are. First comes the number reached, then those locks, then
        the records: whoever took a number up to the first either still holds its lock, or is seen.
        """
        asked = [(one, ()) for one in (_REACHED, _LOWEST_FLOOR, _NEWEST)]
        reached, floor, newest = (row[0] for row in self._asked_together(asked))
        upto = min(one for one in (reached, floor) if one is not None)
        if newest <= upto:
            return int(newest)
        row = self.execute(f"{_NEWEST} WHERE rowid <= ?", (upto,)).fetchone()
        return int(row[0]) if row else 0

    def is_taken(self, case_id: str) -> bool:
        """Return whether a case or layout has an ID, one that this role does not see too."""
        row = self.execute("SELECT id_is_taken(?)", (case_id,)).fetchone()
        return bool(row and row[0])

    def found(self, words: Sequence[str]) -> list[str]:
        """Return the IDs of the cases that hold all words, the most relevant first by FTS5's BM25, alike ones by ID."""
        parted = [terms for terms in map(terms_of, words) if terms]
        if not parted:
            return []
        terms = [term for some in parted for term in some]
        whole, *each = self._asked_together(
            [(_ALL_WORDS, ()), *((_HOLDING, (all_of((term,)),)) for term in terms)]
        )
        count, length = map(int, whole)
        weights = [
            (term, rareness(count, int(holding))) for term, (holding,) in zip(terms, each, strict=True)
        ]
        # Of each case how often it holds these terms, and no others: it has hundreds.
        times = "SELECT jsonb_object_agg(term, times -> term) FROM unnest(CAST(? AS text[])) AS term"
        rows = self.execute(
            f"SELECT case_id, words, ({times}) FROM case_words WHERE terms @@ CAST(? AS tsquery)",
            (terms, all_of(terms)),
        )
        scored = [(-relevance(weights, held, size * count / length), case_id) for case_id, size, held in rows]
        return [case_id for _, case_id in sorted(scored)]

    def holding(self, words: Sequence[str]) -> list[int]:
        """Return of each word how many cases hold it."""
        told = [terms_of(word) for word in words]
        held = iter(self._asked_together([(_HOLDING, (all_of(terms),)) for terms in told if terms]))
        return [int(next(held)[0]) if terms else 0 for terms in told]

    def make_words_again(self) -> None:
        """Do nothing: each row of the full text goes and comes with its case."""

    def faults(self) -> Iterator[str]:
        """Yield nothing: whether its files are whole is what PostgreSQL's own programs check."""
        yield from ()

    def faults_of_words(self) -> Iterator[str]:
        """Yield whether the full text is out of step with the cases."""
        kept = {row["case_id"]: row for row in self.query("SELECT case_id, times, words FROM case_words")}
        made = {
            row["case_id"]: dict(row)
            for row in words_of(
                list(self.query("SELECT * FROM cases WHERE id IN (SELECT case_id FROM records)"))
            )
        }
        for row in made.values():
            row.pop("terms")
        if kept != made:
            yield "the full-text index is not in step with the cases: run casebase rebuild"

    def size_in_bytes(self) -> int:
        """Return the bytes that the database takes, attached files left out."""
        sizes = "SELECT pg_database_size(current_database()) - pg_total_relation_size('attached_files')"
        row = self.execute(sizes).fetchone()
        return int(row[0]) if row else 0

    def schema_step(self) -> str:
        """Return the name of the last step of the schema that was applied."""
        row = self.execute(
            f"SELECT name FROM {STEPS_TABLE} ORDER BY applied_at DESC, name DESC LIMIT 1"
        ).fetchone()
        return str(row[0]) if row else ""

    def in_flight(self) -> dict[str, float | None]:
        """Return every write transaction in flight, and its age in seconds where this role may see that."""
        return dict(self.execute(_IN_FLIGHT).fetchall())

    def _asked_together(self, asked: Sequence[tuple[str, tuple[Any, ...]]]) -> list[tuple[Any, ...]]:
        """Return the one row of each statement; all go in one journey, each sees what is there when its turn comes."""
        with self._lent() as connection, connection.pipeline():
            found = [connection.execute(_in_postgresql(sql), parameters) for sql, parameters in asked]
            return [row for row in (one.fetchone() for one in found) if row]

    @contextmanager
    def _lent(self) -> Iterator[Connection]:
        """Lend this thread a connection: that of the transaction it is in, which is never another one."""
        held: Connection | None = getattr(self._own, "connection", None)
        with nullcontext(held) if held is not None else self._connections.lent() as connection:
            yield connection

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """Begin a transaction of this thread, or a part of the one it is in; whole, or undone."""
        before: Connection | None = getattr(self._own, "connection", None)
        with self._lent() as connection, connection.transaction():
            self._own.connection = connection
            try:
                yield connection
            finally:
                self._own.connection = before


_ALL_WORDS: Final = "SELECT count(*), coalesce(sum(words), 0) FROM case_words"
_HOLDING: Final = "SELECT count(*) FROM case_words WHERE terms @@ CAST(? AS tsquery)"
_REACHED: Final = "SELECT last_value FROM records_rowid_seq"
_NEWEST: Final = "SELECT coalesce(max(rowid), 0) FROM records"
_LOWEST_FLOOR: Final = f"""
    SELECT min(((classid::bigint << 32) | objid::bigint) - {_FLOOR_LOCK}) FROM pg_locks
    WHERE locktype = 'advisory' AND objsubid = 1 AND granted AND classid::bigint >> 16 = {_FLOOR_LOCK >> 48}
    AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
"""

_IN_FLIGHT: Final = f"""
    SELECT l.virtualtransaction, CAST(max(extract(epoch FROM clock_timestamp() - a.xact_start)) AS double precision)
    FROM pg_locks l LEFT JOIN pg_stat_activity a ON a.pid = l.pid
    WHERE l.locktype = 'advisory' AND l.granted AND l.pid <> pg_backend_pid()
    AND ((l.objsubid = 1 AND l.classid::bigint >> 16 = {_FLOOR_LOCK >> 48})
        OR (l.classid::bigint << 32 | l.objid::bigint) = {LIBRARY_LOCK})
    AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())
    GROUP BY l.virtualtransaction
"""
"""PostgreSQL shows when another role's transaction began to members of `pg_read_all_stats` alone."""

_PARTS: Final = re.compile(r"('[^']*')|(%)|(\?)|(?<![:\w]):([a-z_]\w*)")


@lru_cache(maxsize=512)
def _in_postgresql(statement: str) -> LiteralString:
    """Return a statement with its parameters in psycopg's form."""

    def put(found: re.Match[str]) -> str:
        quoted, percent, place, name = found.groups()
        if quoted or percent:
            return (quoted or percent).replace("%", "%%")
        return "%s" if place else f"%({name})s"

    return _PARTS.sub(put, statement)


def _insert(connection: Connection, table: str, rows: list[Mapping[str, Any]]) -> None:
    """Insert rows that have the same columns, all in one statement: a record has some sixty of them."""
    columns = sql.SQL(", ").join(map(sql.Identifier, rows[0]))
    statement = sql.SQL(
        "INSERT INTO {0} ({1}) SELECT {1} FROM jsonb_populate_recordset(NULL::{0}, %s)"
    ).format(sql.Identifier(table), columns)
    connection.execute(statement, (Jsonb(rows),))

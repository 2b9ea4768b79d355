"""Whether this casebase knows the tables of a hub, and what PostgreSQL says in one sentence."""

from __future__ import annotations

import logging
import re
from typing import Any, Final

import psycopg
from psycopg import errors

from casebase.errors import LibraryError
from casebase.library.engine import HubAddress
from casebase.library.hub_schema import STEPS_TABLE, known_steps, statements_of

BUSY_SECONDS: Final = 60
"""How long one waits for another that is writing, as with a file."""

LIBRARY_LOCK: Final = 0x43425345 << 16
"""The advisory lock that writers share, or hold alone."""

_AWAY: Final = "nothing is lost: go on with a file (casebase log --library shop.db), and try again later"

_CONNECTING: Final = {
    "password authentication failed": "the password does not fit: ask the hub's operator, or put it into ~/.pgpass",
    "no password supplied": "a password is asked for: put it into ~/.pgpass",
    "no pg_hba.conf entry": "this machine is not let in: ask the hub's operator",
    "authentication failed": "you are not let in under this name: ask the hub's operator",
    "too many clients": f"too many are connected just now; {_AWAY}",
    "remaining connection slots": f"too many are connected just now; {_AWAY}",
    "permission denied for database": "your role may not use this database: ask the hub's operator",
}
"""What to do about what PostgreSQL says to somebody who calls; see its `src/backend/libpq/auth.c` and `postinit.c`."""

_SENTENCES: Final[dict[type[psycopg.Error], str]] = {
    errors.InsufficientPrivilege: "your role on this hub may not do that (a shop keeps to its own cases): ask its"
    " lead or operator",
    errors.UndefinedTable: "no casebase library there: its operator makes one with casebase init",
    errors.LockNotAvailable: f"another process has been writing for {BUSY_SECONDS} s: try again when it is done",
    errors.ReadOnlySqlTransaction: "this one is only read from: name the hub's own address to write",
    errors.DiskFull: "the hub's disk is full: nothing of this was kept: tell its operator",
    errors.QueryCanceled: "the hub gave up on this after its time limit: nothing of this was kept: try again",
}

# What it would print of a lost connection is told in one sentence.
logging.getLogger("psycopg").addHandler(logging.NullHandler())


def bring_up_to_date(connection: psycopg.Connection[tuple[Any, ...]], address: HubAddress) -> None:
    """Apply the steps that a database lacks, all or none; raise `LibraryError` for one that is not fit for it."""
    _refuse_other_letters(connection, address)
    with connection.transaction():
        connection.execute(f"SELECT pg_advisory_xact_lock({LIBRARY_LOCK})")
        applied = _applied(connection)
        tables = connection.execute(
            "SELECT count(*) FROM pg_class WHERE relnamespace = current_schema()::regnamespace AND relkind = 'r'"
        ).fetchone()
        if not applied and tables and tables[0]:
            raise LibraryError(
                f"{address}: a database of another program, not a casebase library: make one of its own with createdb"
            )
        _refuse_newer(applied, address)
        connection.execute(
            f"CREATE TABLE IF NOT EXISTS {STEPS_TABLE}"
            " (name text PRIMARY KEY, applied_at timestamptz NOT NULL DEFAULT now())"
        )
        for step in known_steps():
            if step not in applied:
                connection.execute(statements_of(step))
                connection.execute(f"INSERT INTO {STEPS_TABLE} (name) VALUES (%s)", (step,))


def refuse_other_steps(connection: psycopg.Connection[tuple[Any, ...]], address: HubAddress) -> None:
    """Raise `LibraryError` where a database is none of casebase's, or of a newer or older one."""
    applied = _applied(connection)
    if not applied:
        raise LibraryError(f"{address}: no casebase library there: its operator makes one with casebase init")
    _refuse_newer(applied, address)
    lacking = [step for step in known_steps() if step not in applied]
    if lacking:
        raise LibraryError(
            f"{address}: made by an older casebase (it lacks schema step {lacking[0]}): let its operator run casebase"
            " init with this one"
        )


def _refuse_newer(applied: list[str], address: HubAddress) -> None:
    known = known_steps()
    newer = [step for step in applied if step not in known]
    if newer:
        raise LibraryError(
            f"{address}: made by a newer casebase (schema step {newer[-1]}; this one knows up to {known[-1]}):"
            " update casebase"
        )


def _refuse_other_letters(connection: psycopg.Connection[tuple[Any, ...]], address: HubAddress) -> None:
    """Raise `LibraryError` where a database would put words into another order than a file does."""
    told = connection.execute(
        "SELECT datcollate, datctype, pg_encoding_to_char(encoding) FROM pg_database"
        " WHERE datname = current_database()"
    ).fetchone()
    if told != ("C", "C", "UTF8"):
        raise LibraryError(
            f"{address}: its letters are in the order of {told and told[0]}, and a library's in that of their code"
            " points: make it with createdb --template template0 --encoding UTF8 --locale C"
        )


def _applied(connection: psycopg.Connection[tuple[Any, ...]]) -> list[str]:
    there = connection.execute("SELECT to_regclass(%s)", (STEPS_TABLE,)).fetchone()
    if there is None or there[0] is None:
        return []
    return [
        name for (name,) in connection.execute(f"SELECT name FROM {STEPS_TABLE} ORDER BY applied_at, name")
    ]


def sentence_of(error: psycopg.Error) -> str:
    """Return what PostgreSQL says as one sentence that says what to do."""
    said = " ".join(str(error).split())
    told = next((sentence for kind, sentence in _SENTENCES.items() if isinstance(error, kind)), None)
    if told is not None:
        return told
    if not isinstance(error, psycopg.OperationalError):
        return f"the hub cannot be used ({said}): tell its operator"
    for words, sentence in _CONNECTING.items():
        if words in said:
            return sentence
    if re.search(r'(database|role) "[^"]*" does not exist', said):
        return f"{said[said.index('FATAL') + 6 :].strip()}: check the address, or ask the hub's operator"
    if any(
        words in said
        for words in ("connection to server", "could not translate", "timeout expired", "failed to resolve")
    ):
        return f"the hub does not answer ({said[:120]}); {_AWAY}"
    return (
        f"the hub went away before it confirmed this ({said[:80]}): try again when it is back: what it had kept already"
        " is found to be there"
    )

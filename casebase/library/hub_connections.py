"""The connections of a process to a hub: one that is made again when it was lost, or several that threads share.

A connection that ends without a word, as where a cable is pulled, is told by the system within half a minute.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any, Final, Protocol, TypeAlias

import psycopg
from psycopg.conninfo import conninfo_to_dict
from psycopg_pool import ConnectionPool, PoolTimeout

from casebase.errors import LibraryError
from casebase.library.engine import HubAddress
from casebase.library.hub_opening import BUSY_SECONDS, refuse_other_steps

Connection: TypeAlias = psycopg.Connection[tuple[Any, ...]]

_GONE_TOLD: Final = {
    "connect_timeout": 10,  # seconds that a machine has to answer when it is called
    "tcp_user_timeout": 25_000,  # milliseconds after which what was sent and nobody received ends the connection
    "keepalives": 1,
    "keepalives_idle": 10,  # seconds of silence after which it is asked whether anybody is there
    "keepalives_interval": 5,
    "keepalives_count": 3,
}
"""What ends a connection to a machine that is gone after 25 s (judged); what an address says itself goes before it."""

_STARTS_WITHIN_SECONDS: Final = 15.0
"""How long a database that says it is starting is waited for."""

_TURN_SECONDS: Final = 5.0
"""How long a thread waits for a connection that others have, or that is made again (judged)."""

_MADE_AGAIN_SECONDS: Final = 3.0
"""How long the pool itself tries to reach a server again; whoever asks after that has it tried anew (judged)."""


class Connections(Protocol):
    """What lends connections."""

    def lent(self) -> Any:
        """Lend a connection, as a context; raise `psycopg.OperationalError` or `LibraryError` where there is none."""

    def close(self) -> None:
        """Close them all."""


class OneConnection:
    """One connection for one thread."""

    def __init__(self, address: HubAddress, connection: Connection) -> None:
        self._address, self._connection = address, connection

    @contextmanager
    def lent(self) -> Iterator[Connection]:
        """Lend it, made again where it was lost."""
        if self._connection.closed:
            self._connection = connected(self._address)
            refuse_other_steps(self._connection, self._address)
        yield self._connection

    def close(self) -> None:
        """Close it."""
        self._connection.close()


class SharedConnections:
    """At most so many connections, each lent to one thread at a time and looked at before."""

    def __init__(self, address: HubAddress, most: int) -> None:
        self._address, self._most = address, most
        self._pool: ConnectionPool[Connection] = ConnectionPool(
            address.text,
            kwargs={"autocommit": True, **_told_besides(address)},
            configure=self._ready,
            check=ConnectionPool.check_connection,
            min_size=0,
            max_size=most,
            timeout=_TURN_SECONDS,
            reconnect_timeout=_MADE_AGAIN_SECONDS,
            open=True,
        )

    @contextmanager
    def lent(self) -> Iterator[Connection]:
        """Lend one; raise `LibraryError` where none gets free, or why the hub does not answer."""
        try:
            connection = self._pool.getconn()
        except PoolTimeout:
            with closing(connected(self._address)) as one:  # says what is the matter, where anything is
                self._ready(one)
            raise LibraryError(
                f"{self._address}: {self._most} are asking at once, and none was done in {_TURN_SECONDS:.0f} s:"
                " try again"
            ) from None
        try:
            yield connection
        finally:
            self._pool.putconn(connection)

    def close(self) -> None:
        """Close them all."""
        self._pool.close()

    def _ready(self, connection: Connection) -> None:
        _wait_as_long_as_with_a_file(connection)
        refuse_other_steps(connection, self._address)


def connected(address: HubAddress) -> Connection:
    """Return a connection; a database that says it is starting is waited for."""
    until = time.monotonic() + _STARTS_WITHIN_SECONDS
    while True:
        try:
            made = psycopg.connect(address.text, autocommit=True, **_told_besides(address))
            _wait_as_long_as_with_a_file(made)
            return made
        except psycopg.OperationalError as error:
            is_starting = "starting up" in str(error) or "in recovery mode" in str(error)
            if not is_starting or time.monotonic() > until:
                raise
        time.sleep(0.2)


def _wait_as_long_as_with_a_file(connection: Connection) -> None:
    connection.execute(f"SET lock_timeout = '{BUSY_SECONDS}s'")


def _told_besides(address: HubAddress) -> dict[str, Any]:
    """Return what libpq is told beside an address: nothing that stands there already."""
    return {name: value for name, value in _GONE_TOLD.items() if name not in conninfo_to_dict(address.text)}

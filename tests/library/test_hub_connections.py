"""The connections to a hub: several threads over a few of them, a server started again, a machine that is gone.

What the system does with a connection is read from the system itself (socket options of Linux, tcp(7)).
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import psycopg
import pytest

from casebase.errors import LibraryError
from casebase.library import hub_connections
from casebase.library.engine import HubAddress
from casebase.library.hub_connections import connected
from casebase.library.hub_opening import sentence_of
from casebase.library.store import Library, Outcome
from casebase.record.case import Case
from tests.library.hub_server import HubServer, needs_postgresql, running_server

pytestmark = [needs_postgresql, pytest.mark.slow]

MakeCase = Callable[..., Case]


@pytest.fixture(scope="module")
def own_server() -> Iterator[HubServer]:
    """A server that may be stopped, reached over a port of this computer too."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with running_server(port=port) as server:
        yield server


def connections_beside(watching: psycopg.Connection[Any]) -> int:
    """Return how many other clients have a connection to a database; its own workers (autovacuum) are none."""
    counted = (
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
        " AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
    )
    row = watching.execute(counted).fetchone()
    return int(row[0]) if row else 0


def test_sixty_four_ask_over_four_connections(hub: HubAddress, make_case: MakeCase) -> None:
    """Each gets its answer, and no more than four connections are ever there."""
    most, done = [0], threading.Event()

    def watch() -> None:  # over one connection: one that was just closed is told for a while yet
        with psycopg.connect(hub.text, autocommit=True) as watching:
            while not done.is_set():
                most[0] = max(most[0], connections_beside(watching))
                time.sleep(0.02)

    with Library.open(hub, pool=4) as library:
        ids = [library.log([make_case(concern=f"Job {number}.")])[0].case_id for number in range(8)]
        watcher = threading.Thread(target=watch)
        watcher.start()
        with ThreadPoolExecutor(64) as many:
            told = list(many.map(lambda number: library.get(ids[number % 8]).case_id, range(256)))
        done.set()
        watcher.join()
    assert told == [ids[number % 8] for number in range(256)]
    assert 1 <= most[0] <= 4


def test_threads_write_side_by_side_each_in_a_transaction_of_its_own(
    hub: HubAddress, make_case: MakeCase
) -> None:
    """What one does is not in another's transaction: one that fails takes nothing of the others along."""
    with Library.open(hub, pool=4) as library:

        def log(number: int) -> bool:
            case = make_case(concern=f"Told by thread {number}.")
            if number % 4:
                return library.log([case])[0].outcome is Outcome.NEW
            with suppress(KeyboardInterrupt), library.changing(alone=False) as db:
                library._insert(f"0000000{number}", 1, "0" * 64, "{}", "2026-11-30T10:00:00+00:00")
                assert db.execute("SELECT 1 FROM records WHERE revision = 1").fetchone()
                raise KeyboardInterrupt  # stopped in mid-transaction
            return False

        with ThreadPoolExecutor(16) as many:
            assert sum(many.map(log, range(32))) == 24
        assert library.count() == 24
        with library.reading() as db:
            assert db.execute("SELECT count(*) FROM records").fetchone()[0] == 24
        assert library.faults() == []


def test_a_server_started_again_between_two_requests_is_not_noticed(
    own_server: HubServer, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All four connections are dead, and nobody gets one of them."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with Library.open(own_server.new_hub(), pool=4) as library, ThreadPoolExecutor(8) as many:
        library.log([make_case()])
        for mode in ("fast", "immediate"):
            assert list(many.map(lambda _: library.count(), range(64))) == [1] * 64
            own_server.stop(mode)
            own_server.start()
            assert list(many.map(lambda _: library.count(), range(64))) == [1] * 64


def test_a_server_that_is_away_is_told_and_found_again(
    own_server: HubServer, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the sentence of one connection, within seconds."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(hub_connections, "_TURN_SECONDS", 0.5)
    with Library.open(own_server.new_hub(), pool=2) as library:
        library.log([make_case()])
        own_server.stop("immediate")
        for _ in range(2):
            with pytest.raises(LibraryError, match=r"the hub does not answer .* go on with a file"):
                library.count()
        own_server.start()
        until = time.monotonic() + 30
        while True:
            try:
                assert library.count() == 1
                break
            except LibraryError:
                assert time.monotonic() < until
        assert library.log([make_case(concern="Since.")])[0].outcome is Outcome.NEW


def test_who_gets_no_turn_is_told(hub: HubAddress, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where every connection is in use for longer than anybody waits."""
    monkeypatch.setattr(hub_connections, "_TURN_SECONDS", 0.3)
    with Library.open(hub, pool=1) as library, library.changing(), ThreadPoolExecutor(1) as other:
        told = "1 are asking at once, and none was done in 0 s: try again"
        with pytest.raises(LibraryError, match=told):
            other.submit(library.count).result()


def test_a_new_connection_to_a_hub_that_is_newer_by_now_is_refused(
    own_server: HubServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that ran on while its hub was brought up to date must not write into tables it does not know."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(hub_connections, "_TURN_SECONDS", 0.5)
    address = own_server.new_hub()
    for pool in (0, 2):
        with Library.open(address, pool=pool) as library:
            with psycopg.connect(address.text) as connection:
                connection.execute("INSERT INTO casebase_steps (name) VALUES ('9999_later')")
            own_server.stop()
            own_server.start()
            for _ in range(2 - bool(pool)):  # one connection is found to be lost by the first who uses it
                with pytest.raises(LibraryError) as told:
                    library.count()
            assert "made by a newer casebase" in str(told.value)
        with psycopg.connect(address.text) as connection:
            connection.execute("DELETE FROM casebase_steps WHERE name = '9999_later'")


def test_a_machine_that_is_gone_is_told_by_the_system(own_server: HubServer) -> None:
    """Half a minute: 10 s of silence, then three questions 5 s apart; what was sent waits 25 s for its receipt."""
    database = own_server.new_database()
    by_port = own_server.by_port(database)
    with connected(by_port) as connection, socket.socket(fileno=_copy_of(connection)) as line:
        assert line.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        told = (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT, socket.TCP_USER_TIMEOUT)
        idle, interval, times, unreceived = (line.getsockopt(socket.IPPROTO_TCP, one) for one in told)
    assert idle + interval * times <= 30
    assert unreceived <= 30_000
    own = HubAddress(f"{by_port.text}?keepalives_idle=77")
    with connected(own) as connection, socket.socket(fileno=_copy_of(connection)) as line:
        assert line.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) == 77


def test_a_line_that_broke_while_something_was_asked_is_told_as_such() -> None:
    """What was being kept may be there or not: nobody is told that the hub was never reached."""
    said = "consuming input failed: could not receive data from server: Connection timed out"
    told = sentence_of(psycopg.OperationalError(said))
    assert told.startswith("the hub went away before it confirmed this")


def _copy_of(connection: psycopg.Connection[tuple[object, ...]]) -> int:
    return socket.dup(connection.fileno())

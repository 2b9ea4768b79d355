"""A real PostgreSQL server for tests, on a socket in a temporary folder, and databases in it."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest

from casebase.library.engine import HubAddress
from casebase.library.store import Library

CLUSTER_PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
"""Debian's places of the server's own programs, the newest last."""

needs_postgresql = pytest.mark.skipif(
    not CLUSTER_PROGRAMS and os.environ.get("CI") != "true",
    reason="Debian's package postgresql is not installed",
)
"""A test that needs the server is left out where it is not installed, and fails then in continuous integration."""

EMPTY = "empty_hub"
"""A database with an empty library in it, which others are copied from."""


class HubServer:
    """A running server: databases in it, and its life."""

    def __init__(self, folder: Path, settings: str, port: int | None = None) -> None:
        self.folder, self._data, self._settings, self._port = folder, folder / "data", settings, port
        self._numbers = count(1)

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs as its own user: it refuses to run as root."""
        as_user = (
            ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if os.geteuid() == 0 else []
        )
        path = CLUSTER_PROGRAMS[-1] / program
        subprocess.run([*as_user, path, *arguments], check=True, stdout=subprocess.DEVNULL, cwd=self.folder)

    def start(self) -> None:
        """Start it, and wait until it answers."""
        reached = (
            "listen_addresses=''" if self._port is None else f"listen_addresses=127.0.0.1 -p {self._port}"
        )
        options = f"-k {self.folder} -c {reached} {self._settings}"
        log = str(self.folder / "log")
        self.run("pg_ctl", "-D", str(self._data), "-l", log, "-w", "-t", "60", "-o", options, "start")

    def stop(self, mode: str = "fast") -> None:
        """Stop it; in mode `immediate` as a power cut would."""
        self.run("pg_ctl", "-D", str(self._data), "-w", "-m", mode, "stop")

    def make(self) -> None:
        """Make the cluster."""
        self.run(
            "initdb",
            "-D",
            str(self._data),
            "-U",
            "postgres",
            "--auth=trust",
            "-E",
            "UTF8",
            "--locale=C",
            "-N",
        )

    def address(self, database: str, role: str = "postgres") -> HubAddress:
        """Return the address of a database for a role."""
        port = "" if self._port is None else f"&port={self._port}"
        return HubAddress(f"postgresql://{role}@/{database}?host={self.folder}{port}")

    def by_port(self, database: str) -> HubAddress:
        """Return the address of a database over a port of this computer, where the server has one."""
        return HubAddress(f"postgresql://postgres@127.0.0.1:{self._port}/{database}")

    def new_database(self, copy_of: str = "template0") -> str:
        """Make a database and return its name."""
        name = f"hub_{next(self._numbers)}"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {copy_of} ENCODING UTF8 LOCALE 'C'")
        return name

    def new_hub(self) -> HubAddress:
        """Make a database with an empty library in it."""
        return self.address(self.new_database(EMPTY))

    def empty_again(self, address: HubAddress) -> None:
        """Take out of a hub all that tests put there: faster than another database."""
        with psycopg.connect(address.text) as connection:
            tables = connection.execute(
                "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r'"
                " AND relname NOT IN ('casebase_steps', 'case_words')"
            ).fetchall()
            kept = "WHERE name NOT IN ('library id', 'derived version')"
            for (table,) in tables:
                connection.execute(f'DELETE FROM "{table}" {kept if table == "facts" else ""}')
            connection.execute(f"UPDATE facts SET value = '{uuid4().hex}' WHERE name = 'library id'")
            connection.execute("SELECT setval('records_rowid_seq', 1, false)")

    def execute(self, statement: str, database: str = "postgres") -> None:
        """Run a statement as the server's owner."""
        with psycopg.connect(self.address(database).text, autocommit=True) as connection:
            connection.execute(statement)


@contextmanager
def running_server(
    settings: str = "-c fsync=off -c full_page_writes=off", port: int | None = None
) -> Iterator[HubServer]:
    """Yield a server of its own, stopped and gone afterwards; nothing survives a power cut by the usual settings."""
    folder = Path(tempfile.mkdtemp(prefix="casebase-hub-"))
    if os.geteuid() == 0:
        shutil.chown(folder, *(pwd.getpwnam("postgres")[2:4]))
    server = HubServer(folder, f"-c max_connections=120 -c shared_buffers=64MB {settings}", port)
    try:
        server.make()
        server.start()
        server.execute(f"CREATE DATABASE {EMPTY} TEMPLATE template0 ENCODING UTF8 LOCALE 'C'")
        Library.create(server.address(EMPTY)).close()
        yield server
    finally:
        server.stop("immediate")
        shutil.rmtree(folder, ignore_errors=True)

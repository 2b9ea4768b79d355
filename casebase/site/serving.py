"""Serving a frozen file: Datasette set up for a shop's network, answered by uvicorn."""

from __future__ import annotations

import hashlib
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import uvicorn
from datasette.app import Datasette
from datasette.plugins import pm

import casebase.site
from casebase.publish.edition import open_frozen

SETTINGS: Final[dict[str, Any]] = {
    "sql_time_limit_ms": 500,
    "max_returned_rows": 1000,
    "facet_time_limit_ms": 200,
    "suggest_facets": False,
    "allow_csv_stream": False,
    "default_cache_ttl": 60,
    "truncate_cells_html": 400,
}
"""Whoever asks Datasette's own pages gets what half a second finds, and no more than a thousand rows."""

LONGEST_REQUEST_BYTES: Final = 4 << 20
"""Above it the connection ends; below, what is too long for a link gets a page that says so."""

_MADE_FOR_MACHINES: Final = ("records", "profiles", "facts", "match_index")


def site_over(path: Path) -> Datasette:
    """Return a Datasette that shows a frozen file, closed to writing; raise `EditionError` where it is none."""
    connection = open_frozen(path)
    facts = dict(connection.execute("SELECT name, value FROM facts"))
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    counts = {
        name: {"count": connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]} for name in tables
    }
    connection.close()
    if not pm.is_registered(casebase.site):  # not installed, only on the path
        pm.register(casebase.site, name="casebase")
    return Datasette(
        [],
        immutables=[str(path)],
        settings=SETTINGS,
        metadata=_metadata(path.stem, facts),
        inspect_data={path.stem: {"hash": _sha256(path), "size": path.stat().st_size, "tables": counts}},
    )


def server_over(path: Path, host: str, port: int) -> uvicorn.Server:
    """Return a server of the site, not started yet."""
    return uvicorn.Server(
        uvicorn.Config(
            site_over(path).app(),
            host=host,
            port=port,
            http="h11",
            h11_max_incomplete_event_size=LONGEST_REQUEST_BYTES,
            log_level="warning",
            server_header=False,
            lifespan="on",
        )
    )


def serve(path: Path, host: str, port: int) -> None:
    """Answer until stopped; raise `OSError` where the address cannot be had."""
    with _listening(host, port) as listening:
        server_over(path, host, port).run(sockets=[listening])


def _listening(host: str, port: int) -> socket.socket:
    # The protocol has to be named: only then does asyncio send small answers without waiting (TCP_NODELAY).
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError:
        listening.close()
        raise
    return listening


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _metadata(name: str, facts: Mapping[str, str]) -> dict[str, Any]:
    hidden = {table: {"hidden": True} for table in _MADE_FOR_MACHINES}
    told = {"title": facts.get("name"), "license": facts.get("licence"), "source": facts.get("cases from")}
    return {**{key: value for key, value in told.items() if value}, "databases": {name: {"tables": hidden}}}

"""Serving a frozen file: Datasette set up for a shop's network, answered by uvicorn."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import uvicorn
from datasette.app import Datasette
from datasette.plugins import pm

import casebase.site
from casebase.errors import CasebaseError
from casebase.library.news import News
from casebase.publish.edition import Edition, edition_to_serve, open_frozen
from casebase.site.connections import BoundedProtocol, Hosts
from casebase.site.plugin import hidden_tables, inspected
from casebase.site.state import site_of

SETTINGS: Final[dict[str, Any]] = {
    "default_allow_sql": False,
    "sql_time_limit_ms": 500,
    "max_returned_rows": 1000,
    "facet_time_limit_ms": 200,
    "suggest_facets": False,
    "allow_csv_stream": False,
    "default_cache_ttl": 60,
    "truncate_cells_html": 400,
}
"""Whoever asks Datasette's own pages gets what half a second finds, and no more than a thousand rows.

No SQL of a reader's own: one call of a function can take gigabytes before any limit of time is looked at.
"""

LONGEST_REQUEST_BYTES: Final = 4 << 20
"""Above it the connection ends; below, what is too long for a link gets a page that says so."""


def site_over(place: Path, news: Sequence[News] = (), hosts: Hosts | None = None) -> Datasette:
    """Return a Datasette that shows a frozen file, or the edition that a folder shows, closed to writing.

    Only requests for `hosts` are answered; None stands for any. `news` is shown on the first page beside what a file
    holds; beside editions nothing is.
    Raises `EditionError` where there is none.
    """
    path, note = edition_to_serve(place) if place.is_dir() else (place, "")
    about = inspected(path)
    if not pm.is_registered(casebase.site):  # not installed, only on the path
        pm.register(casebase.site, name="casebase")
    site = Datasette(
        [],
        immutables=[str(path)],
        settings=SETTINGS,
        metadata=_metadata(path),
        inspect_data=about,
    )
    site.casebase_folder = place if place.is_dir() else None
    site.casebase_hosts = hosts
    opened = site_of(site)
    if opened is not None:
        opened.note = note
    site.casebase_news = () if place.is_dir() else tuple(news)
    return site


def server_over(
    place: Path, host: str, port: int, news: Sequence[News] = (), names: Sequence[str] = ()
) -> uvicorn.Server:
    """Return a server of the site, not started yet; `names` are those it answers to beside this machine's own."""
    return uvicorn.Server(
        uvicorn.Config(
            site_over(place, news, Hosts(host, names)).app(),
            host=host,
            port=port,
            http=BoundedProtocol,
            ws="none",
            h11_max_incomplete_event_size=LONGEST_REQUEST_BYTES,
            log_level="warning",
            server_header=False,
            lifespan="on",
        )
    )


def address_taken(host: str, port: int) -> socket.socket:
    """Return a socket bound to an address, to be handed to the server; raise `CasebaseError` where it cannot be had."""
    # The protocol has to be named: only then does asyncio send small answers without waiting (TCP_NODELAY).
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        raise CasebaseError(
            f"{host}:{port}: cannot be answered on ({error.strerror}): name another --port"
        ) from None
    return bound


def _metadata(path: Path) -> dict[str, Any]:
    with closing(open_frozen(path)) as connection:
        facts = Edition(connection).facts()
    told = {"title": facts.get("name"), "license": facts.get("licence"), "source": facts.get("cases from")}
    return {"databases": hidden_tables(path), **{key: value for key, value in told.items() if value}}

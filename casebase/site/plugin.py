"""What the site does at each hook of Datasette; nothing where the file shown was not frozen by casebase."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any, Final

from casebase.publish.frozen import PIECE_BYTES
from casebase.site.following import following
from casebase.site.guard import guarded
from casebase.site.lists import linked_id
from casebase.site.respond import error_answer
from casebase.site.routes import ROUTES
from casebase.site.state import site_of

_MOST_OF_A_VALUE: Final = {
    sqlite3.SQLITE_LIMIT_LENGTH: PIECE_BYTES + 1_000_000,
    sqlite3.SQLITE_LIMIT_LIKE_PATTERN_LENGTH: 200,
}
"""Bytes of a value or row, a piece of the match index being the largest; of a pattern, whose time is a product."""


def register_routes(datasette: Any) -> list[tuple[str, Callable[..., Any]]]:
    """Give the pages of the site."""
    return ROUTES if site_of(datasette) else []


def asgi_wrapper(datasette: Any) -> Callable[[Any], Any]:
    """Refuse what only writing needs, and send the headers that a browser guards readers by."""
    if site_of(datasette) is None:
        return lambda app: app
    folder = getattr(datasette, "casebase_folder", None)
    hosts = getattr(datasette, "casebase_hosts", None)
    return lambda app: guarded(app if folder is None else following(app, datasette, folder), hosts)


def prepare_connection(conn: sqlite3.Connection, datasette: Any) -> None:
    """Hold what Datasette's own pages ask of SQLite to values of an ordinary size."""
    if site_of(datasette) is None:
        return
    for limit, most in _MOST_OF_A_VALUE.items():
        conn.setlimit(limit, most)


def startup(datasette: Any) -> Callable[[], Any] | None:
    """Load the index and the text model once, before the first page."""
    site = site_of(datasette)
    return site.load if site else None


def handle_exception(datasette: Any, request: Any, exception: Exception) -> Callable[[], Any] | None:
    """Answer with a page that says what to do."""
    return error_answer(datasette, request, exception) if site_of(datasette) else None


def menu_links(datasette: Any) -> list[dict[str, str]]:
    """Lead from Datasette's own pages back to the cases."""
    return [{"href": datasette.urls.path("/"), "label": "The cases"}] if site_of(datasette) else []


def render_cell(value: Any, column: str, table: str | None, datasette: Any) -> Any:
    """Lead from the ID of a case in Datasette's own tables to its page."""
    names_a_case = column == "case_id" or (table, column) == ("cases", "id")
    return linked_id(value) if names_a_case and value and site_of(datasette) else None

"""The read-only site: a Datasette plugin with its own pages over a file of frozen records.

Datasette takes this package as the plugin: it finds `templates/` and `static/` here. Beside a file that
casebase did not freeze it does nothing at all; `plugin.py` holds what it does at each hook.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from types import ModuleType
from typing import Any

from pluggy import HookimplMarker

# Datasette's own marker, without Datasette: importing that looks for this package, and must find it whole.
hookimpl = HookimplMarker("datasette")


def _plugin() -> ModuleType:
    from casebase.site import plugin  # noqa: PLC0415  it imports Datasette, which looks for this package first

    return plugin


@hookimpl
def register_routes(datasette: Any) -> list[tuple[str, Callable[..., Any]]]:
    """Give the pages of the site, where there is a frozen file to show."""
    return _plugin().register_routes(datasette)  # type: ignore[no-any-return]


@hookimpl
def asgi_wrapper(datasette: Any) -> Callable[[Any], Any]:
    """Refuse what only writing needs, and send the headers that a browser guards readers by."""
    return _plugin().asgi_wrapper(datasette)  # type: ignore[no-any-return]


@hookimpl
def prepare_connection(conn: sqlite3.Connection, datasette: Any) -> None:
    """Hold what Datasette's own pages ask of SQLite to values of an ordinary size."""
    _plugin().prepare_connection(conn, datasette)


@hookimpl
def startup(datasette: Any) -> Callable[[], Any] | None:
    """Load the index and the text model once, before the first page."""
    return _plugin().startup(datasette)  # type: ignore[no-any-return]


@hookimpl(tryfirst=True)
def handle_exception(datasette: Any, request: Any, exception: Exception) -> Callable[[], Any] | None:
    """Answer with a page that says what to do."""
    return _plugin().handle_exception(datasette, request, exception)  # type: ignore[no-any-return]


@hookimpl
def menu_links(datasette: Any) -> list[dict[str, str]]:
    """Lead from Datasette's own pages back to the cases."""
    return _plugin().menu_links(datasette)  # type: ignore[no-any-return]


@hookimpl
def render_cell(value: Any, column: str, table: str | None, datasette: Any) -> Any:
    """Lead from the ID of a case in Datasette's own tables to its page."""
    return _plugin().render_cell(value, column, table, datasette)

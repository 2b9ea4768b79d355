"""What the site does at each hook of Datasette, and how it follows a folder of editions between two requests.

Nothing where the file shown was not frozen by casebase. Datasette is told of each file beforehand how many rows its
tables have, and which of them only machines read.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from datasette.database import Database

from casebase.errors import CasebaseError
from casebase.publish.edition import edition_to_serve, open_frozen, shown_path
from casebase.publish.frozen import PIECE_BYTES
from casebase.publish.public_fields import TABLE
from casebase.site.catalogue import rows_by_table
from casebase.site.guard import App, guarded
from casebase.site.lists import linked_id
from casebase.site.respond import error_answer
from casebase.site.routes import ROUTES
from casebase.site.state import OpenSite, site_of

_MADE_FOR_MACHINES: Final = ("records", "profiles", "facts", "match_index")
LOOK_EVERY_SECONDS: Final = 1.0

_LOG: Final = logging.getLogger("casebase.site")


def hidden_tables(path: Path) -> dict[str, Any]:
    """Return, as Datasette's metadata has it, which tables of a frozen file its pages need not list."""
    tables: dict[str, Any] = {table: {"hidden": True} for table in _MADE_FOR_MACHINES}
    # Page by page every picture there is would go out at once: each has an address of its own.
    tables[TABLE] = {"hidden": True, "allow": False}
    return {path.stem: {"tables": tables}}


def inspected(path: Path) -> dict[str, Any]:
    """Return hash, size and row counts of a frozen file, under the name that Datasette gives it."""
    with closing(open_frozen(path)) as connection:
        counts = {name: {"count": rows} for name, rows in rows_by_table(connection).items()}
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return {path.stem: {"hash": sha256, "size": path.stat().st_size, "tables": counts}}


def following(app: App, datasette: Any, folder: Path) -> App:
    """Return the application, looking at the folder with a request now and then; whoever asks is not kept waiting."""
    state = _Follower(datasette, folder)

    async def follow(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            state.look()
        await app(scope, receive, send)

    return follow


class _Follower:
    def __init__(self, datasette: Any, folder: Path) -> None:
        self._datasette, self._folder = datasette, folder
        self._looked_at = -LOOK_EVERY_SECONDS
        self._turning: asyncio.Task[None] | None = None
        self._seen: object = ()

    def look(self) -> None:
        """Begin to turn to the edition that is shown, unless that is done or under way."""
        now = time.monotonic()
        if now - self._looked_at < LOOK_EVERY_SECONDS or (self._turning and not self._turning.done()):
            return
        self._looked_at = now
        seen = _seen(self._folder)
        if seen != self._seen:
            is_first, self._seen = self._seen == (), seen
            self._turning = asyncio.create_task(self._turn(was_written=not is_first))

    async def _turn(self, *, was_written: bool) -> None:
        """Show what the folder shows by now; what is not as it was published is not shown, and said not to be."""
        before = site_of(self._datasette)
        try:
            path, note = await asyncio.to_thread(edition_to_serve, self._folder)
            if before is None or was_written or (before.path, before.note) != (path, note):
                await turn_to(self._datasette, path, before, note)
            if note:
                _LOG.warning("%s", note)
        except CasebaseError as error:
            _LOG.warning("%s", error)
        except Exception:  # the edition before goes on being shown
            _LOG.exception("%s: what is shown there cannot be", self._folder)


def _seen(folder: Path) -> object:
    """Return what changes when another edition is to be shown, or the file of the one shown was written to."""
    try:
        path = shown_path(folder)
        told = path.stat()
    except (CasebaseError, OSError):
        return None
    return path, told.st_ino, told.st_size, told.st_mtime_ns


async def turn_to(datasette: Any, path: Path, before: OpenSite | None, note: str = "") -> None:
    """Show another frozen file from now on; requests under way end with the one before."""
    site = OpenSite(path, path.stem, note)
    await site.load()
    datasette.inspect_data = {**(datasette.inspect_data or {}), **await site.read(lambda _: inspected(path))}
    getattr(datasette, "_metadata_local", {}).setdefault("databases", {}).update(hidden_tables(path))
    if before is not None:
        datasette.remove_database(before.name)
    datasette.add_database(Database(datasette, path=str(path), is_mutable=False), name=path.stem)
    datasette.casebase_open_site = site
    if before is not None:
        before.close()


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

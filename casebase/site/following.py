"""Following a folder of editions: when another one is to be shown, the site turns to it between two requests."""

from __future__ import annotations

import asyncio
import logging
import time
from pathlib import Path
from typing import Any, Final

from datasette.database import Database

from casebase.errors import CasebaseError
from casebase.publish.edition_folder import shown_path
from casebase.site.guard import App
from casebase.site.held import Held, held_by
from casebase.site.inspected import hidden_tables, inspected

LOOK_EVERY_SECONDS: Final = 1.0

_LOG: Final = logging.getLogger("casebase.site")


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

    def look(self) -> None:
        """Begin to turn to the edition that is shown, unless that is done or under way."""
        now = time.monotonic()
        if now - self._looked_at < LOOK_EVERY_SECONDS or (self._turning and not self._turning.done()):
            return
        self._looked_at = now
        try:
            shown = shown_path(self._folder)
        except CasebaseError as error:
            _LOG.warning("%s", error)
            return
        held = held_by(self._datasette)
        if held is None or held.path != shown:
            self._turning = asyncio.create_task(self._turn_to(shown, held))

    async def _turn_to(self, path: Path, before: Held | None) -> None:
        try:
            await turn_to(self._datasette, path, before)
        except Exception:  # the edition before goes on being shown
            _LOG.exception("%s cannot be shown", path)


async def turn_to(datasette: Any, path: Path, before: Held | None) -> None:
    """Show another frozen file from now on; requests under way end with the one before."""
    held = Held(path, path.stem)
    await held.load()
    datasette.inspect_data = {**(datasette.inspect_data or {}), **await held.read(lambda _: inspected(path))}
    getattr(datasette, "_metadata_local", {}).setdefault("databases", {}).update(hidden_tables(path))
    datasette.add_database(Database(datasette, path=str(path), is_mutable=False), name=path.stem)
    datasette.casebase_held = held
    if before is not None:
        datasette.remove_database(before.name)
        before.close()

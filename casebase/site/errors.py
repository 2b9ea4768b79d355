"""When a page cannot be shown: a page that says why and what to do, never a traceback."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Awaitable, Callable
from http import HTTPStatus
from typing import Any, Final

import datasette.handle_exception as datasette_errors
from datasette import NotFound, Response
from datasette.utils.asgi import BadRequest
from datasette.views.base import DatasetteError

from casebase.errors import CasebaseError
from casebase.site.held import held_by
from casebase.site.plain_page import plain_page
from casebase.site.respond import html_page

# With rich installed Datasette prints boxed tracebacks, local variables included, whenever a page is not found.
datasette_errors.rich = None

_LOG: Final = logging.getLogger("casebase.site")

_WORDS: Final = {
    404: "There is no such page. The case may have been taken out of this collection, or the link is cut short.",
    403: "This is not open for reading.",
    500: "Something went wrong here, and it is noted on the computer that serves these pages. Nothing of yours is lost:"
    " your link still holds the whole job. Go back, or ask the shop lead.",
}


class NotHereError(CasebaseError, NotFound):  # type: ignore[misc]
    """A page of something that the collection does not hold; the text says what to do instead."""


class NotUsableError(CasebaseError, BadRequest):  # type: ignore[misc]
    """What was asked for cannot be given as it was asked; the text says what to do."""


def error_answer(datasette: Any, request: Any, exception: Exception) -> Callable[[], Awaitable[Response]]:
    """Return what answers a request that ended in an exception."""

    async def answer() -> Response:
        status, words = _status_and_words(exception)
        if isinstance(exception, (sqlite3.Error, ValueError)) and _asks_for_tables(datasette, request):
            status, words = 400, f"These tables cannot be asked like that ({exception}): check the address."
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
            _LOG.error("%s failed", request.path, exc_info=exception)
        if request.path.partition("?")[0].endswith(".json"):
            return Response.json({"ok": False, "error": words, "status": status}, status=status)
        context = {"title": HTTPStatus(status).phrase, "words": words}
        try:
            return await html_page(datasette, request, "error", context, status)
        except Exception:  # whatever broke the page may break this one too
            _LOG.exception("the page that tells of an error failed")
            return Response.html(plain_page(HTTPStatus(status), words), status=status)

    return answer


def _asks_for_tables(datasette: Any, request: Any) -> bool:
    """Return whether a page of Datasette's own was asked for, whose SQL is made from the address."""
    held = held_by(datasette)
    return held is not None and str(request.path).startswith(datasette.urls.database(held.name))


def _status_and_words(exception: Exception) -> tuple[int, str]:
    if isinstance(exception, NotHereError):
        return 404, str(exception)
    if isinstance(exception, CasebaseError):
        return 400, str(exception)
    status = getattr(exception, "status", 500)
    if isinstance(exception, DatasetteError):
        # What Datasette refuses of its own tables is the asker's slip, even where it says 500 ("Cannot sort table").
        return (400 if status == HTTPStatus.INTERNAL_SERVER_ERROR else status), str(exception.message)
    said = str(exception.args[0]) if exception.args else ""
    return status, _WORDS.get(status) or said or HTTPStatus(status).phrase

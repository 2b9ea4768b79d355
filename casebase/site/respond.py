"""How an answer leaves the site: a page by a template, the same as JSON, a style sheet, or what could not be answered.

What cannot be shown gets a page that says why and what to do, never a traceback; where even that fails, or nothing
was made yet, a page of a few words that needs no template.
"""

from __future__ import annotations

import gzip
import hashlib
import logging
import sqlite3
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from http import HTTPStatus
from importlib.resources import files
from typing import Any, Final

import datasette.handle_exception as datasette_errors
from datasette import NotFound, Response
from datasette.utils.asgi import BadRequest
from datasette.views.base import DatasetteError
from jinja2 import Environment
from markupsafe import escape

from casebase.errors import CasebaseError
from casebase.site.state import BusyError, OpenSite, site_of

FOR_EVER: Final = "public, max-age=31536000, immutable"
_A_MINUTE: Final = {"cache-control": "private, max-age=60"}

UNNAMED: Final = "Network cases"

NAVIGATION: Final = (
    ("/job", "Stuck job"),
    ("/search", "Search"),
    ("/vehicles", "Vehicles"),
    ("/codes", "Codes"),
    ("/causes", "Causes"),
    ("/modules", "Modules"),
)

_TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}
_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><link rel="stylesheet" href="{style}"></head>
<body><main id="content"><h1>{title}</h1><p>{words}</p><p><a class="press" href="/">To the cases</a></p></main></body>
</html>
"""


@dataclass(frozen=True)
class Asset:
    """One file of `static/`."""

    content: str
    content_type: str
    digest: str


def _read() -> dict[str, Asset]:
    found = {}
    for path in sorted((files(__package__) / "static").iterdir(), key=lambda path: path.name):
        kind = _TYPES.get(f".{path.name.rpartition('.')[2]}")
        if kind:
            content = path.read_text(encoding="utf-8")
            found[path.name] = Asset(content, kind, hashlib.sha256(content.encode()).hexdigest()[:12])
    return found


ASSETS: Final = _read()
"""Every style sheet and script of the site, by name."""


def asset_address(name: str) -> str:
    """Return the address of a style sheet or script."""
    return f"/-/casebase/{name}?v={ASSETS[name].digest}"


STYLES: Final = [asset_address(name) for name in ASSETS if name.endswith(".css")]
"""The style sheets of every page."""


def plain_page(status: HTTPStatus, words: str) -> str:
    """Return a whole page that says why something was refused and what to do."""
    return _PAGE.format(title=escape(status.phrase), words=escape(words), style=asset_address("casebase.css"))


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
            status, words = 400, f"These tables cannot be queried like that ({exception}): check the address."
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR and not isinstance(exception, BusyError):
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
    site = site_of(datasette)
    return site is not None and str(request.path).startswith(datasette.urls.database(site.name))


def _status_and_words(exception: Exception) -> tuple[int, str]:
    if isinstance(exception, NotHereError):
        return 404, str(exception)
    if isinstance(exception, BusyError):
        return 503, str(exception)
    if isinstance(exception, CasebaseError):
        return 400, str(exception)
    status = getattr(exception, "status", 500)
    if isinstance(exception, DatasetteError):
        # What Datasette refuses of its own tables is the asker's slip, even where it says 500 ("Cannot sort table").
        return (400 if status == HTTPStatus.INTERNAL_SERVER_ERROR else status), str(exception.message)
    said = str(exception.args[0]) if exception.args else ""
    return status, _WORDS.get(status) or said or HTTPStatus(status).phrase


async def html_page(
    datasette: Any, request: Any, template: str, context: Mapping[str, Any], status: int = 200
) -> Response:
    """Return a page made by `templates/casebase/TEMPLATE.html`, with what every page needs."""
    body = _rendered(datasette, request, template, context)
    return Response.html(body, status=status, headers=_A_MINUTE if status == 200 else {})


async def kept_html_page(
    datasette: Any, request: Any, template: str, build: Callable[[], Awaitable[Mapping[str, Any]]]
) -> Response:
    """Return a page that costs something to make: made once for each address."""
    site = site_of(datasette)
    assert site is not None

    async def make() -> str:
        return _rendered(datasette, request, template, await build())

    return await _kept(site, request, make, "text/html; charset=utf-8")


async def kept_json_page(datasette: Any, request: Any, build: Callable[[], Awaitable[Any]]) -> Response:
    """Return plain data that costs something to work out: worked out once for each address, whoever waits for it."""
    site = site_of(datasette)
    assert site is not None

    async def make() -> str:
        return str(json_page(await build()).body)

    return await _kept(site, request, make, "application/json; charset=utf-8")


async def _kept(
    site: OpenSite, request: Any, make: Callable[[], Awaitable[str]], content_type: str
) -> Response:
    packed = await site.pages.get(_short(request.host, request.full_path), make)
    headers = {**_A_MINUTE, "vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, headers={**headers, "content-encoding": "gzip"}, content_type=content_type)
    return Response(gzip.decompress(packed), headers=headers, content_type=content_type)


def _short(*address: str) -> bytes:
    """An address may be far longer than its page."""
    return hashlib.blake2b("\0".join(address).encode(errors="replace")).digest()


def json_page(data: Any) -> Response:
    """Return plain data as JSON."""
    return Response.json(data, headers=_A_MINUTE)


def _rendered(datasette: Any, request: Any, template: str, context: Mapping[str, Any]) -> str:
    site = site_of(datasette)
    shared = {
        "navigation": NAVIGATION,
        "here": request.path.partition("?")[0],
        "collection_name": site.facts.get("name", UNNAMED) if site else UNNAMED,
        "tables": datasette.urls.database(site.name) if site else "/",
        "crumbs": (),
        "note": site.note if site else "",
        "asset": asset_address,
        "styles": STYLES,
    }
    made = _templates(datasette).get_template(f"casebase/{template}.html")
    return str(made.render({**shared, **context}))


def _templates(datasette: Any) -> Environment:
    """Return the templates, compiled without waiting at every step: nothing in ours waits, and a page takes half."""
    found: Environment | None = getattr(datasette, "casebase_templates", None)
    if found is None:
        found = datasette.casebase_templates = datasette.jinja_env.overlay(enable_async=False)
    return found

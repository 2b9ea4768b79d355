"""Turning what a page holds into a response: HTML by a template, or the same as JSON."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final

from datasette import Response

from casebase.site.assets import STYLES, asset_address
from casebase.site.held import held_by

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


async def html_page(
    datasette: Any, request: Any, template: str, context: Mapping[str, Any], status: int = 200
) -> Response:
    """Return a page made by `templates/casebase/TEMPLATE.html`, with what every page needs."""
    body = await _rendered(datasette, request, template, context)
    return Response.html(body, status=status, headers=_A_MINUTE if status == 200 else {})


async def kept_html_page(
    datasette: Any, request: Any, template: str, build: Callable[[], Awaitable[Mapping[str, Any]]]
) -> Response:
    """Return a page that costs something to make: made once for each address."""
    held = held_by(datasette)
    assert held is not None

    async def make() -> str:
        return await _rendered(datasette, request, template, await build())

    packed = await held.pages.get(_short(request.host, request.full_path), make)
    headers = {**_A_MINUTE, "vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response.html(packed, headers={**headers, "content-encoding": "gzip"})
    return Response.html(gzip.decompress(packed), headers=headers)


def _short(*address: str) -> bytes:
    """An address may be far longer than its page."""
    return hashlib.blake2b("\0".join(address).encode(errors="replace")).digest()


def json_page(data: Any) -> Response:
    """Return plain data as JSON."""
    return Response.json(data, headers=_A_MINUTE)


async def _rendered(datasette: Any, request: Any, template: str, context: Mapping[str, Any]) -> str:
    held = held_by(datasette)
    shared = {
        "navigation": NAVIGATION,
        "here": request.path.partition("?")[0],
        "collection_name": held.facts.get("name", UNNAMED) if held else UNNAMED,
        "tables": datasette.urls.database(held.name) if held else "/",
        "crumbs": (),
        "asset": asset_address,
        "styles": STYLES,
    }
    made = datasette.jinja_env.get_template(f"casebase/{template}.html")
    return str(await made.render_async({**shared, **context}))

"""Which address shows which page; each handler reads its address and hands over at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final
from urllib.parse import parse_qsl

from datasette import Response

from casebase.site.assets import ASSETS, FOR_EVER
from casebase.site.attached import attachment_bytes
from casebase.site.case_page import case_context, case_json
from casebase.site.errors import NotHereError
from casebase.site.held import Held, held_by
from casebase.site.job_form import query_text, without_blanks
from casebase.site.job_page import job_context, job_file, job_json
from casebase.site.list_routes import LIST_ROUTES
from casebase.site.respond import json_page, kept_html_page
from casebase.site.start_page import start_context


async def start(datasette: Any, request: Any) -> Response:
    """Show the first page."""
    held, news = _held(datasette), getattr(datasette, "casebase_news", ())
    return await kept_html_page(
        datasette, request, "start", lambda: held.read(lambda edition: start_context(edition, news))
    )


async def case(datasette: Any, request: Any) -> Response:
    """Show one case."""
    held, case_id = _held(datasette), request.url_vars["case_id"]
    address = datasette.absolute_url(request, f"/case/{case_id}")
    return await kept_html_page(
        datasette,
        request,
        "case",
        lambda: held.read(lambda edition: case_context(edition, held, case_id, address)),
    )


async def case_as_json(datasette: Any, request: Any) -> Response:
    """Give one case as plain data."""
    held, case_id = _held(datasette), request.url_vars["case_id"]
    return json_page(await held.read(lambda edition: case_json(edition, case_id)))


async def job(datasette: Any, request: Any) -> Response:
    """Show the form of a stuck job and the answer to it."""
    pairs = _pairs(request)
    told = without_blanks(pairs)
    if len(told) < len(pairs):
        return Response.redirect(datasette.urls.path(f"/job?{query_text(told)}" if told else "/job"))
    held = _held(datasette)
    return await kept_html_page(
        datasette, request, "job", lambda: held.answer(lambda edition: job_context(edition, held, pairs))
    )


async def job_as_json(datasette: Any, request: Any) -> Response:
    """Give the answer to a stuck job as plain data."""
    held, pairs = _held(datasette), _pairs(request)
    return json_page(await held.answer(lambda edition: job_json(edition, held, pairs)))


async def job_as_file(request: Any) -> Response:
    """Give a stuck job as a record file to take home."""
    return Response(
        job_file(_pairs(request)),
        headers={"content-disposition": 'attachment; filename="job.yaml"'},
        content_type="application/yaml; charset=utf-8",  # RFC 9512
    )


async def attachment(datasette: Any, request: Any) -> Response:
    """Give an attached file; its address is its content's, so that browsers may keep it."""
    held, sha256 = _held(datasette), request.url_vars["sha256"]
    content, media_type = await held.read(lambda edition: attachment_bytes(edition, sha256))
    return Response(content, headers={"cache-control": FOR_EVER}, content_type=media_type)


async def asset(request: Any) -> Response:
    """Give a style sheet or script; its address changes with its content."""
    found = ASSETS.get(request.url_vars["name"])
    if found is None:
        raise NotHereError("There is no such file.")
    return Response(found.content, headers={"cache-control": FOR_EVER}, content_type=found.content_type)


async def robots(request: Any) -> Response:
    """Keep search engines out: these are a shop's own pages."""
    return Response.text("User-agent: *\nDisallow: /\n")


ROUTES: Final[list[tuple[str, Callable[..., Any]]]] = [
    (r"/$", start),
    (r"/case/(?P<case_id>[0-9a-z]{1,32})$", case),
    (r"/case/(?P<case_id>[0-9a-z]{1,32})\.json$", case_as_json),
    (r"/attachment/(?P<sha256>[0-9a-f]{64})$", attachment),
    (r"/job$", job),
    (r"/job\.json$", job_as_json),
    (r"/job\.yaml$", job_as_file),
    (r"/-/casebase/(?P<name>[a-z]+\.[a-z]+)$", asset),
    (r"/robots\.txt$", robots),
    *LIST_ROUTES,
]


def _pairs(request: Any) -> list[tuple[str, str]]:
    return parse_qsl(request.query_string, keep_blank_values=True)


def _held(datasette: Any) -> Held:
    held = held_by(datasette)
    assert held is not None  # without one there are no routes
    return held
